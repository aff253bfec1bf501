"""The documents of what is reckoned from the records: next, costs, calibration."""

from dataclasses import dataclass
from typing import Literal

from tracker.desk.calibrated import Calibration, Judged, Reliability
from tracker.desk.costs import Reckoned
from tracker.desk.documents.base import Document, members
from tracker.desk.next_test import NextTests
from tracker.judgement.scores import Area, Decomposition, Scores
from tracker.knowledge.bench_tests import BenchTest


@dataclass(frozen=True, kw_only=True)
class NextDocument(NextTests, Document):
    """Which bench tests come next."""

    schema: Literal["lotproof.next/1"] = "lotproof.next/1"


def next_document(found: NextTests) -> NextDocument:
    """Return the document of the next tests."""
    return NextDocument(**members(found))


@dataclass(frozen=True, kw_only=True)
class CostsSaid:
    """What decisions and time cost, and the suspicion from which rejecting is the cheaper decision."""

    fit_bad: float
    reject_good: float
    minute: float
    source: str
    threshold: float


@dataclass(frozen=True, kw_only=True)
class CostsDocument(Document):
    """What the workshop reckons with; `said` is who said so, empty where all is as declared."""

    schema: Literal["lotproof.costs/1"] = "lotproof.costs/1"
    costs: CostsSaid
    tests: tuple[BenchTest, ...]
    said: str


def costs_document(found: Reckoned) -> CostsDocument:
    """Return the document of costs."""
    costs = CostsSaid(**members(found.costs), threshold=found.costs.threshold)
    return CostsDocument(costs=costs, tests=tuple(found.tests.values()), said=found.said)


@dataclass(frozen=True, kw_only=True)
class ScoresSaid:
    """How good forecasts were, as `tracker.judgement.scores.Scores`; a log loss without bound is null."""

    pieces: int
    not_genuine: int
    brier: float
    decomposition: Decomposition
    log_loss: float | None
    calibration_error: float
    by_chance: float
    by_chance_at_most: float
    area: Area | None


@dataclass(frozen=True, kw_only=True)
class BinSaid:
    """Forecasts in (lower, upper]: how many, what was said of them on average, and what share was not genuine."""

    lower: float
    upper: float
    pieces: int
    not_genuine: int
    said: float
    were: float
    lower_95: float
    upper_95: float


@dataclass(frozen=True, kw_only=True)
class CalibrationDocument(Document):
    """Whether suspicions have held for the pieces whose truth is known."""

    schema: Literal["lotproof.calibration/1"] = "lotproof.calibration/1"
    weights: str
    judged: tuple[Judged, ...]
    left_out: int
    enough: bool
    said: str
    scores: ScoresSaid | None
    reliability: tuple[BinSaid, ...]
    notes: tuple[str, ...]
    behind: int = 0


def calibration_document(found: Calibration) -> CalibrationDocument:
    """Return the document of a calibration."""
    whole = members(found)
    whole["scores"] = None if found.scores is None else _scores(found.scores)
    whole["reliability"] = tuple(_bin(one) for one in found.reliability)
    return CalibrationDocument(**whole)


def _scores(found: Scores) -> ScoresSaid:
    said = {name: value for name, value in members(found).items() if name != "bins"}
    return ScoresSaid(**{**said, "log_loss": None if found.log_loss == float("inf") else found.log_loss})


def _bin(one: Reliability) -> BinSaid:
    return BinSaid(**members(one.bin), were=one.bin.were, lower_95=one.lower, upper_95=one.upper)
