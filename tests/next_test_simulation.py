"""Lots of known truth at a simulated bench: what a way of choosing tests costs in minutes and in wrong decisions.

Drawn from `workshop_simulation`, whose indicators have other rates than the declared ones that the workshop reckons
with. Every way of choosing decides in the same manner, by the same costs, from all evidence of the lot together.
"""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

import numpy as np
from workshop_simulation import SimulatedLot, SimulatedPiece, World, suspicion

from tracker.judgement.bench_order import LotAtBench, first
from tracker.judgement.bundles import Trial
from tracker.judgement.costs import Costs, declared_costs
from tracker.judgement.counts import CLEAR
from tracker.judgement.lot_belief import LotBelief
from tracker.judgement.lots import belief, own_evidence
from tracker.judgement.next_test import channel
from tracker.judgement.prior import before_looking
from tracker.judgement.suspicion import Suspicion, odds_to_probability
from tracker.judgement.weights import Weights, declared
from tracker.knowledge.bench_tests import BenchTest, bench_tests

POSSIBLE = {"signature": 0.4, "current": 0.7, "clock": 0.6, "curve": 0.3, "soak": 0.3, "in-circuit": 0.3}
"""How many parts in a hundred a test can be done on; every lot has at least one."""
PHOTOGRAPHED = 0.8
"""The share of lots whose pieces were photographed before the bench."""


@dataclass(frozen=True)
class Bill:
    """What a way of testing came to, over all lots."""

    minutes: float
    tests: int
    pieces: int
    bad: int
    bad_accepted: int
    good_rejected: int
    costs: Costs
    by_lot: Mapping[int, float]
    """The minutes that each lot took."""

    @property
    def loss(self) -> float:
        """What wrong decisions cost, bench time not counted."""
        return self.bad_accepted * self.costs.fit_bad + self.good_rejected * self.costs.reject_good

    @property
    def total(self) -> float:
        """What wrong decisions and bench time cost."""
        return self.loss + self.minutes * self.costs.minute


@dataclass
class Bench:
    """One lot on the bench: which tests can be done, and which were."""

    lot: SimulatedLot
    possible: tuple[BenchTest, ...]
    photographed: bool
    weights: Weights
    costs: Costs

    def __post_init__(self) -> None:
        self.done: list[list[str]] = [[] for _ in self.lot.pieces]
        self.ready: set[tuple[str, str]] = set()
        self.minutes = 0.0
        self.prior = odds_to_probability(before_looking(self.lot.source).db)

    def run(self, piece: int, test: str) -> str:
        """Carry out a test and return its verdict."""
        known = bench_tests()[test]
        self.minutes += known.piece_min + (0.0 if ("", test) in self.ready else known.setup_min)
        self.ready.add(("", test))
        self.done[piece].append(test)
        return self.lot.pieces[piece].bench[test]

    def own(self, piece: int) -> Suspicion:
        """Return what is on record of a piece alone."""
        one = self.lot.pieces[piece]
        shown = one if self.photographed else SimulatedPiece(one.number, one.lot, one.not_genuine, {}, one.bench)
        return suspicion(self.lot, shown, self.weights, self.done[piece])

    def belief(self) -> LotBelief:
        """Return what is thought of the lot."""
        return belief(self.prior, [own_evidence(self.own(index)) for index in range(len(self.lot.pieces))])

    def at_bench(self) -> LotAtBench:
        """Return the lot as the choice of the next test sees it."""
        every = tuple(range(len(self.lot.pieces)))
        trials = {
            index: tuple(self._trial(test) for test in self.possible if test.name not in self.done[index])
            for index in every
        }
        return LotAtBench("", "", self.belief(), tuple(map(str, every)), every, trials)

    def _trial(self, test: BenchTest) -> Trial:
        fail, passing = (self.weights.weight_db(f"bench-{test.name}-{word}") for word in ("fail", "pass"))
        undecided = 0.0
        for share, which in ((self.prior, 0), (1 - self.prior, 1)):
            fails, passes = (
                self.weights.counts(f"bench-{test.name}-{word}", CLEAR)[which] for word in ("fail", "pass")
            )
            undecided += share * max(1 - fails.present / fails.total - passes.present / passes.total, 0.0)
        return Trial(test.name, channel(fail, passing, undecided), test.setup_min, test.piece_min)


Way = Callable[[Bench], None]


def everything(bench: Bench) -> None:
    """Every possible test on every piece, quickest test first."""
    for test in bench.possible:
        for piece in range(len(bench.lot.pieces)):
            bench.run(piece, test.name)


def quickest(bench: Bench) -> None:
    """The quickest possible test on every piece, and nothing else."""
    for piece in range(len(bench.lot.pieces)):
        bench.run(piece, bench.possible[0].name)


def as_long_as(minutes: Mapping[int, float]) -> Way:
    """Return the fixed order of `everything`, broken off when a lot has had its minutes."""

    def way(bench: Bench) -> None:
        for test in bench.possible:
            for piece in range(len(bench.lot.pieces)):
                set_up = 0.0 if ("", test.name) in bench.ready else test.setup_min
                if bench.minutes + set_up + test.piece_min > minutes[bench.lot.number]:
                    return
                bench.run(piece, test.name)

    return way


def until_it_fails(bench: Bench) -> None:
    """As `everything`, but a piece that has failed is not tested further."""
    failed: set[int] = set()
    for test in bench.possible:
        for piece in range(len(bench.lot.pieces)):
            if piece not in failed and bench.run(piece, test.name) == "fail":
                failed.add(piece)


def next_test(bench: Bench) -> None:
    """The test that saves most per minute, asked again after each result, until none is worth its time."""
    while (found := first(bench.at_bench(), bench.costs, bench.ready)) is not None:
        piece, trial = found
        bench.run(piece, trial.test)


def nothing(_: Bench) -> None:
    """No test at all."""


def lots_of(seed: int, number: int) -> list[tuple[SimulatedLot, tuple[BenchTest, ...], bool]]:
    """Return so many lots with the tests that can be done on them, and whether they were photographed."""
    rng = np.random.default_rng([seed, 1])
    found = []
    for lot in World(seed).lots(number):
        possible = tuple(test for test in bench_tests().values() if rng.random() < POSSIBLE[test.name])
        found.append((lot, possible or (bench_tests()["in-circuit"],), bool(rng.random() < PHOTOGRAPHED)))
    return found


def bill(
    lots: Iterable[tuple[SimulatedLot, tuple[BenchTest, ...], bool]], way: Way, costs: Costs | None = None
) -> Bill:
    """Return what a way of testing comes to; every piece is decided on at the end."""
    known = costs or declared_costs()
    by_lot, counts = dict[int, float](), np.zeros(5, dtype=int)
    for lot, possible, photographed in lots:
        bench = Bench(lot, possible, photographed, declared(), known)
        way(bench)
        bad = np.array([piece.not_genuine for piece in lot.pieces])
        accepted = bench.belief().marginals() < known.threshold
        by_lot[lot.number] = bench.minutes
        counts += (sum(map(len, bench.done)), len(bad), bad.sum(), (bad & accepted).sum(), (~bad & ~accepted).sum())
    return Bill(sum(by_lot.values()), *(int(one) for one in counts), known, by_lot)
