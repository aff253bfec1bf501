"""Claim windows that close: how many days are left, and what the claim still lacks."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracker.desk.pieces import dispositions
from tracker.desk.workspace import Workspace
from tracker.records.models import BenchRun, Document, Lot, Photo


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


def due(workspace: Workspace, *, today: date, within: int | None = None) -> tuple[Due, ...]:
    """Return the lots with a claim deadline that still need something, the soonest first.

    A lot whose pieces are all accepted, fitted or returned needs no claim and is left out.

    Parameters
    ----------
    within : int, optional
        Only windows that close in this many days or fewer.
    """
    with workspace.read() as session:
        now = dispositions(session)
        lots = session.scalars(select(Lot).where(Lot.claim_by.is_not(None)).order_by(Lot.claim_by, Lot.id)).all()
        found = [one for lot in lots if (one := _due(session, lot, now, today)) is not None]
    return tuple(one for one in found if within is None or one.days_left <= within)


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
        missing=tuple(_missing(session, lot, undecided, rejected, now)),
    )


def _missing(session: Session, lot: Lot, undecided: int, rejected: int, now: dict[int, str]) -> Sequence[str]:
    missing = []
    kinds = set(session.scalars(select(Document.kind).where(Document.lot_id == lot.id)))
    missing += [f"no {kind}" for kind in ("invoice", "listing") if kind not in kinds]
    if lot.order_reference is None:
        missing.append("no order reference")
    if session.scalar(select(Photo.id).where(Photo.lot_id == lot.id).limit(1)) is None:
        missing.append("no photo")
    if undecided:
        missing.append("1 piece undecided" if undecided == 1 else f"{undecided} pieces undecided")
    measured = set(session.scalars(select(BenchRun.piece_id)))
    unmeasured = sum(now[piece.id] == "rejected" and piece.id not in measured for piece in lot.pieces)
    if unmeasured:
        missing.append(f"{unmeasured} of {rejected} rejected without a bench test")
    return missing
