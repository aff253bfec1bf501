"""What is to be seen to today: claims closing, tests worth doing, and what arrived lately; each with few questions.

    found = today(workspace, today=date.today())
    found.arrived          # tuple of LotRow, the newest first: how each stands
    found.due              # tuple of Due, the soonest first, as `lotproof due` has it
    found.next             # NextFew: the few next tests, and of which lots they were chosen

All of it is bounded, so that a page of it comes at once however large the workshop: see `LOOKED_AT`, `JUDGED`,
`MOST_PIECES` and `PAST`. What was left out is said in the values.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from sqlalchemy import func, select
from sqlalchemy.orm import Session, joinedload

from tracker.desk.assess import Judged, judged
from tracker.desk.costs import reckoned
from tracker.desk.due import Due, due_among, soonest_first
from tracker.desk.learned import Learned, learned
from tracker.desk.listing import lot_row
from tracker.desk.lot_outlook import UNDECIDED
from tracker.desk.next_test import NextStep, benches, next_step
from tracker.desk.pieces import pieces_of, seats, standings
from tracker.desk.rows import LotRow
from tracker.desk.standing_suspicion import brought_up
from tracker.desk.workspace import Workspace
from tracker.judgement.bench_order import plan
from tracker.records.models import Lot, Piece

LATEST = 10
"""So many arrivals are shown; our own choice: what fits a screen."""
STEPS = 4
"""So many tests are proposed: what follows depends on what these show (common practice, no source)."""
LOOKED_AT, LOOKED_AT_PIECES = 200, 600
"""Among so many of the newest lots, with so many pieces together, open pieces are looked for; our own choice, for the
time it takes."""
JUDGED = 120
"""The newest arrivals with so many pieces together are judged; our own choice, for the time it takes."""
MOST_PIECES = 24
"""Tests are chosen among the newest lots with so many pieces together, larger ones passed over; our own choice, for the
time it takes."""
CLOSING = 8
"""Claim windows shown; the others are on their own page. Our own choice."""
PAST = timedelta(days=90)
"""A window that closed so long ago is no longer shown; `lotproof due` has it. Our own choice."""


@dataclass(frozen=True, slots=True)
class NextFew:
    """The few next tests.

    Parameters
    ----------
    steps : tuple of NextStep
        In the order to do them; empty where none is worth its time.
    lots : tuple of str
        Labels of the lots they were chosen among, the newest first.
    of : int
        How many lots with open or quarantined pieces there are among the newest that were looked at.
    minutes, saves : float
        Of all steps together.
    older : bool
        Whether there are older lots, which were not looked at.
    """

    steps: tuple[NextStep, ...]
    lots: tuple[str, ...]
    of: int
    minutes: float
    saves: float
    older: bool = False

    @property
    def bounded(self) -> bool:
        """Whether lots were left out that may have open pieces: `lotproof next` looks at all."""
        return self.older or self.of > len(self.lots)


@dataclass(frozen=True, slots=True)
class Today:
    """What is to be seen to today.

    Parameters
    ----------
    day : date
    arrived : tuple of LotRow
        The newest arrivals, the newest first.
    lots : int
        How many lots there are.
    due : tuple of Due
        Claim windows that need something, at most `CLOSING`, the soonest first, open ones chosen before closed ones.
        Those that closed more than `PAST` ago are left out.
    windows : int
        How many such windows there are.
    next : NextFew
    unjudged : frozenset of str
        Labels of arrivals too large to be judged at a glance: their `suspicion` is None, whatever is known of them.
    """

    day: date
    arrived: tuple[LotRow, ...]
    lots: int
    due: tuple[Due, ...]
    windows: int
    next: NextFew
    unjudged: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class _Desk:
    """What was read once for all parts: lots, the newest first, with their pieces and dispositions."""

    session: Session
    known: Learned
    newest: Sequence[Lot]
    pieces: Mapping[int, Sequence[Piece]]
    now: Mapping[int, str]
    day: date


def today(workspace: Workspace, *, today: date) -> Today:
    """Return what is to be seen to today.

    Parameters
    ----------
    today : date
        For what is left of claim windows.
    """
    brought_up(workspace)
    with workspace.read() as session:
        count = session.scalar(select(func.count()).select_from(Lot)) or 0
        lots = select(Lot).options(joinedload(Lot.seller))
        latest = session.scalars(lots.order_by(Lot.arrived_on.desc(), Lot.id.desc()).limit(LOOKED_AT)).all()
        newest = _few(latest)
        closing = due_among(session, today, since=today - PAST, limit=CLOSING)
        pieces = pieces_of(session, newest)
        which = select(Piece.id).where(Piece.lot_id.in_(list(pieces)))
        every_piece = [piece for some in pieces.values() for piece in some]
        now = standings(session, every_piece, seats(session, every_piece, which), which)
        desk = _Desk(session, learned(session), newest, pieces, now, today)
        shown = newest[:LATEST]
        tested = [lot for lot in newest if any(now[piece.id] in UNDECIDED for piece in pieces[lot.id])]
        at_bench, judge = _within(tested, pieces, MOST_PIECES), _within(shown, pieces, JUDGED)
        every = {lot.id: lot for lot in (*judge, *at_bench)}
        found = judged(session, {piece.id: number for number in every for piece in pieces[number]}, desk.known)
        return Today(
            day=today,
            arrived=tuple(_row(desk, lot, found) for lot in shown),
            lots=count,
            due=soonest_first(closing.due),
            windows=closing.found,
            next=_next(desk, at_bench, found, of=len(tested), older=count > len(newest)),
            unjudged=frozenset(lot.label for lot in shown if lot.id not in every),
        )


def _few(lots: Sequence[Lot]) -> Sequence[Lot]:
    """Return the first lots that have not too many pieces together; those that are shown in any case."""
    pieces = 0
    for count, lot in enumerate(lots):
        pieces += lot.quantity_received
        if pieces > LOOKED_AT_PIECES and count >= LATEST:
            return lots[:count]
    return lots


def _within(lots: Sequence[Lot], pieces: Mapping[int, Sequence[Piece]], most: int) -> list[Lot]:
    """Return the first lots that have at most so many pieces together; one that is too large is passed over."""
    some, left = list[Lot](), most
    for lot in lots:
        if len(pieces[lot.id]) <= left:
            some.append(lot)
            left -= len(pieces[lot.id])
    return some


@dataclass(frozen=True, slots=True)
class _Stands:
    disposition: str
    suspicion: float | None


def _row(desk: _Desk, lot: Lot, found: Judged) -> LotRow:
    stands = [
        _Stands(desk.now[piece.id], found.suspicion(piece.id, lot.id) if piece.id in found.records else None)
        for piece in desk.pieces[lot.id]
    ]
    return lot_row(lot, stands)


def _next(desk: _Desk, lots: Sequence[Lot], found: Judged, *, of: int, older: bool) -> NextFew:
    if not lots:
        return NextFew((), (), of, 0.0, 0.0, older)
    reckon = reckoned(desk.session)
    ready = benches(desk.session, lots, desk.pieces, found, desk.now, desk.known, reckon, desk.day)
    tables = [one.bench for one in ready]
    steps = plan(tables, reckon.costs, most=STEPS)
    return NextFew(
        steps=tuple(next_step(tables[one.lot], one, reckon.costs) for one in steps),
        lots=tuple(lot.label for lot in lots),
        of=of,
        minutes=sum(one.minutes for one in steps),
        saves=sum(one.saves for one in steps),
        older=older,
    )
