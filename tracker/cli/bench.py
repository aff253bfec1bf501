"""The verbs `bench current`, `bench clock` and `bench in-circuit`."""

from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from tracker.cli.calc import ceiling_json, ceiling_text, current_line_text, say
from tracker.cli.options import JsonOption, OperatorOption, WorkspaceOption
from tracker.cli.printing import print_json
from tracker.errors import AnswerIsNo, BadRequest

if TYPE_CHECKING:
    from tracker.bench.cautions import Protocol
    from tracker.bench.clock import ClockResult
    from tracker.bench.current import CurrentResult
    from tracker.bench.in_circuit import InCircuitResult
    from tracker.desk.bench import Recorded

bench = typer.Typer(
    no_args_is_help=True,
    rich_markup_mode="rich",
    help="Measure a piece, hold it against a limit with a guard band, and keep the run. Each prints pass, fail or "
    "undecided with the rule applied, and what that does to the suspicion.",
)


def register(app: typer.Typer) -> None:
    """Add this module's verbs to the command line."""
    app.add_typer(bench, name="bench")


def _how(test: str) -> Callable[[bool], None]:
    """Return what `--how` does for a test: print its steps and cautions, and stop."""

    def show(wanted: bool) -> None:
        if wanted:
            from tracker.bench.cautions import protocol

            say(_protocol_text(protocol(test)))
            raise typer.Exit

    return show


def _how_option(test: str) -> Any:
    return typer.Option(
        "--how",
        callback=_how(test),
        is_eager=True,
        help="Print how the test is done and what to mind; nothing is recorded.",
    )


def _text(flag: str, help: str, metavar: str = "TEXT") -> Any:
    return typer.Option(flag, help=help, metavar=metavar, show_default=False)


SubjectArgument = Annotated[
    str, typer.Argument(metavar="PIECE|MACHINE", help="Label such as L0001-03 or M0001.", show_default=False)
]
SupplyOption = Annotated[str | None, _text("--supply", "Supply voltage: '5 V'.", "VOLTAGE")]
AmbientOption = Annotated[str | None, _text("--ambient", "Ambient temperature: '23 C', '73 F'.", "TEMPERATURE")]
JigOption = Annotated[str | None, _text("--jig", "Jig or board it was tested in.")]
InstrumentOption = Annotated[str | None, _text("--instrument", "What it was read with.")]
RemarkOption = Annotated[str | None, _text("--remark", "Anything else.")]
FailExitOption = Annotated[
    bool, typer.Option("--fail-exit", help="Exit with 1 when the verdict is fail (it is recorded all the same).")
]


@bench.command("current")
def current(
    subject: SubjectArgument,
    currents: Annotated[
        list[str] | None, _text("--current", "Supply current: '96 mA'. Repeat it for repeated readings.", "CURRENT")
    ] = None,
    clock: Annotated[
        str | None, _text("--clock", "Clock rate of --current: '4 MHz', '0 Hz' when stopped.", "CLOCK")
    ] = None,
    pairs: Annotated[
        list[str] | None,
        _text(
            "--at", "A reading at its clock: '1 MHz=12.1 mA'. Repeat it; two clock rates give a line.", "CLOCK=CURRENT"
        ),
    ] = None,
    table: Annotated[Path | None, _text("--from", "Readings from a table: clock_hz,current_a[,u_a].", "CSV")] = None,
    u: Annotated[str | None, _text("--u", "Standard uncertainty of a reading: '0.5 mA'.", "CURRENT")] = None,
    k: Annotated[
        float | None,
        _text("--k", "Coverage factor of the guard band (default: for 95.45 %, 2.00 with many readings).", "K"),
    ] = None,
    limit: Annotated[
        str | None, _text("--limit", "Most the part may draw: '10 mA' (default: the claimed part's).", "CURRENT")
    ] = None,
    limit_source: Annotated[str | None, _text("--limit-source", "Where the limit was read.")] = None,
    limit_clock: Annotated[str | None, _text("--limit-clock", "Clock rate at which the limit holds.", "CLOCK")] = None,
    supply: SupplyOption = None,
    ambient: AmbientOption = None,
    jig: JigOption = None,
    instrument: InstrumentOption = None,
    remark: RemarkOption = None,
    how: Annotated[bool, _how_option("current")] = False,
    fail_exit: FailExitOption = False,
    workspace: WorkspaceOption = None,
    operator: OperatorOption = None,
    as_json: JsonOption = False,
) -> None:
    """Record a supply-current test.

    One reading, or several clock rates and the straight line I = I0 + k f, which tells CMOS from NMOS and bipolar.
    """
    from tracker.desk.bench import CurrentRequest, run_current
    from tracker.desk.bench_entry import Typed
    from tracker.desk.workspace import Workspace

    request = CurrentRequest(
        currents=tuple(currents or ()),
        clock=clock,
        pairs=tuple(pairs or ()),
        table=table,
        u=u,
        k=k,
        limit=limit,
        limit_source=limit_source,
        limit_clock=limit_clock,
        typed=Typed(supply, ambient, jig, instrument, remark),
    )
    with Workspace.open(workspace) as opened:
        recorded = run_current(opened, subject, request, operator=operator)
    _answer(recorded, as_json, fail_exit)


