"""What is to be seen to today: claims closing, tests worth doing, and what arrived lately; each with few questions.

found = today(workspace, today=date.today())
found.arrived          # tuple of LotRow, the newest first: how each stands
found.due              # tuple of Due, the soonest first, as `lotproof due` has it
found.next             # NextFew: the few next tests, and of which lots they were chosen
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from sqlalchemy import select
from sqlalchemy.orm import Session, joinedload

from tracker.desk.costs import reckoned
from tracker.desk.due import Due, due_in
from tracker.desk.learned import learned
from tracker.desk.listing import lot_row, piece_rows
from tracker.desk.lot_outlook import UNDECIDED
from tracker.desk.next_test import NextStep, lots_at_bench, next_step
from tracker.desk.pieces import dispositions
from tracker.desk.rows import LotRow, PieceRow
from tracker.desk.workspace import Workspace
from tracker.judgement.bench_order import plan
from tracker.records.models import Lot, Piece

LATEST = 10
"""So many arrivals are shown; our own choice: what fits a screen."""
STEPS = 4
"""So many tests are proposed: what follows depends on what these show (common practice, no source)."""
MOST_PIECES = 60
"""Tests are chosen among the newest lots with so many pieces together; our own choice, for the time it takes."""


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
        How many lots have open or quarantined pieces; where more than `lots`, `lotproof next` looks at them all.
    minutes, saves : float
        Of all steps together.
    """

    steps: tuple[NextStep, ...]
    lots: tuple[str, ...]
    of: int
    minutes: float
    saves: float

    @property
    def bounded(self) -> bool:
        """Whether some lots with open pieces were left out."""
        return self.of > len(self.lots)


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
        Claim windows that need something, the soonest first.
    next : NextFew
    """

    day: date
    arrived: tuple[LotRow, ...]
    lots: int
    due: tuple[Due, ...]
    next: NextFew


def today(workspace: Workspace, *, today: date) -> Today:
    """Return what is to be seen to today.

    Parameters
    ----------
    today : date
        For what is left of claim windows.
    """
    with workspace.read() as session:
        now = dispositions(session)
        lots = session.scalars(
            select(Lot).options(joinedload(Lot.seller)).order_by(Lot.arrived_on.desc(), Lot.id.desc())
        ).all()
        return Today(
            day=today,
            arrived=_arrived(session, lots[:LATEST]),
            lots=len(lots),
            due=due_in(session, now, today=today),
            next=_next(session, lots, now, today),
        )


def _arrived(session: Session, lots: Sequence[Lot]) -> tuple[LotRow, ...]:
    pieces = [piece for lot in lots for piece in lot.pieces]
    by_lot: dict[str, list[PieceRow]] = {}
    for row in piece_rows(session, pieces):
        by_lot.setdefault(row.lot, []).append(row)
    return tuple(lot_row(lot, by_lot.get(lot.label, [])) for lot in lots)


def _next(session: Session, lots: Sequence[Lot], now: dict[int, str], today: date) -> NextFew:
    found = session.execute(select(Piece.id, Piece.lot_id))
    wanted = {lot for number, lot in found if now[number] in UNDECIDED}
    undecided = [lot for lot in lots if lot.id in wanted]
    some, pieces = list[Lot](), 0
    for lot in undecided:
        pieces += len(lot.pieces)
        if some and pieces > MOST_PIECES:
            break
        some.append(lot)
    if not some:
        return NextFew((), (), 0, 0.0, 0.0)
    reckon = reckoned(session)
    benches = [one.bench for one in lots_at_bench(session, some, learned(session), reckon, today)]
    steps = plan(benches, reckon.costs, most=STEPS)
    return NextFew(
        steps=tuple(next_step(benches[one.lot], one, reckon.costs) for one in steps),
        lots=tuple(lot.label for lot in some),
        of=len(undecided),
        minutes=sum(one.minutes for one in steps),
        saves=sum(one.saves for one in steps),
    )
