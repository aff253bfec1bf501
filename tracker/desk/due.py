"""Claim windows that close: how many days are left, and what the claim still lacks."""

from collections.abc import Iterable, Iterator, Mapping, Sequence, Set
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from sqlalchemy import Select, func, literal, select
from sqlalchemy.orm import Session, joinedload

from tracker.desk.pieces import MANY, Labelled, dispositions, find_lot, pieces_of
from tracker.desk.standing import lots_with
from tracker.desk.standing_suspicion import brought_up
from tracker.desk.workspace import Workspace
from tracker.errors import BadRequest
from tracker.judgement.suspicion import counted
from tracker.records.derived import LOT_STANDING, PIECE_STANDING
from tracker.records.models import BenchRun, Document, Inspection, Lot, Photo, Piece, Shipment

UNDECIDED = ("open", "quarantined")
CLAIMED = ("rejected", "returned")
"""Dispositions of pieces that a claim is about."""
NEEDY = ("open", "quarantined", "rejected")
"""Dispositions of pieces that may still be claimed for."""
MOST_NAMED = 8
MOST_SHOWN = 50
"""So many windows are shown where no number is asked for (common practice, no source)."""
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


@dataclass(frozen=True, slots=True)
class DuePage:
    """Some lots that need something.

    Parameters
    ----------
    due : tuple of Due
        Windows that are open first, the soonest first; then closed ones, the latest first.
    found : int
        How many there are in all.
    next : str or None
        The lot to go on after; None where nothing follows.
    """

    due: tuple[Due, ...]
    found: int
    next: str | None = None


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
    if lot is None:
        return soonest_first(due_page(workspace, today=today, within=within).due)
    with workspace.read() as session:
        only = find_lot(session, lot)
        found = due_in(session, dispositions(session, only.pieces), only, today=today)
    return tuple(one for one in found if within is None or one.days_left <= within)


def due_page(
    workspace: Workspace, *, today: date, within: int | None = None, limit: int | None = None, after: str | None = None
) -> DuePage:
    """Return some of the lots that `due` returns, and how many there are.

    A rejected piece that never went back stays due for ever, so what closed long ago comes last.

    Parameters
    ----------
    limit : int, optional
        At most so many.
    after : str, optional
        Go on after this lot, as `DuePage.next` of the page before named it.

    Raises
    ------
    BadRequest
        When there is no lot to go on after.
    """
    brought_up(workspace)
    with workspace.read() as session:
        return due_among(
            session, today, within=within, limit=limit, after=None if after is None else _at(session, after)
        )


def soonest_first(found: Sequence[Due]) -> tuple[Due, ...]:
    """Return windows by the day they close; lots of one day by number."""
    return tuple(sorted(found, key=lambda one: (one.claim_by, len(one.lot), one.lot)))


def _at(session: Session, label: str) -> Lot:
    lot = find_lot(session, label)
    if lot.claim_by is None:
        raise BadRequest(f"{lot.label} has no last day for a claim to go on after.", "Leave --after out.")
    return lot


def due_among(
    session: Session,
    today: date,
    *,
    since: date | None = None,
    within: int | None = None,
    limit: int | None = None,
    after: Lot | None = None,
) -> DuePage:
    """Return what `due_page` does, without windows that closed before `since`; only needy lots' pieces are read."""
    query = select(Lot).options(joinedload(Lot.seller)).where(Lot.claim_by.is_not(None))
    wanted = lots_with(session, NEEDY)
    if within is not None:
        query = query.where(Lot.claim_by <= today + timedelta(days=min(within, MOST_DAYS)))
    if since is not None:
        query = query.where(Lot.claim_by >= since)
    if wanted is not None:
        query = query.where(Lot.id.in_(wanted))
    else:
        needy = _needy(session)
    found: list[Lot] = []
    most = None if limit is None or wanted is None else limit + 1
    for some in _parts(query, today, after):
        left = None if most is None else most - len(found)
        if left != 0:
            found += session.scalars(some.limit(left))
    if wanted is None:
        found = [lot for lot in found if lot.id in needy]
        count = sum(lot.id in needy for lot in session.scalars(query))
    else:
        count = session.scalar(select(func.count()).select_from(query.with_only_columns(Lot.id).subquery())) or 0
    shown = found if limit is None else found[:limit]
    made = _due_of(shown, _standing(session, shown, kept=wanted is not None), session, today)
    return DuePage(made, count, shown[-1].label if len(shown) < len(found) else None)


