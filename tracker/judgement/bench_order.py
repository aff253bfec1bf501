"""Which bench tests come next: those that save most per minute, until none is worth its time."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import combinations

import numpy as np

from tracker.judgement.bundles import Bundles, Steps, Trial
from tracker.judgement.costs import Costs, next_rule
from tracker.judgement.lot_belief import Floats, LotBelief
from tracker.judgement.next_test import FAIL, PASS, SILENT, Channel, Item, is_exact, loss_now, worth
from tracker.judgement.single_tests import worth_of_each

BATCHES = (2, 3, 5)
"""So many pieces are also looked at together: they share one set-up, and one result alone may change no decision."""
TOGETHER = (2, 3)
"""So many tests of one piece are also looked at together, for the same reason."""
CLOSELY = 6
"""Of so many pieces of a lot, the most promising, several tests are looked at together."""


@dataclass(frozen=True, slots=True)
class LotAtBench:
    """A lot whose pieces may be tested.

    Parameters
    ----------
    lot, part : str
        Pieces of one part share a set-up.
    belief : LotBelief
    labels : tuple of str
        Of the pieces, in the belief's order.
    still_open : tuple of int
        Places of the pieces that are to be decided on.
    trials : mapping of int to tuple of Trial
        By place: what can still be done on a piece.
    days_left : int or None
        Until the claim window closes.
    """

    lot: str
    part: str
    belief: LotBelief
    labels: tuple[str, ...]
    still_open: tuple[int, ...]
    trials: Mapping[int, tuple[Trial, ...]]
    days_left: int | None = None


@dataclass(frozen=True, slots=True)
class Step:
    """One test to do.

    Parameters
    ----------
    lot : int
        Place of the lot among those asked about.
    piece : int
        Place of the piece in its lot.
    trial : Trial
    minutes : float
        Set-up included where it is due.
    saves : float
        By how much the expected loss falls with it, those before it done; in the costs' money. Tests that were chosen
        together share what they save evenly.
    """

    lot: int
    piece: int
    trial: Trial
    minutes: float
    saves: float
    together: int


@dataclass(frozen=True, slots=True)
class Meaning:
    """What a test on a piece would mean: probabilities of 'not as claimed', 0 to 1.

    Parameters
    ----------
    now, if_fail, if_pass : float
        Of the piece.
    fails : float
        Chance that it fails.
    decision_now, decision_if_fail, decision_if_pass : str
    siblings_now, siblings_if_fail, siblings_if_pass : float or None
        Mean of the other undecided pieces of the lot; None where there are none.
    """

    now: float
    if_fail: float
    if_pass: float
    fails: float
    decision_now: str
    decision_if_fail: str
    decision_if_pass: str
    siblings_now: float | None
    siblings_if_fail: float | None
    siblings_if_pass: float | None

    @property
    def changes_something(self) -> bool:
        """Whether one of the verdicts changes the decision on the piece itself."""
        return not self.decision_now == self.decision_if_fail == self.decision_if_pass


SetUp = tuple[str, str]
"""A part and a test: for these the bench is ready."""


def plan(
    lots: Sequence[LotAtBench],
    costs: Costs,
    *,
    minutes: float | None = None,
    most: int = 12,
    ready: Iterable[SetUp] = (),
) -> tuple[Step, ...]:
    """Return the tests to do, in order: each time those with the largest fall in expected loss per minute.

    Parameters
    ----------
    lots : sequence of LotAtBench
    costs : Costs
        No test is chosen whose fall in expected loss is below what its minutes cost.
    minutes : float, optional
        Time there is; what does not fit is left out.
    most : int
        At most so many tests: what follows depends on what they show.
    ready : iterable of (str, str)
        Set-ups that stand already, as (part, test).

    Notes
    -----
    Greedy: one test, several pieces with one test, or one piece with several tests, whichever saves most a minute. What
    a bundle saves is worked out anew only when it has come to the front (M. Minoux, "Accelerated greedy algorithms for
    maximizing submodular set functions", 1978; from memory). Of
    bundles within `NextRule.equal_within` of the best, one whose claim window closes sooner comes first.
    """
    desks = [_Desk(number, lot, costs) for number, lot in enumerate(lots)]
    desks = [desk for desk in desks if desk.may_be_worth_it()]
    stands, left, steps = set(ready), minutes, list[Step]()
    while len(steps) < most:
        best = _best(desks, costs, left, stands)
        if best is None:
            break
        desk, bundle = best
        if desk.refresh(bundle):
            continue
        number = steps[-1].together + 1 if steps else 1
        tests, saves = desk.bundles.steps[bundle], desk.bundles.saves[bundle]
        for piece, trial in tests:
            spent = trial.piece_min + (0.0 if (desk.lot.part, trial.test) in stands else trial.setup_min)
            steps.append(Step(desk.number, piece, trial, spent, float(saves) / len(tests), number))
            desk.take(piece, trial)
            stands.add((desk.lot.part, trial.test))
            left = None if left is None else left - spent
    return tuple(steps[:most])


def meaning(lot: LotAtBench, piece: int, channel: Channel, costs: Costs) -> Meaning:
    """Return what each outcome of a test on one piece would mean."""
    news = np.zeros((3, lot.belief.evidence.size))
    news[1, piece], news[2, piece] = channel.news(FAIL), channel.news(PASS)
    likelihood, bad = lot.belief.after(news)
    others = [index for index in lot.still_open if index != piece]
    now, fail, passing = (float(one) for one in bad[:, piece])
    siblings = [float(row[others].mean()) if others else None for row in bad]
    return Meaning(
        now=now,
        if_fail=fail,
        if_pass=passing,
        fails=channel.chance(FAIL) * float(likelihood[1]),
        decision_now=costs.decision(now),
        decision_if_fail=costs.decision(fail),
        decision_if_pass=costs.decision(passing),
        siblings_now=siblings[0],
        siblings_if_fail=siblings[1],
        siblings_if_pass=siblings[2],
    )


def _best(desks: Sequence["_Desk"], costs: Costs, left: float | None, stands: set[SetUp]) -> tuple["_Desk", int] | None:
    """Return the desk and the place of the bundle that comes next; None where none is worth its time."""
    found = []
    for desk in desks:
        best = desk.bundles.best(costs.minute, left, {test for part, test in stands if part == desk.lot.part})
        if best is not None:
            found.append((best[0], desk, best[1]))
    if not found:
        return None
    least = max(rate for rate, _, _ in found) * (1.0 - next_rule().equal_within)

    def soonest(rated: tuple[float, "_Desk", int]) -> tuple[float, float]:
        days = rated[1].lot.days_left
        # A window that has closed waits for nothing any more.
        return (float("inf") if days is None or days < 0 else days, -rated[0])

    return min((one for one in found if one[0] >= least), key=soonest)[1:]


class _Desk:
    """One lot while tests are being chosen: what has been chosen, and what more would be worth."""

    def __init__(self, number: int, lot: LotAtBench, costs: Costs) -> None:
        self.number, self.lot, self.costs = number, lot, costs
        self.items: list[Item] = []
        self._before: dict[bool, float] = {}

    @cached_property
    def bundles(self) -> Bundles:
        """What could be done, and what it saves as far as that is known; made before anything is chosen."""
        return Bundles(self._bundles())

    def may_be_worth_it(self) -> bool:
        """Return whether so much is at stake that the shortest test could be worth its time; no test saves more."""
        shortest = min((one.piece_min for trials in self.lot.trials.values() for one in trials), default=0.0)
        return loss_now(self.lot.belief, self.lot.still_open, self.costs) > shortest * self.costs.minute

    def saves(self, steps: Sequence[tuple[int, Trial]]) -> float:
        """Return how far the expected loss falls with these tests beside those chosen."""
        belief, still_open = self.lot.belief, self.lot.still_open
        items = [*self.items, *((piece, trial.channel) for piece, trial in steps)]
        drawn = not is_exact(belief, items, still_open)
        if drawn not in self._before:
            self._before[drawn] = worth(belief, self.items, still_open, self.costs, drawn=drawn)
        return max(worth(belief, items, still_open, self.costs, drawn=drawn) - self._before[drawn], 0.0)

    def refresh(self, bundle: int) -> bool:
        """Work out anew what a bundle saves if something was chosen since; return whether that was so."""
        if self.bundles.fresh[bundle]:
            return False
        self.bundles.saves[bundle] = self.saves(self.bundles.steps[bundle])
        self.bundles.fresh[bundle] = True
        return True

    def take(self, piece: int, trial: Trial) -> None:
        """Choose a test."""
        self.bundles.drop(piece, trial.test)
        self.items.append((piece, trial.channel))
        self._before = {}

    def _bundles(self) -> Iterator[tuple[Steps, float]]:
        """Return each test, tests of several pieces, several tests of a piece; and what they save."""
        possible = {
            piece: [one for one in trials if one.channel != SILENT] for piece, trials in self.lot.trials.items()
        }
        singles: dict[str, list[tuple[float, list[int]]]] = {}
        promise: list[tuple[float, float, int]] = []
        alike = self._alike(possible)
        alone = iter(self._alone([(pieces[0], trial) for pieces in alike for trial in possible[pieces[0]]]))
        for pieces in alike:
            best = 0.0
            for trial in possible[pieces[0]]:
                saves = next(alone)
                singles.setdefault(trial.test, []).append((saves, pieces))
                best = max(best, saves)
                # The others are worth the same until one of them has been chosen.
                yield from ((((piece, trial),), saves) for piece in pieces)
            # Where one result changes no decision all are worth 0: then those nearest to a change come first.
            promise.append((-best, self._from_change(pieces[0]), pieces[0]))
        for _, _, piece in sorted(promise)[:CLOSELY]:
            for size in TOGETHER:
                for some in combinations(possible[piece], size):
                    yield self._together([(piece, trial) for trial in some])
        for test, found in singles.items():
            found.sort(key=lambda one: (-one[0], self._from_change(one[1][0])))
            order = [piece for _, pieces in found for piece in pieces]
            for size in BATCHES:
                if size <= len(order):
                    yield self._together([(piece, _of(possible[piece], test)) for piece in order[:size]])

    def _together(self, steps: Sequence[tuple[int, Trial]]) -> tuple[Steps, float]:
        return tuple(steps), self.saves(steps)

    def _alone(self, steps: Sequence[tuple[int, Trial]]) -> list[float]:
        """Return what each test saves by itself, nothing having been chosen."""
        items = [(piece, trial.channel) for piece, trial in steps]
        found: list[float] = worth_of_each(self.lot.belief, items, self.lot.still_open, self.costs).tolist()
        return found

    def _from_change(self, piece: int) -> float:
        return abs(float(self._bad[piece]) - self.costs.threshold)

    @cached_property
    def _bad(self) -> Floats:
        return self.lot.belief.marginals()

    def _alike(self, possible: Mapping[int, Sequence[Trial]]) -> list[list[int]]:
        """Return the pieces in groups about which the same is known and on which the same can be done."""
        groups: dict[object, list[int]] = {}
        for piece, trials in possible.items():
            known = float(self.lot.belief.evidence[piece]), float(self.lot.belief.private[piece])
            key = (known, tuple((one.test, one.channel) for one in trials))
            groups.setdefault(key, []).append(piece)
        return list(groups.values())


def _of(trials: Sequence[Trial], test: str) -> Trial:
    return next(one for one in trials if one.test == test)


def first(
    lot: LotAtBench, costs: Costs, ready: Iterable[SetUp] = (), minutes: float | None = None
) -> tuple[int, Trial] | None:
    """Return the one test to do next on a lot, as (place of the piece, test); None where none is worth its time."""
    found = _best([_Desk(0, lot, costs)], costs, minutes, set(ready))
    return None if found is None else found[0].bundles.steps[found[1]][0]


def only(lot: LotAtBench, piece: int) -> LotAtBench:
    """Return the lot with tests of one piece alone; the others are still decided on."""
    return replace(lot, trials={piece: lot.trials[piece]} if piece in lot.trials else {})
