"""A seller's record as it stands: lots whose pieces' truth is known, the trend, and what the next lot starts with."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracker.desk.fields import folded
from tracker.desk.known_pieces import truths_of
from tracker.desk.learned import learned
from tracker.desk.standing import state
from tracker.desk.truths import SellerRecords
from tracker.desk.workspace import Workspace
from tracker.errors import NoSuch
from tracker.judgement import sellers
from tracker.judgement.sellers import Expected, Share, Trend
from tracker.records.derived import SELLER_STANDING
from tracker.records.models import Lot, Seller


@dataclass(frozen=True, slots=True)
class SellerLot:
    """One lot of a seller; `known` of its pieces have a truth, `not_genuine` of those were not as claimed."""

    lot: str
    part: str
    arrived: date
    pieces: int
    known: int
    not_genuine: int


@dataclass(frozen=True, slots=True)
class SellerShown:
    """A seller's record.

    Parameters
    ----------
    seller : str
    lots : tuple of SellerLot
        In the order of arrival.
    record : Share
        Known lots, and those with pieces that were not as claimed.
    said : str
        The record in words.
    trend : Trend or None
        The earlier half of the known lots against the later; None where they are too few.
    said_trend : str
    next_lot : tuple of Expected
        The prior of the next lot, for each kind of source the seller's lots came as; the latest kind first.
    source : str
        How the intervals are made.
    """

    seller: str
    lots: tuple[SellerLot, ...]
    record: Share
    said: str
    trend: Trend | None
    said_trend: str
    next_lot: tuple[Expected, ...]
    source: str


def find_seller_or_none(session: Session, name: str) -> Seller | None:
    """Return the seller of this name, in any case, or None."""
    if state(session).current:
        at = SELLER_STANDING.c
        return session.scalar(
            select(Seller)
            .join(SELLER_STANDING, at.seller_id == Seller.id)
            .where(at.name_key == folded(name))
            .order_by(Seller.id)
            .limit(1)
        )
    return next((one for one in session.scalars(select(Seller)) if folded(one.name) == folded(name)), None)


def records(session: Session) -> dict[int, Share]:
    """Return the record of each seller of whose pieces a truth is known, by the seller's id."""
    counted = learned(session).records.by_seller
    return {
        seller: sellers.share(sum(bad > 0 for bad, _ in lots.values()), len(lots)) for seller, lots in counted.items()
    }


def seller_shown(session: Session, seller: Seller) -> SellerShown:
    """Return a seller's record."""
    lots = session.scalars(select(Lot).where(Lot.seller_id == seller.id).order_by(Lot.arrived_on, Lot.id)).all()
    known = truths_of(session, seller.id)
    by_lot: dict[int, list[bool]] = {}
    for one in known:
        by_lot.setdefault(one.lot, []).append(one.not_genuine)
    rows = tuple(_lot(lot, by_lot.get(lot.id, [])) for lot in lots)
    bad = [row.not_genuine > 0 for row in rows if row.known]
    record, trend = sellers.share(sum(bad), len(bad)), sellers.trend(bad)
    counted = SellerRecords(known).of(seller.id)
    kinds: Mapping[str, None] = dict.fromkeys(lot.source_kind for lot in reversed(lots))
    return SellerShown(
        seller=seller.name,
        lots=rows,
        record=record,
        said=sellers.said(record),
        trend=trend,
        said_trend=sellers.said_trend(trend),
        next_lot=tuple(sellers.expected(kind, *counted) for kind in kinds),
        source=sellers.JEFFREYS_SOURCE,
    )


def _lot(lot: Lot, known: Sequence[bool]) -> SellerLot:
    return SellerLot(lot.label, lot.claimed_part, lot.arrived_on, lot.quantity_received, len(known), sum(known))


def show_seller(workspace: Workspace, name: str) -> SellerShown:
    """Return the record of the seller of this name, in any case; `show` looks for a machine of that name first.

    Raises
    ------
    BadRequest
        When there is none.
    """
    with workspace.read() as session:
        found = find_seller_or_none(session, name)
        if found is None:
            shown = "".join(letter if letter.isprintable() else "?" for letter in name[:60])
            raise NoSuch(f"There is no seller '{shown}'.", "`lotproof list sellers` shows those there are.")
        return seller_shown(session, found)
