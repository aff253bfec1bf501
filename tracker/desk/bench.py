"""Recording bench tests: the run with its conditions and raw readings, its verdict, and what that does to the piece."""

import re
from dataclasses import dataclass, field
from pathlib import Path

from tracker.bench import clock, current, derating, hysteresis, in_circuit, limits
from tracker.bench.clock import ClockResult
from tracker.bench.current import CurrentResult
from tracker.bench.in_circuit import InCircuitResult
from tracker.bench.units import fraction, quantity
from tracker.desk import bench_entry
from tracker.desk.bench_entry import Typed
from tracker.desk.bench_record import Outcome, Recorded, Subject, find_subject, in_machine, record
from tracker.desk.workspace import Workspace
from tracker.errors import BadRequest
from tracker.records.models import BenchSample

_CLOCK_IN_TEXT = re.compile(r"\d+(?:\.\d+)?\s*[kMG]Hz")


@dataclass(frozen=True, slots=True)
class CurrentRequest:
    """A supply-current run as typed; see `bench_entry.current_readings` and `bench_entry.stated_limit`."""

    currents: tuple[str, ...] = ()
    clock: str | None = None
    pairs: tuple[str, ...] = ()
    table: Path | None = None
    u: str | None = None
    k: float | None = None
    limit: str | None = None
    limit_source: str | None = None
    limit_clock: str | None = None
    typed: Typed = field(default_factory=Typed)


@dataclass(frozen=True, slots=True)
class ClockRequest:
    """A clock run as typed; `grade` overrides the claimed one, `margin` is a share such as '5 %'.

    `grade_supply` and `grade_ambient` are where the grade must hold; without them no correction is made.
    """

    pairs: tuple[str, ...] = ()
    table: Path | None = None
    grade: str | None = None
    grade_source: str | None = None
    margin: str | None = None
    grade_supply: str | None = None
    grade_ambient: str | None = None
    typed: Typed = field(default_factory=Typed)


@dataclass(frozen=True, slots=True)
class InCircuitRequest:
    """A run in a machine as typed; `known_good` is 'runs' or 'fails'."""

    runs: bool
    duration: str | None = None
    machine: str | None = None
    checks: tuple[str, ...] = ()
    known_good: str | None = None
    least: str | None = None
    typed: Typed = field(default_factory=Typed)


def run_current(
    workspace: Workspace, label: str, request: CurrentRequest, *, operator: str | None = None
) -> Recorded[CurrentResult]:
    """Record a supply-current run of a piece or a machine.

    The limit is the stated one, else the claimed part's own; without either the run is kept and undecided.

    Raises
    ------
    BadRequest
        The label or anything typed cannot be used; nothing was changed.
    """
    readings, source = bench_entry.current_readings(
        request.currents, request.clock, request.pairs, request.table, request.u
    )
    stated = bench_entry.stated_limit(request.limit, request.limit_source, request.limit_clock)
    held = bench_entry.conditions(request.typed)
    clocks = [reading.clock_hz for reading in readings if reading.clock_hz is not None]
    samples = tuple(
        BenchSample(position=i, clock_hz=r.clock_hz, current_a=r.current_a, current_u_a=r.u_a)
        for i, r in enumerate(readings, start=1)
    )
    with workspace.act(operator, "bench", "") as act:
        subject = find_subject(act.session, label)
        family = subject.family
        limit = stated or limits.choose(family, clocks, supply_v=held.supply_v, ambient_c=held.ambient_c)
        technology = family.technology.value if family is not None else None
        result = current.evaluate(readings, limit, claimed_technology=technology, k=request.k)
        notes = result.limit.notes if result.limit is not None else ()
        fitted = result.fitted.cautions if result.fitted is not None else ()
        return record(act, subject, Outcome("current", result, (*notes, *fitted), held, samples, source))