@bench.command("clock")
def clock(
    subject: SubjectArgument,
    pairs: Annotated[
        list[str] | None, _text("--at", "A step: '2 MHz=pass' or '2.5 MHz=fail'. Repeat it.", "CLOCK=OUTCOME")
    ] = None,
    table: Annotated[Path | None, _text("--from", "Steps from a table: clock_hz,passed.", "CSV")] = None,
    grade: Annotated[
        str | None, _text("--grade", "The grade to reach: '2 MHz' (default: the claimed one).", "CLOCK")
    ] = None,
    grade_source: Annotated[str | None, _text("--grade-source", "Where the grade was read.")] = None,
    margin: Annotated[
        str | None, _text("--margin", "How far above the grade a pass must reach (default: '5 %').", "SHARE")
    ] = None,
    supply: SupplyOption = None,
    ambient: AmbientOption = None,
    jig: JigOption = None,
    instrument: InstrumentOption = None,
    remark: RemarkOption = None,
    how: Annotated[bool, _how_option("clock")] = False,
    fail_exit: FailExitOption = False,
    workspace: WorkspaceOption = None,
    operator: OperatorOption = None,
    as_json: JsonOption = False,
) -> None:
    """Record a clock-ceiling test: steps that passed or failed, and the clock to try next."""
    from tracker.desk.bench import ClockRequest, run_clock
    from tracker.desk.bench_entry import Typed
    from tracker.desk.workspace import Workspace

    request = ClockRequest(
        pairs=tuple(pairs or ()),
        table=table,
        grade=grade,
        grade_source=grade_source,
        margin=margin,
        typed=Typed(supply, ambient, jig, instrument, remark),
    )
    with Workspace.open(workspace) as opened:
        recorded = run_clock(opened, subject, request, operator=operator)
    _answer(recorded, as_json, fail_exit)


@bench.command("in-circuit")
def in_circuit(
    subject: SubjectArgument,
    runs: Annotated[
        bool | None,
        typer.Option("--runs/--does-not-run", help="Whether the machine runs with it.", show_default=False),
    ] = None,
    duration: Annotated[str | None, _text("--for", "For how long it ran: '2 h', '45 min'.", "TIME")] = None,
    machine: Annotated[
        str | None, _text("--machine", "Machine it was tried in (default: the one it is fitted into).", "MACHINE")
    ] = None,
    checks: Annotated[
        list[str] | None,
        _text("--check", "A point of the checklist: 'all keys sound=pass'. Repeat it.", "WHAT=OUTCOME"),
    ] = None,
    known_good: Annotated[
        str | None,
        _text("--known-good", "What a known-good piece does in the same position: runs or fails.", "runs|fails"),
    ] = None,
    least: Annotated[str | None, _text("--least", "How long a pass needs (default: '30 min').", "TIME")] = None,
    supply: SupplyOption = None,
    ambient: AmbientOption = None,
    jig: JigOption = None,
    instrument: InstrumentOption = None,
    remark: RemarkOption = None,
    how: Annotated[bool, _how_option("in-circuit")] = False,
    fail_exit: FailExitOption = False,
    workspace: WorkspaceOption = None,
    operator: OperatorOption = None,
    as_json: JsonOption = False,
) -> None:
    """Record whether a machine runs with the piece.

    A machine that does not run counts against the piece only when a known-good piece does better: --known-good runs.
    """
    if runs is None:
        raise BadRequest("Whether the machine runs was not said.", "Add --runs or --does-not-run.")
    from tracker.desk.bench import InCircuitRequest, run_in_circuit
    from tracker.desk.bench_entry import Typed
    from tracker.desk.workspace import Workspace

    request = InCircuitRequest(
        runs=runs,
        duration=duration,
        machine=machine,
        checks=tuple(checks or ()),
        known_good=known_good,
        least=least,
        typed=Typed(supply, ambient, jig, instrument, remark),
    )
    with Workspace.open(workspace) as opened:
        recorded = run_in_circuit(opened, subject, request, operator=operator)
    _answer(recorded, as_json, fail_exit)


