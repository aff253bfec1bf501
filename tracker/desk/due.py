"""Claim windows that close: how many days are left, and what the claim still lacks."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracker.desk.pieces import dispositions, find_lot
from tracker.desk.workspace import Workspace
from tracker.judgement.suspicion import counted
from tracker.records.models import BenchRun, Document, Inspection, Lot, Photo, Shipment

SETTLED_WITH_SELLER = ("accepted", "fitted", "returned")
"""Dispositions of pieces for which nothing is to be claimed any more."""
MOST_NAMED = 8


@dataclass(frozen=True, slots=True)
class Due:
    """One lot whose claim window is open, or closed with pieces still undecided.

    Attributes
    ----------
    days_left : int
        Until the deadline, both days counted as whole; 0 is today, negative is past.
    undecided : int
        Pieces that are open or quarantined.
    rejected : int
        Pieces to be claimed for.
    missing : tuple of str
        What a claim would lack, in plain words.
    """

    lot: str
    seller: str
    order: str | None
    part: str
    claim_by: date
    days_left: int
    undecided: int
    rejected: int
    missing: tuple[str, ...]


def due(workspace: Workspace, lot: str | None = None, *, today: date, within: int | None = None) -> tuple[Due, ...]:
    """Return the lots with a claim deadline that still need something, the soonest first.

    A lot whose pieces are all accepted, fitted or returned needs no claim and is left out.

    Parameters
    ----------
    lot : str, optional
        Only this one.
    within : int, optional
        Only windows that close in this many days or fewer.
    """
    with workspace.read() as session:
        only = None if lot is None else find_lot(session, lot)
        now = dispositions(session, None if only is None else only.pieces)
        found = due_in(session, now, only, today=today)
    return tuple(one for one in found if within is None or one.days_left <= within)


def due_in(session: Session, now: dict[int, str], only: Lot | None = None, *, today: date) -> tuple[Due, ...]:
    """Return what `due` does, from the disposition of each piece by its id; `only` one lot, where it is given."""
    query = select(Lot).where(Lot.claim_by.is_not(None)).order_by(Lot.claim_by, Lot.id)
    lots = session.scalars(query if only is None else query.where(Lot.id == only.id)).all()
    return tuple(one for lot in lots if (one := _due(session, lot, now, today)) is not None)


def nothing_due(workspace: Workspace, lot: str | None = None, *, within: int | None = None) -> str:
    """Say why `due` has nothing to show: a lot whose last day nobody recorded must not look as if it needed nothing."""
    with workspace.read() as session:
        if lot is not None:
            one = find_lot(session, lot)
            if one.claim_by is None:
                return (
                    f"No last day for a claim is on record for {one.label}: see what was agreed with {one.seller.name}."
                )
            return f"{one.label} needs nothing for a claim{_within(within)}."
        now = dispositions(session)
        without = [
            one.label
            for one in session.scalars(select(Lot).where(Lot.claim_by.is_(None)).order_by(Lot.id))
            if any(now[piece.id] not in SETTLED_WITH_SELLER for piece in one.pieces)
        ]
    said = f"No claim window needs anything{_within(within)}."
    if not without:
        return said
    shown = ", ".join(without[:MOST_NAMED]) + (f" and {len(without) - MOST_NAMED} more" * (len(without) > MOST_NAMED))
    return f"{said} No last day for a claim is on record for {shown}."


def _within(days: int | None) -> str:
    if days is None:
        return ""
    return " today" if days == 0 else f" within {counted(days, 'day')}"


def _due(session: Session, lot: Lot, now: dict[int, str], today: date) -> Due | None:
    count = [now[piece.id] for piece in lot.pieces]
    undecided = count.count("open") + count.count("quarantined")
    rejected = count.count("rejected")
    if lot.claim_by is None or not undecided + rejected:
        return None
    return Due(
        lot=lot.label,
        seller=lot.seller.name,
        order=lot.order_reference,
        part=lot.claimed_part,
        claim_by=lot.claim_by,
        days_left=(lot.claim_by - today).days,
        undecided=undecided,
        rejected=rejected,
        missing=missing(session, lot, now),
    )


def missing(session: Session, lot: Lot, now: dict[int, str]) -> tuple[str, ...]:
    """Return what a claim about a lot still lacks, in plain words.

    Parameters
    ----------
    now : dict
        The disposition of each piece of the lot, by its id.
    """
    count = [now[piece.id] for piece in lot.pieces]
    undecided, rejected = count.count("open") + count.count("quarantined"), count.count("rejected")
    lacking = []
    kinds = set(session.scalars(select(Document.kind).where(Document.lot_id == lot.id)))
    lacking += [f"no {kind}" for kind in ("invoice", "listing") if kind not in kinds]
    if lot.order_reference is None:
        lacking.append("no order reference")
    if session.scalar(select(Photo.id).where(Photo.lot_id == lot.id).limit(1)) is None:
        lacking.append("no photo")
    elif unseen := _unseen(session, lot, now):
        lacking.append(f"no photo of {unseen}")
    if undecided:
        lacking.append("1 piece undecided" if undecided == 1 else f"{undecided} pieces undecided")
    ids = [piece.id for piece in lot.pieces if now[piece.id] == "rejected"]
    measured = set(session.scalars(select(BenchRun.piece_id).where(BenchRun.piece_id.in_(ids))))
    if len(ids) > len(measured):
        lacking.append(f"{len(ids) - len(measured)} of {rejected} rejected without a bench test")
    return (*lacking, *_not_tracked(session, lot, now))


def _unseen(session: Session, lot: Lot, now: dict[int, str]) -> str:
    """Return the rejected pieces that no photo shows."""
    rejected = {piece.id: piece.label for piece in lot.pieces if now[piece.id] in ("rejected", "returned")}
    seen = set(session.scalars(select(Inspection.piece_id).where(Inspection.piece_id.in_(rejected))))
    return ", ".join(label for number, label in rejected.items() if number not in seen)


def _not_tracked(session: Session, lot: Lot, now: dict[int, str]) -> Sequence[str]:
    """Return whether returned pieces lack the carrier's reference, which proves that they went back."""
    returned = {piece.id for piece in lot.pieces if now[piece.id] == "returned"}
    sent = set(session.scalars(select(Shipment.piece_id).where(Shipment.piece_id.in_(returned))))
    left = len(returned - sent)
    return [f"no carrier's reference for {left} returned"] if left else []
