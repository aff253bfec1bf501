"""The documents of bench runs as they were recorded, one for each test."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

from tracker.bench.clock import Ceiling, ClockResult
from tracker.bench.conformity import Verdict
from tracker.bench.current import CurrentResult
from tracker.bench.curve import CurveResult
from tracker.bench.derating import Correction
from tracker.bench.in_circuit import InCircuitResult
from tracker.bench.power import PowerResult
from tracker.bench.signature import SignatureResult
from tracker.bench.soak_verdict import SoakResult
from tracker.desk.bench_record import Recorded
from tracker.desk.documents.base import Document, members


@dataclass(frozen=True, kw_only=True)
class CurrentDocument(Recorded[CurrentResult], Document):
    """A supply-current run."""

    schema: Literal["lotproof.bench.current/1"] = "lotproof.bench.current/1"
    result: CurrentResult


@dataclass(frozen=True, kw_only=True)
class IntervalSaid:
    """The ceiling in hertz with its interval; null on a side that the steps leave open."""

    value: float | None
    lower: float | None
    upper: float | None
    confidence: float


@dataclass(frozen=True, kw_only=True)
class CeilingSaid:
    """The clock at which half of the tries pass, hertz; as `tracker.bench.clock.Ceiling`."""

    ceiling_hz: IntervalSaid
    width_hz: float | None
    highest_pass_hz: float | None
    lowest_fail_hz: float | None
    next_hz: float
    separated: bool
    n: int
    cautions: tuple[str, ...]
    prior: str


def ceiling_said(found: Ceiling) -> CeilingSaid:
    """Return a clock ceiling as JSON spells it: the interval stands with its value."""
    whole = members(found)
    interval = {
        name.removesuffix("_hz"): whole.pop(name) for name in ("value_hz", "lower_hz", "upper_hz", "confidence")
    }
    return CeilingSaid(ceiling_hz=IntervalSaid(**interval), **whole)


@dataclass(frozen=True, kw_only=True)
class ClockSaid:
    """The verdict on a clock ceiling; as `tracker.bench.clock.ClockResult`."""

    verdict: Verdict
    rule: str
    reasons: tuple[str, ...]
    ceiling: CeilingSaid
    grade_hz: float | None
    grade_source: str | None
    margin: float
    margin_source: str
    required_hz: float | None
    probability: float | None
    probability_grade: float | None
    correction: Correction


@dataclass(frozen=True, kw_only=True)
class ClockDocument(Recorded[ClockSaid], Document):
    """A clock-ceiling run."""

    schema: Literal["lotproof.bench.clock/1"] = "lotproof.bench.clock/1"
    result: ClockSaid


@dataclass(frozen=True, kw_only=True)
class SoakDocument(Recorded[SoakResult], Document):
    """A heat soak."""

    schema: Literal["lotproof.bench.soak/1"] = "lotproof.bench.soak/1"
    result: SoakResult


@dataclass(frozen=True, kw_only=True)
class SignatureDocument(Recorded[SignatureResult], Document):
    """An electronic signature."""

    schema: Literal["lotproof.bench.signature/1"] = "lotproof.bench.signature/1"
    result: SignatureResult


@dataclass(frozen=True, kw_only=True)
class CurveDocument(Recorded[CurveResult], Document):
    """Voltage-current curves."""

    schema: Literal["lotproof.bench.curve/1"] = "lotproof.bench.curve/1"
    result: CurveResult


@dataclass(frozen=True, kw_only=True)
class InCircuitDocument(Recorded[InCircuitResult], Document):
    """Whether a machine runs with the piece."""

    schema: Literal["lotproof.bench.in-circuit/1"] = "lotproof.bench.in-circuit/1"
    result: InCircuitResult


@dataclass(frozen=True, kw_only=True)
class PowerDocument(Recorded[PowerResult], Document):
    """The power that a machine takes."""

    schema: Literal["lotproof.bench.power/1"] = "lotproof.bench.power/1"
    result: PowerResult


BENCH_DOCUMENTS: Mapping[str, type[Document]] = {
    "current": CurrentDocument,
    "clock": ClockDocument,
    "soak": SoakDocument,
    "signature": SignatureDocument,
    "curve": CurveDocument,
    "in-circuit": InCircuitDocument,
    "power": PowerDocument,
}


def bench_document(recorded: Recorded[Any]) -> Document:
    """Return the document of a recorded run."""
    whole = members(recorded)
    if isinstance(recorded.result, ClockResult):
        said = members(recorded.result)
        whole["result"] = ClockSaid(**{**said, "ceiling": ceiling_said(recorded.result.ceiling)})
    return BENCH_DOCUMENTS[recorded.test](**whole)