def _answer(recorded: "Recorded", as_json: bool, fail_exit: bool) -> None:
    if as_json:
        print_json(_json(recorded))
    else:
        # First, not last: whoever types a reading in is about to touch the piece again.
        say([*_cautions(recorded.protocol), *_recorded_text(recorded)])
    if fail_exit and recorded.verdict == "fail":
        raise AnswerIsNo(f"The verdict of {recorded.run} is fail.")


def _json(recorded: "Recorded") -> dict[str, Any]:
    from tracker.bench.clock import ClockResult

    document = asdict(recorded)
    if isinstance(recorded.result, ClockResult):
        document["result"]["ceiling"] = ceiling_json(recorded.result.ceiling)
    return {"schema": f"lotproof.bench.{recorded.test}/1", **document}


def _recorded_text(recorded: "Recorded") -> list[tuple[str, str]]:
    from tracker.bench.clock import ClockResult
    from tracker.bench.current import CurrentResult

    tested = " in ".join(label for label in (recorded.piece, recorded.machine) if label)
    claimed = f", claimed {recorded.claimed_part}" if recorded.claimed_part else ""
    result = recorded.result
    if isinstance(result, CurrentResult):
        measured = _current_text(result)
    elif isinstance(result, ClockResult):
        measured = _clock_text(result)
    else:
        measured = _in_circuit_text(result)
    return [
        (recorded.run, f"{tested}{claimed}: {recorded.test} {recorded.verdict.upper()}"),
        *measured,
        ("rule", recorded.rule),
        *(("because", reason) for reason in recorded.reasons),
        *(("note", note) for note in recorded.notes),
        *_suspicion_text(recorded),
    ]


def _current_text(result: "CurrentResult") -> list[tuple[str, str]]:
    from tracker.bench.figures import percent, show, show_with_u

    where = "" if result.at_hz is None else f" at {show(result.at_hz, 'Hz')}"
    rows = [("current", f"{show_with_u(result.current_a, result.u_a, 'A')}{where}")]
    if result.u_source != "stated":
        rows.append(("uncertainty", result.u_source))
    if result.fitted is not None:
        rows += [row for row in current_line_text(result.fitted) if row[0] != "caution"]
    if result.limit is not None:
        rows.append(("limit", f"{show(result.limit.max_a, 'A')}: {result.limit.what} ({result.limit.source})"))
    if result.conformity is not None:
        rows.append(("conforms", f"probability {percent(result.conformity.probability)}"))
    return rows


def _clock_text(result: "ClockResult") -> list[tuple[str, str]]:
    from tracker.bench.figures import show

    rows = [row for row in ceiling_text(result.ceiling) if row[0] != "caution"]
    if result.grade_hz is not None:
        rows.append(("grade", f"{show(result.grade_hz, 'Hz')} ({result.grade_source})"))
        rows.append(("margin", f"{100 * result.margin:g} %: {result.margin_source}"))
    return rows


def _in_circuit_text(result: "InCircuitResult") -> list[tuple[str, str]]:
    return [
        ("runs", "yes" if result.runs else "no"),
        *(("check", f"{check.what}: {'in order' if check.passed else 'NOT in order'}") for check in result.checks),
    ]


def _suspicion_text(recorded: "Recorded") -> list[tuple[str, str]]:
    from tracker.bench.figures import percent

    if recorded.suspicion is None:
        return []
    before, after = percent(recorded.suspicion.before), percent(recorded.suspicion.after)
    if recorded.weight_db == 0:
        return [("suspicion", f"{before} before, {after} now: an undecided test says nothing")]
    return [("suspicion", f"{before} before, {after} now (weight {recorded.weight_db:+.1f} db)")]


def _protocol_text(protocol: "Protocol") -> list[tuple[str, str]]:
    steps = [(f"step {i}", step.text) for i, step in enumerate(protocol.steps, start=1)]
    return [*steps, *_cautions(protocol)]


def _cautions(protocol: "Protocol") -> list[tuple[str, str]]:
    from tracker.bench.cautions import LAST_WORD

    return [*(("mind", caution.text) for caution in protocol.cautions), ("", LAST_WORD)]
