"""Recording bench tests: the run with its conditions and raw readings, its verdict, and what that does to the piece."""

import re
from dataclasses import dataclass, field, replace
from pathlib import Path

from tracker.bench import clock, current, derating, hysteresis, limits
from tracker.bench.clock import ClockResult, Step
from tracker.bench.current import CurrentResult, Reading
from tracker.bench.limits import NoLimit
from tracker.bench.tables import Source, overloaded
from tracker.bench.units import fraction, quantity
from tracker.desk import bench_entry, live
from tracker.desk.bench_entry import Conditions, Typed
from tracker.desk.bench_others import beside_others
from tracker.desk.bench_record import Outcome, Recorded, Subject, find_subject, record
from tracker.desk.live import Taken
from tracker.desk.workspace import Workspace
from tracker.errors import BadRequest
from tracker.records.models import BenchSample

START_SHARE = 0.8  # of the grade, for the first step: a bad part may fail at the grade; common practice, no source
_CLOCK_IN_TEXT = re.compile(r"\d+(?:\.\d+)?\s*[kMG]Hz")


@dataclass(frozen=True, slots=True)
class CurrentRequest:
    """A supply-current run as typed; see `bench_entry.current_readings` and `bench_entry.stated_limit`.

    `taken` are readings that came live, instead of typed ones.
    """

    currents: tuple[str, ...] = ()
    clock: str | None = None
    pairs: tuple[str, ...] = ()
    table: Path | None = None
    columns: tuple[str, ...] = ()
    u: str | None = None
    clock_u: str | None = None
    k: float | None = None
    limit: str | None = None
    limit_source: str | None = None
    limit_clock: str | None = None
    taken: Taken | None = None
    typed: Typed = field(default_factory=Typed)


@dataclass(frozen=True, slots=True)
class ClockRequest:
    """A clock run as typed; `grade` overrides the claimed one, `margin` is a share such as '5 %'.

    `grade_supply` and `grade_ambient` are where the grade must hold; without them no correction is made.
    """

    pairs: tuple[str, ...] = ()
    table: Path | None = None
    columns: tuple[str, ...] = ()
    grade: str | None = None
    grade_source: str | None = None
    margin: str | None = None
    grade_supply: str | None = None
    grade_ambient: str | None = None
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
    entered = _entered_current(request)
    with workspace.act(operator, "bench", "") as act:
        subject = find_subject(act.session, label)
        result = _current(subject, request, entered)
        samples = tuple(
            BenchSample(position=i, clock_hz=r.clock_hz, current_a=r.current_a, current_u_a=r.u_a)
            for i, r in enumerate(entered.values, start=1)
        )
        notes = result.limit.notes if result.limit is not None else ()
        fitted = result.fitted.cautions if result.fitted is not None else ()
        told = (*notes, *fitted, *entered.notes, *beside_others(act.session, subject.piece, result))
        return record(act, subject, Outcome("current", result, told, entered.held, samples, entered.source))


def preview_current(workspace: Workspace, label: str, request: CurrentRequest) -> CurrentResult:
    """Return what `run_current` would find, and record nothing.

    Raises
    ------
    BadRequest
        As in `run_current`.
    """
    entered = _entered_current(request)
    with workspace.read() as session:
        return _current(find_subject(session, label), request, entered)


def check_current(workspace: Workspace, label: str, request: CurrentRequest) -> None:
    """See that all but the readings can be used and recorded here, before anybody takes readings.

    Raises
    ------
    BadRequest
        As in `run_current`.
    """
    workspace.refuse_if_moved()
    bench_entry.uncertainty(request.u)
    bench_entry.clock_uncertainty(request.clock_u)
    bench_entry.coverage(request.k)
    bench_entry.stated_limit(request.limit, request.limit_source, request.limit_clock)
    bench_entry.conditions(request.typed)
    with workspace.read() as session:
        find_subject(session, label)


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
    steps, source = bench_entry.clock_steps(request.pairs, request.table, request.columns)
    held = bench_entry.conditions(request.typed)
    samples = tuple(
        BenchSample(position=i, clock_hz=step.clock_hz, passed=step.passed) for i, step in enumerate(steps, start=1)
    )
    with workspace.act(operator, "bench", "") as act:
        subject = find_subject(act.session, label)
        result, notes = _clock(subject, request, steps, held)
        both_ways = hysteresis.seen(steps)
        told = (
            *notes,
            *result.ceiling.cautions,
            *(() if both_ways is None else (both_ways.sentence,)),
            *(source.notes if source is not None else ()),
        )
        return record(act, subject, Outcome("clock", result, told, held, samples, source))


