"""A workshop drawn by chance: lots of known truth, whose indicators have rates that differ from the declared counts.

Pure judgement, no database. It is for tests that ask what a way of judging is worth over hundreds of lots: whether its
probabilities hold (learning, calibration), and what a way of choosing tests costs. Everything is invented, and drawn
from one seed.

    world = World(seed=7)                      # the truth about indicators, unknown to the workshop
    lots = world.lots(400)                     # tuple of SimulatedLot, each with its SimulatedPieces
    piece = lots[0].pieces[0]
    piece.not_genuine                          # the truth
    piece.photo                                # {'surface-sanded': 'clear', 'surface-coated': 'absent', ...}
    piece.bench['clock']                       # 'pass', 'fail' or 'undecided': what the test would say if it were run

How it is drawn
---------------
* Sellers have a kind of source and a share of bad pieces, drawn from the declared Beta distribution of that kind, so
  that priors are right on average. A lot's share is drawn around its seller's from a U-shaped Beta: mostly all or
  nothing.
* Each indicator has true chances of 'clear', 'slight' and 'absent' in pieces of either truth: the declared counts,
  moved by a normal step of `world.off` in log odds each, and those of `CLEARLY_WRONG` replaced.
* Pieces of one lot and truth are alike and indicators of one family go together: outcomes are a normal variable cut at
  the indicator's quantiles, and that variable has a part shared by the lot (`alike_in_lot` of its variance, drawn anew
  for each indicator) and a part shared by the piece's family (`alike_in_family`). So a single piece's chances are
  exactly the true ones, and twenty pieces of one lot are far fewer than twenty.
* Not everything is looked for: each family of photo indicators is with chance `looked`, swabs and undersides seldom.
* With `one_method`, the bad pieces of a lot show signs in one family of photo indicators only and are like genuine ones
  in all others: then what was not found says nothing.

`suspicion` adds up what is known of a piece as the desk does, and `lesson` is what its truth teaches.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from statistics import NormalDist

import numpy as np

from tracker.judgement.counts import ABSENT, CLEAR, OUTCOMES, SLIGHT
from tracker.judgement.lesson import Lesson
from tracker.judgement.observed import Remark
from tracker.judgement.prior import before_looking, source_kinds
from tracker.judgement.suspicion import Suspicion, combine
from tracker.judgement.weighing import weigh
from tracker.judgement.weights import Weights, indicators

CLEARLY_WRONG: Mapping[str, tuple[tuple[float, float], tuple[float, float]]] = {
    # code: (clear, slight) in pieces that are not genuine, then in genuine ones
    "surface-sanded": ((0.20, 0.20), (0.12, 0.15)),  # declared a strong sign; here used boards are scratched
    "lettering-position-differs": ((0.30, 0.10), (0.15, 0.12)),  # here pads wander
    "lettering-contrast-differs": ((0.45, 0.15), (0.04, 0.06)),  # declared weak; here a sure sign
    "date-codes-differ": ((0.10, 0.0), (0.35, 0.0)),  # the other way round: here forgers print one date on all
    "surface-old-mark": ((0.25, 0.10), (0.10, 0.08)),
}
"""Declared counts that this world contradicts."""

SELDOM = {"swab-mark-loss": 0.1, "swab-surface-change": 0.1, "mould-marks-mixed": 0.2, "picture-reused": 0.3}
"""How often these are looked for, where that is not by family."""
BENCH_TESTS = ("current", "clock", "soak", "in-circuit", "signature", "curve")
PHOTO_FAMILIES = ("text", "lettering", "surface", "body", "picture")
METHODS = ("text", "lettering", "surface")
SOURCES = ("marketplace", "broker", "unknown", "marketplace", "donor", "authorised")


@dataclass(frozen=True)
class SimulatedPiece:
    """One piece: its truth, what its photos show, and what each bench test would say."""

    number: int
    lot: int
    not_genuine: bool
    photo: Mapping[str, str]
    """By indicator: 'clear', 'slight' or 'absent'; what was not looked for is left out."""
    bench: Mapping[str, str]
    """By test of `BENCH_TESTS`: 'pass', 'fail' or 'undecided', were it run."""


@dataclass(frozen=True)
class SimulatedLot:
    """Some pieces of one seller."""

    number: int
    seller: int
    source: str
    pieces: tuple[SimulatedPiece, ...]


@dataclass
class World:
    """The truth about sellers and indicators; `lots` draws from it, each call further ones."""

    seed: int
    off: float = 0.5
    alike_in_lot: float = 0.4
    alike_in_family: float = 0.2
    looked: float = 0.85
    sellers: int = 24
    largest_lot: int = 12
    one_method: bool = False
    chances: dict[tuple[str, bool], tuple[float, float, float]] = field(init=False)
    """By indicator and 'not genuine': chances of clear, slight, absent."""

    def __post_init__(self) -> None:
        self._rng = np.random.default_rng(self.seed)
        self.chances = {(code, bad): self._true_chances(code, bad) for code in indicators() for bad in (True, False)}
        self._sellers = [self._seller(number) for number in range(self.sellers)]
        self._lots = 0
        self._pieces = 0

    def true_weight_db(self, code: str, outcome: str = CLEAR) -> float:
        """Return the weight in decibans that an indicator deserves here."""
        at = OUTCOMES.index(outcome)
        return float(10 * np.log10(self.chances[code, True][at] / self.chances[code, False][at]))

    def lots(self, number: int) -> tuple[SimulatedLot, ...]:
        """Draw so many further lots."""
        return tuple(self._lot() for _ in range(number))

    def _true_chances(self, code: str, bad: bool) -> tuple[float, float, float]:
        if code in CLEARLY_WRONG:
            clear, slight = CLEARLY_WRONG[code][0 if bad else 1]
            return clear, slight, 1.0 - clear - slight
        counts = indicators()[code].not_genuine if bad else indicators()[code].genuine
        moved = np.log([max(counts.of(one), 1e-12) / counts.total for one in OUTCOMES])
        moved += self._rng.normal(0.0, self.off, len(OUTCOMES))
        shares = np.where([counts.of(one) > 0 for one in OUTCOMES], np.exp(moved), 0.0)
        clear, slight, absent = shares / shares.sum()
        return float(clear), float(slight), float(absent)

    def _seller(self, number: int) -> tuple[str, float]:
        kind = SOURCES[number % len(SOURCES)]
        declared = source_kinds()[kind]
        return kind, float(self._rng.beta(declared.bad, declared.good))

    def _lot(self) -> SimulatedLot:
        seller = int(self._rng.integers(self.sellers))
        kind, share = self._sellers[seller]
        # Beta(0.2 share, 0.2 (1 - share)): nearly every lot is all good or all bad.
        bad_share = self._rng.beta(max(0.2 * share, 1e-4), max(0.2 * (1 - share), 1e-4))
        size = int(self._rng.integers(1, self.largest_lot + 1))
        shared = {key: self._rng.normal() for key in self.chances}
        number, self._lots = self._lots, self._lots + 1
        method = str(self._rng.choice(METHODS)) if self.one_method else None
        pieces = tuple(self._piece(number, bool(self._rng.random() < bad_share), shared, method) for _ in range(size))
        return SimulatedLot(number, seller, kind, pieces)

    def _piece(
        self, lot: int, bad: bool, shared: Mapping[tuple[str, bool], float], method: str | None
    ) -> SimulatedPiece:
        number, self._pieces = self._pieces, self._pieces + 1
        of_family = {name: self._rng.normal() for name in (*PHOTO_FAMILIES, "electrical", "heat")}
        photo = {}
        looked = {name: self._rng.random() < self.looked for name in PHOTO_FAMILIES}
        for code, known in indicators().items():
            if known.family in PHOTO_FAMILIES and self._rng.random() < SELDOM.get(code, float(looked[known.family])):
                shows = bad and method in (None, known.family)
                photo[code] = self._outcome(code, shows, shared[code, shows], of_family[known.family])
        bench = {test: self._verdict(test, bad, shared, of_family) for test in BENCH_TESTS}
        return SimulatedPiece(number, lot, bad, photo, bench)

    def _latent(self, lot: float, family: float) -> float:
        own = 1.0 - self.alike_in_lot - self.alike_in_family
        parts = (self.alike_in_lot, lot), (self.alike_in_family, family), (own, self._rng.normal())
        return float(sum(np.sqrt(share) * value for share, value in parts))

    def _outcome(self, code: str, bad: bool, lot: float, family: float) -> str:
        clear, slight, _ = self.chances[code, bad]
        # The normal variable's upper tail shows the indicator.
        above = 1.0 - NormalDist().cdf(self._latent(lot, family))
        return CLEAR if above < clear else SLIGHT if above < clear + slight else ABSENT

    def _verdict(
        self, test: str, bad: bool, shared: Mapping[tuple[str, bool], float], of_family: Mapping[str, float]
    ) -> str:
        code = f"bench-{test}-fail"
        family = indicators()[code].family
        fails, passes = self.chances[code, bad][0], self.chances[f"bench-{test}-pass", bad][0]
        total = max(fails + passes, 1.0)
        above = 1.0 - NormalDist().cdf(self._latent(shared[code, bad], of_family[family]))
        return "fail" if above < fails / total else "pass" if above > 1.0 - passes / total else "undecided"


def bench_outcomes(test: str, verdict: str) -> dict[str, str]:
    """Return what a run says of the two indicators of its test."""
    return {f"bench-{test}-{word}": CLEAR if verdict == word else ABSENT for word in ("pass", "fail")}


def lesson(
    lot: SimulatedLot,
    piece: SimulatedPiece,
    tests: Iterable[str] = (),
    seller_record: tuple[float, float] = (0.0, 0.0),
) -> Lesson:
    """Return what a piece teaches whose truth an authority settled, after the bench tests `tests`.

    Parameters
    ----------
    seller_record : (float, float)
        (bad, good) other lots of its seller that are known.
    """
    outcomes = dict(piece.photo)
    for test in tests:
        outcomes.update(bench_outcomes(test, piece.bench[test]))
    before = before_looking(lot.source, *seller_record)
    return Lesson(piece.number, piece.lot, piece.not_genuine, outcomes, before.db)


def suspicion(
    lot: SimulatedLot,
    piece: SimulatedPiece,
    weights: Weights,
    tests: Iterable[str] = (),
    seller_record: tuple[float, float] = (0.0, 0.0),
) -> Suspicion:
    """Return how suspicious a piece is, by its photos and the bench tests `tests`, summed as the desk does.

    Parameters
    ----------
    seller_record : (float, float)
        (bad, good) lots of its seller that are known.
    """
    facts = [
        Remark(code, code, outcome, indicators()[code].family)
        for code, outcome in piece.photo.items()
        if outcome != ABSENT
    ]
    for test in tests:
        if piece.bench[test] != "undecided":
            code = f"bench-{test}-{piece.bench[test]}"
            facts.append(Remark(code, code, CLEAR, indicators()[code].family))
    before = before_looking(lot.source, *seller_record)
    return combine(before.db, weigh(facts, piece.photo, weights), prior_text=before.text, together=weights.together)