def _parts(query: Select[Any], today: date, after: Lot | None) -> Iterator[Select[Any]]:
    """Yield the questions for open and for closed windows, in their order, as far as they come after a lot."""
    beyond = None if after is None or after.claim_by is None else after.claim_by
    same = None if after is None else (Lot.claim_by == beyond) & (Lot.id > after.id)
    if beyond is None or beyond >= today:
        some = query.where(Lot.claim_by >= today).order_by(Lot.claim_by, Lot.id)
        yield some if same is None else some.where((Lot.claim_by > beyond) | same)
    some = query.where(Lot.claim_by < today).order_by(Lot.claim_by.desc(), Lot.id)
    yield some if same is None or beyond is None or beyond >= today else some.where((Lot.claim_by < beyond) | same)


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
    stands = {lot.id: _Stands.of(pieces[lot.id], now) for lot in lots}
    return _due_of([lot for lot in lots if stands[lot.id].needy], stands, session, today)


@dataclass(frozen=True, slots=True)
class _Stands:
    """How the pieces of a lot stand: how many are undecided; those rejected and returned, in their order."""

    undecided: int
    claimed: Sequence[tuple[Labelled, str]]

    @classmethod
    def of(cls, pieces: Sequence[Labelled], now: Mapping[int, str]) -> "_Stands":
        return cls(
            sum(now[piece.id] in UNDECIDED for piece in pieces),
            [(piece, now[piece.id]) for piece in pieces if now[piece.id] in CLAIMED],
        )

    @property
    def needy(self) -> bool:
        return bool(self.undecided or self.those("rejected"))

    def those(self, disposition: str) -> list[Labelled]:
        return [piece for piece, stands in self.claimed if stands == disposition]


def _standing(session: Session, lots: Sequence[Lot], *, kept: bool) -> dict[int, _Stands]:
    """Return how the pieces of some lots stand, from what is kept beside the records where that is up to them."""
    if not kept:
        pieces = pieces_of(session, lots)
        now = dispositions(session, [piece for some in pieces.values() for piece in some])
        return {number: _Stands.of(some, now) for number, some in pieces.items()}
    claimed: dict[int, list[tuple[Labelled, str]]] = {lot.id: [] for lot in lots}
    of = PIECE_STANDING.c
    query = (
        select(Piece.lot_id, Piece.id, Piece.label, of.disposition)
        .join(PIECE_STANDING, of.piece_id == Piece.id)
        .where(of.disposition.in_(CLAIMED))
        .order_by(Piece.lot_id, Piece.number)
    )
    for row in session.execute(query if len(lots) > MANY else query.where(of.lot_id.in_(list(claimed)))):
        if row.lot_id in claimed:
            claimed[row.lot_id].append((row, row.disposition))
    left = sum((LOT_STANDING.c[name] for name in UNDECIDED), literal(0))
    counted_ = select(LOT_STANDING.c.lot_id, left)
    rows = session.execute(counted_ if len(lots) > MANY else counted_.where(LOT_STANDING.c.lot_id.in_(list(claimed))))
    undecided = {row[0]: row[1] for row in rows}
    return {lot.id: _Stands(undecided.get(lot.id, 0), claimed[lot.id]) for lot in lots}