def preview_clock(workspace: Workspace, label: str, request: ClockRequest) -> ClockResult | None:
    """Return what `run_clock` would find, and record nothing; None where there is no step yet.

    Raises
    ------
    BadRequest
        As in `run_clock`.
    """
    steps = bench_entry.clock_steps(request.pairs, request.table, request.columns)[0] if request.pairs else ()
    held = bench_entry.conditions(request.typed)
    with workspace.read() as session:
        subject = find_subject(session, label)
        if steps:
            return _clock(subject, request, steps, held)[0]
        _margin(request)
        _grade(subject, request)
        return None


def proposed_clock(workspace: Workspace, label: str, request: ClockRequest) -> float | None:
    """Return the clock in hertz to try next, or None for a first step where no grade is known.

    Raises
    ------
    BadRequest
        As in `run_clock`.
    """
    found = preview_clock(workspace, label, request)
    if found is not None:
        return found.ceiling.next_hz
    with workspace.read() as session:
        grade_hz = _grade(find_subject(session, label), request)[0]
    return None if grade_hz is None else START_SHARE * grade_hz


@dataclass(frozen=True, slots=True)
class _Entered:
    """Readings of a current with their conditions, and what to mind about them."""

    values: tuple[Reading, ...]
    source: Source | None
    held: Conditions
    notes: tuple[str, ...]


def _entered_current(request: CurrentRequest) -> _Entered:
    held = bench_entry.conditions(request.typed)
    bench_entry.coverage(request.k)
    taken = request.taken
    if taken is None:
        values, source = bench_entry.current_readings(
            request.currents, request.clock, request.pairs, request.table, request.u, request.columns
        )
        values = bench_entry.with_clock_u(values, bench_entry.clock_uncertainty(request.clock_u))
        return _Entered(values, source, held, source.notes if source is not None else ())
    values = bench_entry.with_u(taken.readings, bench_entry.uncertainty(request.u))
    values = bench_entry.with_clock_u(values, bench_entry.clock_uncertainty(request.clock_u))
    return _Entered(
        values, taken.source, replace(held, instrument=live.named(held.instrument, taken.instrument)), taken.notes
    )


def _current(subject: Subject, request: CurrentRequest, entered: _Entered) -> CurrentResult:
    stated = bench_entry.stated_limit(request.limit, request.limit_source, request.limit_clock)
    clocks = [reading.clock_hz for reading in entered.values if reading.clock_hz is not None]
    held, family = entered.held, subject.family
    limit = stated or limits.choose(family, clocks, supply_v=held.supply_v, ambient_c=held.ambient_c)
    if not limit and subject.piece is None:
        limit = NoLimit(f"A machine has no limit of its own on record; {limits.STATE_ONE}")
    technology = family.technology.value if family is not None else None
    found = current.evaluate(entered.values, limit, claimed_technology=technology, k=request.k)
    return found if entered.source is None else _beyond_range(found, entered.source)


def _beyond_range(found: CurrentResult, source: Source) -> CurrentResult:
    """Return a result that does not pass on its lower readings alone, the others being beyond the meter's range."""
    over, rows = overloaded(source.data, source.name)
    if found.verdict != "pass" or not over:
        return found
    told = (
        f"{len(over)} of {rows} answers were overloads: the current was beyond the meter's range then, so the readings "
        "that are left do not show that it meets the limit. Choose a larger range and read again."
    )
    return replace(found, verdict="undecided", reasons=(told, *found.reasons))


def _clock(
    subject: Subject, request: ClockRequest, steps: tuple[Step, ...], held: Conditions
) -> tuple[ClockResult, tuple[str, ...]]:
    grade_hz, grade_source, notes = _grade(subject, request)
    margin, margin_source = _margin(request)
    result = clock.evaluate(
        steps,
        grade_hz=grade_hz,
        grade_source=grade_source,
        margin=margin,
        margin_source=margin_source,
        correction=derating.correction(derating.Conditions(held.supply_v, held.ambient_c), _grade_conditions(request)),
    )
    return result, notes


def _grade_conditions(request: ClockRequest) -> derating.Conditions:
    """Supply and ambient at which the grade must hold."""
    supply, ambient = request.grade_supply, request.grade_ambient
    return derating.Conditions(
        None if supply is None else quantity(supply, "voltage"),
        None if ambient is None else quantity(ambient, "temperature"),
    )


def _margin(request: ClockRequest) -> tuple[float, str]:
    if request.margin is None:
        return clock.DEFAULT_MARGIN, clock.MARGIN_SOURCE
    return fraction(request.margin, "the margin", both_ends=True), "stated by the operator"


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
