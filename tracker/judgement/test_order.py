"""Which bench tests come next: those that save most per minute, until none is worth its time."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np

from tracker.judgement.lots import LotBelief
from tracker.judgement.next_test import FAIL, PASS, SILENT, Channel, Costs, Item, next_rule, worth

BATCHES = (2, 3, 5)
"""So many pieces are also looked at together, since they share one set-up, and since one result may change no decision."""
TOGETHER = (2, 3)
"""So many tests of one piece are also looked at together, for the same reason."""
_ENOUGH = 1e-9


@dataclass(frozen=True, slots=True)
class Trial:
    """A test that can be done on a piece.

    Parameters
    ----------
    test : str
    channel : Channel
        What it says of this piece.
    setup_min, piece_min : float
        Minutes, spent once and on each piece.
    """

    test: str
    channel: Channel
    setup_min: float
    piece_min: float


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
        By how much the expected loss falls with it, those before it done; in the costs' money.
    """

    lot: int
    piece: int
    trial: Trial
    minutes: float
    saves: float


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


@dataclass(frozen=True, slots=True)
class _Bundle:
    lot: int
    steps: tuple[tuple[int, Trial], ...]
    minutes: float
    saves: float

    @property
    def rate(self) -> float:
        return self.saves / self.minutes


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
    Greedy: one test, several pieces with one test, or one piece with several tests, whichever saves most a minute. Of
    bundles within `NextRule.equal_within` of the best, one whose claim window closes sooner comes first.
    """
    chosen: list[list[Item]] = [[] for _ in lots]
    done: list[set[tuple[int, str]]] = [set() for _ in lots]
    stands, left, steps = set(ready), minutes, list[Step]()
    known: dict[int, list[_Bundle]] = {}
    while len(steps) < most:
        for number, lot in enumerate(lots):
            if number not in known:
                known[number] = list(_bundles(number, lot, chosen[number], done[number], costs, stands))
        best = _best([one for found in known.values() for one in found], lots, costs, left)
        if best is None:
            break
        lot = lots[best.lot]
        for piece, trial in best.steps:
            spent = trial.piece_min + _set_up(lot, trial, stands)
            before = worth(lot.belief, chosen[best.lot], lot.still_open, costs)
            chosen[best.lot].append((piece, trial.channel))
            saves = max(worth(lot.belief, chosen[best.lot], lot.still_open, costs) - before, 0.0)
            steps.append(Step(best.lot, piece, trial, spent, saves))
            done[best.lot].add((piece, trial.test))
            if (lot.part, trial.test) not in stands:
                stands.add((lot.part, trial.test))
                known = {number: found for number, found in known.items() if lots[number].part != lot.part}
            left = None if left is None else left - spent
        known.pop(best.lot, None)
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


def _best(
    bundles: Sequence[_Bundle], lots: Sequence[LotAtBench], costs: Costs, left: float | None
) -> _Bundle | None:
    fitting = [
        one
        for one in bundles
        if one.saves > one.minutes * costs.minute + _ENOUGH and (left is None or one.minutes <= left)
    ]
    if not fitting:
        return None
    least = max(one.rate for one in fitting) * (1.0 - next_rule().equal_within)
    equal = [one for one in fitting if one.rate >= least]

    def soonest(one: _Bundle) -> tuple[float, float]:
        days = lots[one.lot].days_left
        # A window that has closed waits for nothing any more.
        return (float("inf") if days is None or days < 0 else days, -one.rate)

    return min(equal, key=soonest)


def _bundles(
    number: int, lot: LotAtBench, chosen: Sequence[Item], done: set[tuple[int, str]], costs: Costs, stands: set[SetUp]
) -> Iterator[_Bundle]:
    """Return what could be done on a lot next: each test, tests of several pieces, several tests of a piece."""
    start = worth(lot.belief, chosen, lot.still_open, costs)

    def bundle(steps: Sequence[tuple[int, Trial]]) -> _Bundle:
        minutes = sum(trial.piece_min for _, trial in steps)
        minutes += sum(_set_up(lot, trial, stands) for trial in {trial.test: trial for _, trial in steps}.values())
        items = [*chosen, *((piece, trial.channel) for piece, trial in steps)]
        return _Bundle(number, tuple(steps), minutes, worth(lot.belief, items, lot.still_open, costs) - start)

    possible = {
        piece: [one for one in trials if (piece, one.test) not in done and one.channel != SILENT]
        for piece, trials in lot.trials.items()
    }
    alike = _alike(lot, possible, done)
    singles: dict[str, list[tuple[float, list[int]]]] = {}
    for pieces in alike:
        for trial in possible[pieces[0]]:
            one = bundle([(pieces[0], trial)])
            singles.setdefault(trial.test, []).append((one.saves, pieces))
            yield one
        for size in TOGETHER:
            for some in combinations(possible[pieces[0]], size):
                yield bundle([(pieces[0], trial) for trial in some])
    for test, found in singles.items():
        # Where one result changes no decision all are worth 0: then those nearest to a change come first.
        found.sort(key=lambda one: (-one[0], _from_change(lot, one[1][0], costs)))
        order = [piece for _, pieces in found for piece in pieces]
        for size in BATCHES:
            if size <= len(order):
                yield bundle([(piece, _of(possible[piece], test)) for piece in order[:size]])


def _of(trials: Sequence[Trial], test: str) -> Trial:
    return next(one for one in trials if one.test == test)


def _from_change(lot: LotAtBench, piece: int, costs: Costs) -> float:
    return abs(float(lot.belief.marginals()[piece]) - costs.threshold)


def _alike(
    lot: LotAtBench, possible: Mapping[int, Sequence[Trial]], done: set[tuple[int, str]]
) -> list[list[int]]:
    """Return the pieces in groups about which the same is known and on which the same can be done."""
    groups: dict[object, list[int]] = {}
    for piece, trials in possible.items():
        key = (
            float(lot.belief.evidence[piece]),
            tuple((one.test, one.channel) for one in trials),
            tuple(sorted(test for index, test in done if index == piece)),
        )
        groups.setdefault(key, []).append(piece)
    return list(groups.values())


def _set_up(lot: LotAtBench, trial: Trial, stands: set[SetUp]) -> float:
    return 0.0 if (lot.part, trial.test) in stands else trial.setup_min


def first(
    lot: LotAtBench, costs: Costs, ready: Iterable[SetUp] = (), minutes: float | None = None
) -> tuple[int, Trial] | None:
    """Return the one test to do next on a lot, as (place of the piece, test); None where none is worth its time."""
    found = _best(list(_bundles(0, lot, (), set(), costs, set(ready))), [lot], costs, minutes)
    return None if found is None else found.steps[0]


def only(lot: LotAtBench, piece: int) -> LotAtBench:
    """Return the lot with tests of one piece alone; the others are still decided on."""
    return replace(lot, trials={piece: lot.trials[piece]} if piece in lot.trials else {})
