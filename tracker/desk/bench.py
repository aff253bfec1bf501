"""Recording bench tests: the run with its conditions and raw readings, its verdict, and what that does to the piece."""

import json
import re
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path

from sqlalchemy.orm import Session

from tracker.bench import cautions, clock, current, in_circuit, limits
from tracker.bench.cautions import Protocol
from tracker.bench.clock import ClockResult
from tracker.bench.conformity import Verdict
from tracker.bench.current import CurrentResult
from tracker.bench.in_circuit import InCircuitResult
from tracker.bench.readings import Source
from tracker.bench.units import fraction, quantity
from tracker.desk import bench_entry
from tracker.desk.assess import piece_suspicion
from tracker.desk.bench_entry import Conditions, Typed
from tracker.desk.pieces import find_machine, find_piece, machine_or_none, next_number, seat
from tracker.desk.workspace import Act, Workspace
from tracker.errors import BadRequest
from tracker.judgement.weights import weight_db
from tracker.knowledge import families
from tracker.knowledge.families import FamilyData
from tracker.records.models import BenchRun, BenchSample, Lot, Machine, Piece

Result = CurrentResult | ClockResult | InCircuitResult
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
    """A clock run as typed; `grade` overrides the claimed one, `margin` is a share such as '5 %'."""

    pairs: tuple[str, ...] = ()
    table: Path | None = None
    grade: str | None = None
    grade_source: str | None = None
    margin: str | None = None
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


@dataclass(frozen=True, slots=True)
class Change:
    """A piece's suspicion before and after a run, as probabilities."""

    before: float
    after: float


@dataclass(frozen=True, slots=True)
class Recorded:
    """A bench run as it was recorded.

    Parameters
    ----------
    run : str
        Its label.
    piece, machine : str or None
        What was tested; a piece may be tested in a machine.
    claimed_part : str or None
    test : 'current', 'clock' or 'in-circuit'
    verdict : 'pass', 'fail' or 'undecided'
    weight_db : float
        What the verdict says of the piece, in decibans; 0 when undecided or when a machine alone was tested.
    notes : tuple of str
        Where the conditions differ from those of the limit, and other things to mind.
    suspicion : Change or None
        None when a machine alone was tested.
    """

    run: str
    piece: str | None
    machine: str | None
    claimed_part: str | None
    test: str
    verdict: Verdict
    rule: str
    reasons: tuple[str, ...]
    notes: tuple[str, ...]
    weight_db: float
    suspicion: Change | None
    conditions: Conditions
    table: str | None
    result: Result
    protocol: Protocol


@dataclass(frozen=True, slots=True)
class _Subject:
    """What is tested: a piece, a machine, or a piece in a machine."""

    piece: Piece | None
    machine: Machine | None

    @property
    def label(self) -> str:
        if self.piece is not None:
            return self.piece.label
        return self.machine.label if self.machine is not None else ""

    @property
    def lot(self) -> Lot | None:
        return self.piece.lot if self.piece is not None else None

    @property
    def family(self) -> FamilyData | None:
        return families.for_part(self.lot.claimed_part) if self.lot is not None else None


@dataclass(frozen=True, slots=True)
class _Outcome:
    """One evaluated test, ready to be written."""

    test: str
    result: Result
    notes: tuple[str, ...]
    conditions: Conditions
    samples: tuple[BenchSample, ...]
    source: Source | None = None


def run_current(workspace: Workspace, label: str, request: CurrentRequest, *, operator: str | None = None) -> Recorded:
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
        subject = _subject(act.session, label)
        family = subject.family
        limit = stated or limits.choose(family, clocks, supply_v=held.supply_v, ambient_c=held.ambient_c)
        technology = family.technology.value if family is not None else None
        result = current.evaluate(readings, limit, claimed_technology=technology, k=request.k)
        notes = result.limit.notes if result.limit is not None else ()
        fitted = result.fitted.cautions if result.fitted is not None else ()
        return _record(act, subject, _Outcome("current", result, (*notes, *fitted), held, samples, source))


