"""The verbs `bench current`, `bench clock` and `bench in-circuit`."""

from functools import partial
from pathlib import Path
from typing import Annotated

import typer

from tracker.cli.bench_common import (
    AmbientOption,
    CoverageOption,
    FailExitOption,
    InstrumentOption,
    JigOption,
    LimitSourceOption,
    LiveInstrumentOption,
    LiveLogOption,
    LiveQueryOption,
    PromptOption,
    RemarkOption,
    SubjectArgument,
    SupplyOption,
    answer,
    how_option,
    text_option,
)
from tracker.cli.options import ColumnOption, JsonOption, OperatorOption, WorkspaceOption
from tracker.errors import BadRequest


def register(app: typer.Typer) -> None:
    """Add the group `bench` and this module's verbs to the command line."""
    bench = typer.Typer(
        no_args_is_help=True,
        rich_markup_mode="rich",
        help="Measure a piece, hold it against a limit with a guard band, and keep the run. Each prints pass, fail or "
        "undecided with the rule applied, and what that does to the suspicion.",
    )
    app.add_typer(bench, name="bench")
    bench.command("current")(current)
    bench.command("clock")(clock)
    bench.command("in-circuit")(in_circuit)


def current(
    subject: SubjectArgument,
    currents: Annotated[
        list[str] | None,
        text_option("--current", "Supply current: '96 mA'. Repeat it for repeated readings.", "CURRENT"),
    ] = None,
    clock: Annotated[
        str | None, text_option("--clock", "Clock rate of --current and --read: '4 MHz', '0 Hz' when stopped.", "CLOCK")
    ] = None,
    pairs: Annotated[
        list[str] | None,
        text_option(
            "--at", "A reading at its clock: '1 MHz=12.1 mA'. Repeat it; two clock rates give a line.", "CLOCK=CURRENT"
        ),
    ] = None,
    table: Annotated[
        Path | None,
        text_option("--from", "Readings from a table: clock_hz,current_a[,u_a][,clock_u_hz], or 'clock (kHz)'.", "CSV"),
    ] = None,
    columns: ColumnOption = None,
    resource: Annotated[
        str | None,
        text_option(
            "--read",
            "Read an instrument live: 'TCPIP::192.0.2.7::5025::SOCKET'; with --prompt at each clock you set.",
            "RESOURCE",
        ),
    ] = None,
    count: Annotated[int | None, text_option("--count", "Live: how many readings (default: 10).", "N")] = None,
    every: Annotated[
        str | None, text_option("--every", "Live: from one reading to the next (default: '0.5 s').", "TIME")
    ] = None,
    query: LiveQueryOption = None,
    log: LiveLogOption = None,
    prompt: PromptOption = False,
    u: Annotated[str | None, text_option("--u", "Standard uncertainty of a reading: '0.5 mA'.", "CURRENT")] = None,
    clock_u: Annotated[
        str | None, text_option("--clock-u", "Standard uncertainty of a clock rate: '2 kHz'.", "CLOCK")
    ] = None,
    k: CoverageOption = None,
    limit: Annotated[
        str | None, text_option("--limit", "Most the part may draw: '10 mA' (default: the claimed part's).", "CURRENT")
    ] = None,
    limit_source: LimitSourceOption = None,
    limit_clock: Annotated[
        str | None, text_option("--limit-clock", "Clock rate at which the limit holds.", "CLOCK")
    ] = None,
    supply: SupplyOption = None,
    ambient: AmbientOption = None,
    jig: JigOption = None,
    instrument: LiveInstrumentOption = None,
    remark: RemarkOption = None,
    how: Annotated[bool, how_option("current")] = False,
    fail_exit: FailExitOption = False,
    workspace: WorkspaceOption = None,
    operator: OperatorOption = None,
    as_json: JsonOption = False,
) -> None:
    """Record a supply-current test.

    One reading, or several clock rates and the straight line I = I0 + k f, which tells CMOS from NMOS and bipolar.
    """
    from tracker.cli.bench_ways import LiveFlags, current_way, resource_or_name
    from tracker.desk.bench import CurrentRequest, run_current
    from tracker.desk.bench_entry import Typed
    from tracker.desk.bench_words import current_text
    from tracker.desk.workspace import Workspace

    resource, named = resource_or_name(resource, instrument)
    flags = LiveFlags(resource, count, every, query, log, named=instrument is not None and named is None)
    request = CurrentRequest(
        currents=tuple(currents or ()),
        clock=clock,
        pairs=tuple(pairs or ()),
        table=table,
        columns=tuple(columns or ()),
        u=u,
        clock_u=clock_u,
        k=k,
        limit=limit,
        limit_source=limit_source,
        limit_clock=limit_clock,
        typed=Typed(supply, ambient, jig, named, remark),
    )
    with Workspace.open(workspace) as opened:
        recorded = current_way(
            opened,
            subject,
            request,
            flags,
            prompt,
            lambda ready: run_current(opened, subject, ready, operator=operator),
        )
    minded = prompt or resource is not None
    answer(recorded, current_text(recorded.result), as_json=as_json, fail_exit=fail_exit, minded=minded)