def run_clock(
    workspace: Workspace, label: str, request: ClockRequest, *, operator: str | None = None
) -> Recorded[ClockResult]:
    """Record a clock-ceiling run of a piece.

    The grade is the stated one, else the one claimed for the lot, else the one the part number carries.

    Raises
    ------
    BadRequest
        As in `run_current`.
    """
    steps, source = bench_entry.clock_steps(request.pairs, request.table)
    held = bench_entry.conditions(request.typed)
    margin = clock.DEFAULT_MARGIN
    margin_source = clock.MARGIN_SOURCE
    if request.margin is not None:
        margin = fraction(request.margin, "the margin", both_ends=True)
        margin_source = "stated by the operator"
    corrected_to = derating.Conditions(
        None if request.grade_supply is None else quantity(request.grade_supply, "voltage"),
        None if request.grade_ambient is None else quantity(request.grade_ambient, "temperature"),
    )
    samples = tuple(
        BenchSample(position=i, clock_hz=step.clock_hz, passed=step.passed) for i, step in enumerate(steps, start=1)
    )
    with workspace.act(operator, "bench", "") as act:
        subject = find_subject(act.session, label)
        grade_hz, grade_source, notes = _grade(subject, request)
        result = clock.evaluate(
            steps,
            grade_hz=grade_hz,
            grade_source=grade_source,
            margin=margin,
            margin_source=margin_source,
            correction=derating.correction(derating.Conditions(held.supply_v, held.ambient_c), corrected_to),
        )
        both_ways = hysteresis.seen(steps)
        told = (*notes, *result.ceiling.cautions, *(() if both_ways is None else (both_ways.sentence,)))
        return record(act, subject, Outcome("clock", result, told, held, samples, source))


def run_in_circuit(
    workspace: Workspace, label: str, request: InCircuitRequest, *, operator: str | None = None
) -> Recorded[InCircuitResult]:
    """Record a run of a piece in a machine, or of a machine alone.

    Without a machine named, it is the one the piece is fitted into.

    Raises
    ------
    BadRequest
        As in `run_current`.
    """
    if request.known_good not in (None, "runs", "fails"):
        raise BadRequest(f"{request.known_good!r} is not what a known-good piece can do.", "Say runs or fails.")
    held = bench_entry.conditions(request.typed)
    result = in_circuit.evaluate(
        runs=request.runs,
        duration_s=None if request.duration is None else quantity(request.duration, "time"),
        checks=bench_entry.checks(request.checks),
        known_good_runs=None if request.known_good is None else request.known_good == "runs",
        least_duration_s=(in_circuit.LEAST_DURATION_S if request.least is None else quantity(request.least, "time")),
    )
    samples = (
        BenchSample(position=1, time_s=result.duration_s, passed=result.runs, text="the machine runs"),
        *(
            BenchSample(position=i, passed=check.passed, text=check.what)
            for i, check in enumerate(result.checks, start=2)
        ),
    )
    with workspace.act(operator, "bench", "") as act:
        subject = in_machine(act.session, find_subject(act.session, label), request.machine)
        notes = () if subject.machine is not None or held.jig else ("The machine was not named.",)
        return record(act, subject, Outcome("in-circuit", result, notes, held, samples))


def _grade(subject: Subject, request: ClockRequest) -> tuple[float | None, str | None, tuple[str, ...]]:
    """Return the clock grade to hold the piece against, where it comes from, and what to mind."""
    if request.grade is not None:
        return quantity(request.grade, "clock"), request.grade_source or bench_entry.UNSOURCED, ()
    if request.grade_source is not None:
        raise BadRequest("--grade-source goes with --grade.", "State the grade as well.")
    family = subject.family
    known = family.clock_hz if family is not None else None
    named = _CLOCK_IN_TEXT.search(subject.lot.claimed_grade or "") if subject.lot is not None else None
    if named:
        claimed = quantity(named.group(), "clock")
        differs = known is not None and abs(known.value - claimed) > 0.01 * claimed
        notes = ("The claimed grade is not the one that the part number carries.",) if differs else ()
        return claimed, "the grade claimed for the lot", notes
    return (known.value, known.source, ()) if known is not None else (None, None, ())