def run_clock(workspace: Workspace, label: str, request: ClockRequest, *, operator: str | None = None) -> Recorded:
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
    samples = tuple(
        BenchSample(position=i, clock_hz=step.clock_hz, passed=step.passed) for i, step in enumerate(steps, start=1)
    )
    with workspace.act(operator, "bench", "") as act:
        subject = _subject(act.session, label)
        grade_hz, grade_source, notes = _grade(subject, request)
        result = clock.evaluate(
            steps, grade_hz=grade_hz, grade_source=grade_source, margin=margin, margin_source=margin_source
        )
        told = (*notes, *result.ceiling.cautions)
        return _record(act, subject, _Outcome("clock", result, told, held, samples, source))


def run_in_circuit(
    workspace: Workspace, label: str, request: InCircuitRequest, *, operator: str | None = None
) -> Recorded:
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
        subject = _in_machine(act.session, _subject(act.session, label), request.machine)
        notes = () if subject.machine is not None or held.jig else ("The machine was not named.",)
        return _record(act, subject, _Outcome("in-circuit", result, notes, held, samples))


def _subject(session: Session, label: str) -> _Subject:
    machine = machine_or_none(session, label)
    return _Subject(None, machine) if machine is not None else _Subject(find_piece(session, label), None)


def _in_machine(session: Session, subject: _Subject, machine: str | None) -> _Subject:
    """Return the subject with the machine it is tested in: the one named, else the one it is fitted into."""
    if subject.piece is None:
        if machine is not None and find_machine(session, machine).id != (subject.machine and subject.machine.id):
            raise BadRequest(f"{subject.label} is a machine itself.", "Leave --machine out.")
        return subject
    if machine is not None:
        return _Subject(subject.piece, find_machine(session, machine))
    sits = seat(session, subject.piece)
    return _Subject(subject.piece, sits.machine if sits is not None else None)


def _grade(subject: _Subject, request: ClockRequest) -> tuple[float | None, str | None, tuple[str, ...]]:
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


def _record(act: Act, subject: _Subject, outcome: _Outcome) -> Recorded:
    """Write one run with its readings, and return what it did to the piece's suspicion."""
    result, piece, machine = outcome.result, subject.piece, subject.machine
    before = None if piece is None else piece_suspicion(act.session, piece).probability
    weight = (
        0.0 if piece is None or result.verdict == "undecided" else weight_db(f"bench-{outcome.test}-{result.verdict}")
    )
    kept = None if outcome.source is None else act.keep(outcome.source.data)
    run = act.add(
        BenchRun(
            label=f"B{next_number(act.session, BenchRun):04d}",
            piece_id=None if piece is None else piece.id,
            machine_id=None if machine is None else machine.id,
            test=outcome.test,
            verdict=result.verdict,
            weight_db=weight,
            rule=result.rule,
            supply_v=outcome.conditions.supply_v,
            ambient_c=outcome.conditions.ambient_c,
            jig=outcome.conditions.jig,
            instrument=outcome.conditions.instrument,
            result=_result_text(outcome, None if kept is None else kept.sha256),
            remark=outcome.conditions.remark,
        )
    )
    _add_samples(act, run, outcome.samples)
    after = None if piece is None else piece_suspicion(act.session, piece).probability
    act.subject = subject.label
    act.body.update(run=run.label, test=run.test, verdict=run.verdict, rule=run.rule, weight_db=run.weight_db)
    return Recorded(
        run=run.label,
        piece=None if piece is None else piece.label,
        machine=None if machine is None else machine.label,
        claimed_part=None if subject.lot is None else subject.lot.claimed_part,
        test=outcome.test,
        verdict=result.verdict,
        rule=result.rule,
        reasons=result.reasons,
        notes=outcome.notes,
        weight_db=weight,
        suspicion=None if before is None or after is None else Change(before, after),
        conditions=outcome.conditions,
        table=None if kept is None else kept.sha256,
        result=result,
        protocol=cautions.protocol(outcome.test),
    )


def _add_samples(act: Act, run: BenchRun, samples: Sequence[BenchSample]) -> None:
    for sample in samples:
        sample.run_id = run.id
    act.session.add_all(samples)
    act.session.flush()


def _result_text(outcome: _Outcome, table_sha256: str | None) -> str:
    document = asdict(outcome.result) | {"notes": list(outcome.notes)}
    if outcome.source is not None:
        document["table"] = {"name": outcome.source.name, "sha256": table_sha256}
    return json.dumps(document, ensure_ascii=False, sort_keys=True, allow_nan=False)