def clock(
    subject: SubjectArgument,
    pairs: Annotated[
        list[str] | None, text_option("--at", "A step: '2 MHz=pass' or '2.5 MHz=fail'. Repeat it.", "CLOCK=OUTCOME")
    ] = None,
    table: Annotated[
        Path | None, text_option("--from", "Steps from a table: clock_hz,passed, or 'clock (MHz)'.", "CSV")
    ] = None,
    columns: ColumnOption = None,
    prompt: PromptOption = False,
    grade: Annotated[
        str | None, text_option("--grade", "The grade to reach: '2 MHz' (default: the claimed one).", "CLOCK")
    ] = None,
    grade_source: Annotated[str | None, text_option("--grade-source", "Where the grade was read.")] = None,
    grade_supply: Annotated[
        str | None, text_option("--grade-supply", "Supply at which the grade must hold: '4.75 V'.", "VOLTAGE")
    ] = None,
    grade_ambient: Annotated[
        str | None, text_option("--grade-ambient", "Ambient at which the grade must hold: '70 C'.", "TEMPERATURE")
    ] = None,
    margin: Annotated[
        str | None, text_option("--margin", "How far above the grade a pass must reach (default: '5 %').", "SHARE")
    ] = None,
    supply: SupplyOption = None,
    ambient: AmbientOption = None,
    jig: JigOption = None,
    instrument: InstrumentOption = None,
    remark: RemarkOption = None,
    how: Annotated[bool, how_option("clock")] = False,
    fail_exit: FailExitOption = False,
    workspace: WorkspaceOption = None,
    operator: OperatorOption = None,
    as_json: JsonOption = False,
) -> None:
    """Record a clock-ceiling test: steps that passed or failed, and the clock to try next."""
    from tracker.cli.bench_ways import clock_way
    from tracker.desk.bench import ClockRequest, run_clock
    from tracker.desk.bench_entry import Typed
    from tracker.desk.bench_words import clock_text
    from tracker.desk.workspace import Workspace

    request = ClockRequest(
        pairs=tuple(pairs or ()),
        table=table,
        columns=tuple(columns or ()),
        grade=grade,
        grade_source=grade_source,
        margin=margin,
        grade_supply=grade_supply,
        grade_ambient=grade_ambient,
        typed=Typed(supply, ambient, jig, instrument, remark),
    )
    with Workspace.open(workspace) as opened:
        run = partial(run_clock, opened, subject, operator=operator)
        recorded = clock_way(opened, subject, request, prompt, run)
    answer(recorded, clock_text(recorded.result), as_json=as_json, fail_exit=fail_exit, minded=prompt)


def in_circuit(
    subject: SubjectArgument,
    runs: Annotated[
        bool | None,
        typer.Option("--runs/--does-not-run", help="Whether the machine runs with it.", show_default=False),
    ] = None,
    duration: Annotated[str | None, text_option("--for", "For how long it ran: '2 h', '45 min'.", "TIME")] = None,
    machine: Annotated[
        str | None, text_option("--machine", "Machine it was tried in (default: the one it is fitted into).", "MACHINE")
    ] = None,
    checks: Annotated[
        list[str] | None,
        text_option("--check", "A point of the checklist: 'all keys sound=pass'. Repeat it.", "WHAT=OUTCOME"),
    ] = None,
    known_good: Annotated[
        str | None,
        text_option("--known-good", "What a known-good piece does in the same position: runs or fails.", "runs|fails"),
    ] = None,
    least: Annotated[str | None, text_option("--least", "How long a pass needs (default: '30 min').", "TIME")] = None,
    board_before: Annotated[
        list[str] | None,
        text_option("--board-current-before", "Supply current of the board before the change. Repeat it.", "CURRENT"),
    ] = None,
    board_after: Annotated[
        list[str] | None,
        text_option("--board-current-after", "The same with the piece in it. Repeat it.", "CURRENT"),
    ] = None,
    board_u: Annotated[
        str | None, text_option("--u", "Standard uncertainty of a board current: '5 mA'.", "CURRENT")
    ] = None,
    supply: SupplyOption = None,
    ambient: AmbientOption = None,
    jig: JigOption = None,
    instrument: InstrumentOption = None,
    remark: RemarkOption = None,
    how: Annotated[bool, how_option("in-circuit")] = False,
    fail_exit: FailExitOption = False,
    workspace: WorkspaceOption = None,
    operator: OperatorOption = None,
    as_json: JsonOption = False,
) -> None:
    """Record whether a machine runs with the piece.

    A machine that does not run counts against the piece only when a known-good piece does better: --known-good runs.
    """
    from tracker.desk.bench_words import in_circuit_text

    if runs is None:
        raise BadRequest("Whether the machine runs was not said.", "Add --runs or --does-not-run.")
    from tracker.desk.bench_entry import Typed
    from tracker.desk.bench_in_circuit import InCircuitRequest, run_in_circuit
    from tracker.desk.workspace import Workspace

    request = InCircuitRequest(
        runs=runs,
        duration=duration,
        machine=machine,
        checks=tuple(checks or ()),
        known_good=known_good,
        least=least,
        board_before=tuple(board_before or ()),
        board_after=tuple(board_after or ()),
        board_u=board_u,
        typed=Typed(supply, ambient, jig, instrument, remark),
    )
    with Workspace.open(workspace) as opened:
        recorded = run_in_circuit(opened, subject, request, operator=operator)
    answer(recorded, in_circuit_text(recorded.result), as_json=as_json, fail_exit=fail_exit)
