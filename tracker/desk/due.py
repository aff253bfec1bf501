"""Claim windows that close: how many days are left, and what the claim still lacks."""

from collections.abc import Mapping, Sequence, Set
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session, joinedload

from tracker.desk.pieces import MANY, Labelled, dispositions, find_lot, pieces_of, seats, standings
from tracker.desk.standing import lots_with
from tracker.desk.workspace import Workspace
from tracker.judgement.suspicion import counted
from tracker.records.models import BenchRun, Document, Inspection, Lot, Photo, Piece, Shipment

SETTLED_WITH_SELLER = ("accepted", "fitted", "returned")
"""Dispositions of pieces for which nothing is to be claimed any more."""
NEEDY = ("open", "quarantined", "rejected")
"""Dispositions of pieces that may still be claimed for."""
MOST_NAMED = 8
MOST_DAYS = 365_000
"""A thousand years: what is later is no day any more."""


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
        if lot is None:
            found = _every_due(session, today, within)
        else:
            only = find_lot(session, lot)
            found = due_in(session, dispositions(session, only.pieces), only, today=today)
    return tuple(one for one in found if within is None or one.days_left <= within)


def _every_due(session: Session, today: date, within: int | None) -> tuple[Due, ...]:
    """Return what all lots still need whose window closes so soon; of those that need nothing no piece is read."""
    query = select(Lot).options(joinedload(Lot.seller)).where(Lot.claim_by.is_not(None))
    if within is not None:
        query = query.where(Lot.claim_by <= today + timedelta(days=min(within, MOST_DAYS)))
    wanted = lots_with(session, NEEDY)
    if wanted is not None:
        query = query.where(Lot.id.in_(wanted))
    lots = session.scalars(query.order_by(Lot.claim_by, Lot.id)).all()
    pieces = pieces_of(session, lots)
    every, which = [piece for some in pieces.values() for piece in some], select(Piece.id)
    which = which.where(Piece.lot_id.in_([lot.id for lot in lots]))
    now = standings(session, every, seats(session, every, which), which)
    return due_of(session, lots, pieces, now, today=today)


def due_in(session: Session, now: Mapping[int, str], only: Lot | None = None, *, today: date) -> tuple[Due, ...]:
    """Return what `due` does, from the disposition of each piece by its id; `only` one lot, where it is given."""
    query = select(Lot).options(joinedload(Lot.seller)).where(Lot.claim_by.is_not(None))
    query = query.order_by(Lot.claim_by, Lot.id)
    lots = session.scalars(query if only is None else query.where(Lot.id == only.id)).all()
    return due_of(session, lots, pieces_of(session, lots), now, today=today)


def due_of(
    session: Session,
    lots: Sequence[Lot],
    pieces: Mapping[int, Sequence[Labelled]],
    now: Mapping[int, str],
    *,
    today: date,
) -> tuple[Due, ...]:
    """Return what some lots with a claim deadline still need, in their order, from their pieces and dispositions."""
    needy = [lot for lot in lots if any(now[piece.id] in NEEDY for piece in pieces[lot.id])]
    evidence = _Evidence.of(session, needy, pieces, now)
    return tuple(_due(lot, pieces[lot.id], now, evidence, today) for lot in needy)


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
        lots = session.scalars(select(Lot).where(Lot.claim_by.is_(None)).order_by(Lot.id)).all()
        pieces = pieces_of(session, lots)
        without = [
            one.label for one in lots if any(now[piece.id] not in SETTLED_WITH_SELLER for piece in pieces[one.id])
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


def _due(lot: Lot, pieces: Sequence[Labelled], now: Mapping[int, str], evidence: "_Evidence", today: date) -> Due:
    count = [now[piece.id] for piece in pieces]
    claim_by = lot.claim_by or today
    return Due(
        lot=lot.label,
        seller=lot.seller.name,
        order=lot.order_reference,
        part=lot.claimed_part,
        claim_by=claim_by,
        days_left=(claim_by - today).days,
        undecided=count.count("open") + count.count("quarantined"),
        rejected=count.count("rejected"),
        missing=_missing(lot, pieces, now, evidence),
    )


def missing(session: Session, lot: Lot, now: Mapping[int, str]) -> tuple[str, ...]:
    """Return what a claim about a lot still lacks, in plain words.

    Parameters
    ----------
    now : mapping of int to str
        The disposition of each piece of the lot, by its id.
    """
    pieces = {lot.id: lot.pieces}
    return _missing(lot, lot.pieces, now, _Evidence.of(session, [lot], pieces, now))


@dataclass(frozen=True, slots=True)
class _Evidence:
    """What there is for claims about some lots; ids of lots and pieces.

    Parameters
    ----------
    papers : set of (int, str)
        Lot and kind of document.
    photographed : set of int
        Lots with a photo.
    seen, measured, sent : set of int
        Pieces to be claimed for, or sent back, that a photo shows, that were measured, that have a carrier's reference.
    """

    papers: Set[tuple[int, str]]
    photographed: Set[int]
    seen: Set[int]
    measured: Set[int]
    sent: Set[int]

    @classmethod
    def of(
        cls, session: Session, lots: Sequence[Lot], pieces: Mapping[int, Sequence[Labelled]], now: Mapping[int, str]
    ) -> "_Evidence":
        ids = [lot.id for lot in lots]
        claimed = [piece.id for lot in lots for piece in pieces[lot.id] if now[piece.id] in ("rejected", "returned")]

        def those(column: Any, named: Sequence[int]) -> set[int]:
            asked = select(column).distinct()
            return set(session.scalars(asked if len(named) > MANY else asked.where(column.in_(named))))

        papers = select(Document.lot_id, Document.kind).distinct()
        rows = session.execute(papers if len(ids) > MANY else papers.where(Document.lot_id.in_(ids)))
        return cls(
            papers={(number, kind) for number, kind in rows},
            photographed=those(Photo.lot_id, ids),
            seen=those(Inspection.piece_id, claimed),
            measured=those(BenchRun.piece_id, claimed),
            sent=those(Shipment.piece_id, claimed),
        )


def _missing(lot: Lot, pieces: Sequence[Labelled], now: Mapping[int, str], evidence: _Evidence) -> tuple[str, ...]:
    by: dict[str, list[Labelled]] = {}
    for piece in pieces:
        by.setdefault(now[piece.id], []).append(piece)
    undecided = len(by.get("open", ())) + len(by.get("quarantined", ()))
    rejected, returned = by.get("rejected", []), by.get("returned", [])
    lacking = [f"no {kind}" for kind in ("invoice", "listing") if (lot.id, kind) not in evidence.papers]
    if lot.order_reference is None:
        lacking.append("no order reference")
    unseen = [
        piece.label for piece in pieces if now[piece.id] in ("rejected", "returned") and piece.id not in evidence.seen
    ]
    if lot.id not in evidence.photographed:
        lacking.append("no photo")
    elif unseen:
        lacking.append(f"no photo of {', '.join(unseen)}")
    if undecided:
        lacking.append("1 piece undecided" if undecided == 1 else f"{undecided} pieces undecided")
    if unmeasured := sum(piece.id not in evidence.measured for piece in rejected):
        lacking.append(f"{unmeasured} of {len(rejected)} rejected without a bench test")
    if untracked := sum(piece.id not in evidence.sent for piece in returned):
        lacking.append(f"no carrier's reference for {untracked} returned")
    return tuple(lacking)