def _due_of(lots: Sequence[Lot], stands: Mapping[int, _Stands], session: Session, today: date) -> tuple[Due, ...]:
    evidence = _Evidence.of(session, lots, [stands[lot.id] for lot in lots])
    return tuple(_due(lot, stands[lot.id], evidence, today) for lot in lots)


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
        without, count = _without_a_day(session)
    said = f"No claim window needs anything{_within(within)}."
    if not count:
        return said
    shown = ", ".join(without) + (f" and {count - MOST_NAMED} more" * (count > MOST_NAMED))
    return f"{said} No last day for a claim is on record for {shown}."


def _without_a_day(session: Session) -> tuple[Sequence[str], int]:
    """Return the first lots that need something and have no last day, and how many such lots there are."""
    query, wanted = select(Lot.label).where(Lot.claim_by.is_(None)), lots_with(session, NEEDY)
    if wanted is None:
        needy = _needy(session)
        rows = session.execute(query.add_columns(Lot.id).order_by(Lot.id))
        labels = [label for label, number in rows if number in needy]
        return labels[:MOST_NAMED], len(labels)
    query = query.where(Lot.id.in_(wanted))
    count = session.scalar(select(func.count()).select_from(query.subquery())) or 0
    return session.scalars(query.order_by(Lot.id).limit(MOST_NAMED)).all(), count


def _needy(session: Session) -> set[int]:
    """Return the ids of lots that need something, from the records alone: where what is kept beside them is behind."""
    now = dispositions(session)
    return {lot for piece, lot in session.execute(select(Piece.id, Piece.lot_id)) if now[piece] in NEEDY}


def _within(days: int | None) -> str:
    if days is None:
        return ""
    return " today" if days == 0 else f" within {counted(days, 'day')}"


def _due(lot: Lot, stands: _Stands, evidence: "_Evidence", today: date) -> Due:
    claim_by = lot.claim_by or today
    return Due(
        lot=lot.label,
        seller=lot.seller.name,
        order=lot.order_reference,
        part=lot.claimed_part,
        claim_by=claim_by,
        days_left=(claim_by - today).days,
        undecided=stands.undecided,
        rejected=len(stands.those("rejected")),
        missing=_missing(lot, stands, evidence),
    )


def missing(session: Session, lot: Lot, now: Mapping[int, str]) -> tuple[str, ...]:
    """Return what a claim about a lot still lacks, in plain words.

    Parameters
    ----------
    now : mapping of int to str
        The disposition of each piece of the lot, by its id.
    """
    stands = _Stands.of(lot.pieces, now)
    return _missing(lot, stands, _Evidence.of(session, [lot], [stands]))


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
    def of(cls, session: Session, lots: Sequence[Lot], stands: Iterable[_Stands]) -> "_Evidence":
        ids = [lot.id for lot in lots]
        claimed = [piece.id for one in stands for piece, _ in one.claimed]

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


def _missing(lot: Lot, stands: _Stands, evidence: _Evidence) -> tuple[str, ...]:
    rejected, returned = stands.those("rejected"), stands.those("returned")
    lacking = [f"no {kind}" for kind in ("invoice", "listing") if (lot.id, kind) not in evidence.papers]
    if lot.order_reference is None:
        lacking.append("no order reference")
    unseen = [piece.label for piece, _ in stands.claimed if piece.id not in evidence.seen]
    if lot.id not in evidence.photographed:
        lacking.append("no photo")
    elif unseen:
        lacking.append(f"no photo of {', '.join(unseen)}")
    if stands.undecided:
        lacking.append(counted(stands.undecided, "piece") + " undecided")
    if unmeasured := sum(piece.id not in evidence.measured for piece in rejected):
        lacking.append(f"{unmeasured} of {len(rejected)} rejected without a bench test")
    if untracked := sum(piece.id not in evidence.sent for piece in returned):
        lacking.append(f"no carrier's reference for {untracked} returned")
    return tuple(lacking)
