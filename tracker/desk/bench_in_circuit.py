"""Recording a run of a piece in a machine, or of a machine alone."""

from dataclasses import dataclass, field

from tracker.bench import board_current, in_circuit
from tracker.bench.in_circuit import InCircuitResult
from tracker.bench.units import quantity
from tracker.desk import bench_entry
from tracker.desk.bench_board import Readings, board_readings
from tracker.desk.bench_entry import Typed
from tracker.desk.bench_record import Outcome, Recorded, find_subject, in_machine, record
from tracker.desk.workspace import Workspace
from tracker.errors import BadRequest
from tracker.records.models import BenchSample


@dataclass(frozen=True, slots=True)
class InCircuitRequest:
    """A run in a machine as typed; `known_good` is 'runs' or 'fails', the board's currents may be repeated readings."""

    runs: bool
    duration: str | None = None
    machine: str | None = None
    checks: tuple[str, ...] = ()
    known_good: str | None = None
    least: str | None = None
    board_before: tuple[str, ...] = ()
    board_after: tuple[str, ...] = ()
    board_u: str | None = None
    typed: Typed = field(default_factory=Typed)


def run_in_circuit(
    workspace: Workspace, label: str, request: InCircuitRequest, *, operator: str | None = None
) -> Recorded[InCircuitResult]:
    """Record a run of a piece in a machine, or of a machine alone.

    Without a machine named, it is the one the piece is fitted into.

    Raises
    ------
    BadRequest
        The label or anything typed cannot be used; nothing was changed.
    """
    held = bench_entry.conditions(request.typed)
    result, board = _in_circuit(request)
    samples = (
        BenchSample(position=1, time_s=result.duration_s, passed=result.runs, text="the machine runs"),
        *(
            BenchSample(position=i, passed=check.passed, text=check.what)
            for i, check in enumerate(result.checks, start=2)
        ),
        *_board_samples(board, after=1 + len(result.checks)),
    )
    with workspace.act(operator, "bench", "") as act:
        subject = in_machine(act.session, find_subject(act.session, label), request.machine)
        notes = () if subject.machine is not None or held.jig else ("The machine was not named.",)
        return record(act, subject, Outcome("in-circuit", result, notes, held, samples))


def preview_in_circuit(workspace: Workspace, label: str, request: InCircuitRequest) -> InCircuitResult:
    """Return what `run_in_circuit` would find, and record nothing.

    Raises
    ------
    BadRequest
        As in `run_in_circuit`.
    """
    bench_entry.conditions(request.typed)
    result, _ = _in_circuit(request)
    with workspace.read() as session:
        in_machine(session, find_subject(session, label), request.machine)
    return result


def _in_circuit(request: InCircuitRequest) -> tuple[InCircuitResult, tuple[Readings, Readings] | None]:
    if request.known_good not in (None, "runs", "fails"):
        raise BadRequest(f"{request.known_good!r} is not what a known-good piece can do.", "Say runs or fails.")
    board = board_readings(request.board_before, request.board_after, request.board_u)
    result = in_circuit.evaluate(
        runs=request.runs,
        duration_s=None if request.duration is None else quantity(request.duration, "time"),
        checks=bench_entry.checks(request.checks),
        known_good_runs=None if request.known_good is None else request.known_good == "runs",
        least_duration_s=(in_circuit.LEAST_DURATION_S if request.least is None else quantity(request.least, "time")),
        board=None if board is None else board_current.evaluate(*board),
    )
    return result, board


def _board_samples(board: tuple[Readings, Readings] | None, *, after: int) -> list[BenchSample]:
    told = [
        (f"board current {when}", reading)
        for when, found in zip(("before", "after"), board or (), strict=False)
        for reading in found
    ]
    return [
        BenchSample(position=i, current_a=reading.current_a, current_u_a=reading.u_a, text=text)
        for i, (text, reading) in enumerate(told, start=after + 1)
    ]
