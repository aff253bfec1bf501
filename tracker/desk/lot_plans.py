"""A lot's outlook: what is known of it as a whole, and what testing none, some or all of its pieces would leave."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from sqlalchemy.orm import Session

from tracker.desk.assess import Judged, judged
from tracker.desk.at_bench import AtBench
from tracker.desk.costs import reckoned
from tracker.desk.learned import Learned, learned
from tracker.desk.lot_outlook import lot_view
from tracker.desk.next_test import benches
from tracker.desk.pieces import dispositions, find_lot
from tracker.desk.workspace import Workspace
from tracker.judgement.bench_order import LotAtBench
from tracker.judgement.bundles import Trial
from tracker.judgement.costs import Costs, next_rule
from tracker.judgement.lot_view import LotView
from tracker.judgement.next_test import Item, remains, worth
from tracker.records.models import Lot

NO_LOSS = 0.005
"""Half of the last digit that a loss is shown with."""


@dataclass(frozen=True, slots=True)
class PlanCompared:
    """What is to be expected if so many pieces are tested and every open piece is then decided on.

    Parameters
    ----------
    test : str
        '' where none is done.
    pieces : int
    minutes : float
        Set-up included.
    bad_accepted : float
        Probability that at least one bad piece is among those accepted.
    rejected : float
        Expected number of pieces rejected.
    loss : float
        Expected loss of the decisions.
    total : float
        With the cost of the minutes.
    exact : bool
        False where outcomes were drawn by chance.
    """

    test: str
    pieces: int
    minutes: float
    bad_accepted: float
    rejected: float
    loss: float
    total: float
    exact: bool


@dataclass(frozen=True, slots=True)
class LotOutlook:
    """What is known of a lot as a whole.

    Parameters
    ----------
    view : LotView
    plans : tuple of PlanCompared
        None tested, some, all; empty where nothing is open or nothing can be tested.
    costs : Costs
    """

    view: LotView
    plans: tuple[PlanCompared, ...]
    costs: Costs

    @property
    def compared(self) -> tuple[PlanCompared, ...]:
        """The plans, where a loss is left that they could lessen; a loss under `NO_LOSS` is shown as 0.00."""
        return () if not self.plans or self.plans[0].loss < NO_LOSS else self.plans


def outlook_of(workspace: Workspace, label: str, *, today: date) -> LotOutlook | None:
    """Return the outlook of the lot with this label; None for a lot without pieces.

    Raises
    ------
    NoSuch
        There is no such lot.
    """
    with workspace.read() as session:
        lot, known = find_lot(session, label), learned(session)
        found = judged(session, {piece.id: lot.id for piece in lot.pieces}, known)
        return lot_outlook(session, lot, known, found, today=today)


def lot_outlook(session: Session, lot: Lot, known: Learned, found: Judged, *, today: date) -> LotOutlook | None:
    """Return a lot's outlook; None for a lot without pieces. `found` has all its pieces."""
    if not lot.pieces:
        return None
    reckon, now = reckoned(session), dispositions(session, lot.pieces)
    (ready,) = benches(session, [lot], {lot.id: lot.pieces}, found, now, known, reckon, today)
    return LotOutlook(lot_view(ready.known), tuple(_plans(ready, reckon.costs)), reckon.costs)


def _plans(found: AtBench, costs: Costs) -> list[PlanCompared]:
    lot = found.bench
    order = _order(lot, costs)
    if not order:
        return []
    sizes = [0, *(size for size in next_rule().plan_sizes if size < len(order)), len(order)]
    return [_compared(lot, order[:size], costs) for size in sizes]


def _order(lot: LotAtBench, costs: Costs) -> Sequence[tuple[int, Trial]]:
    """Return the pieces in the order to test them, with the one test that saves most a minute on a few of them."""
    by_test: dict[str, list[tuple[int, Trial]]] = {}
    for piece, trials in lot.trials.items():
        for trial in trials:
            by_test.setdefault(trial.test, []).append((piece, trial))
    bad = lot.belief.marginals()

    def rate(some: Sequence[tuple[int, Trial]]) -> float:
        items: list[Item] = [(piece, trial.channel) for piece, trial in some]
        return worth(lot.belief, items, lot.still_open, costs) / _minutes(some)

    if not by_test:
        return []
    # Of pieces, first those whose decision hangs in the balance; a few of them show which test is the best.
    for some in by_test.values():
        some.sort(key=lambda one: abs(float(bad[one[0]]) - costs.threshold))
    return max(by_test.values(), key=lambda some: rate(some[: max(next_rule().plan_sizes)]))


def _minutes(some: Sequence[tuple[int, Trial]]) -> float:
    return max((trial.setup_min for _, trial in some), default=0.0) + sum(trial.piece_min for _, trial in some)


def _compared(lot: LotAtBench, some: Sequence[tuple[int, Trial]], costs: Costs) -> PlanCompared:
    left = remains(lot.belief, [(piece, trial.channel) for piece, trial in some], lot.still_open, costs)
    minutes = _minutes(some)
    return PlanCompared(
        test=some[0][1].test if some else "",
        pieces=len(some),
        minutes=minutes,
        bad_accepted=left.bad_accepted,
        rejected=left.rejected,
        loss=left.loss,
        total=left.loss + minutes * costs.minute,
        exact=left.exact,
    )
