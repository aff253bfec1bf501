"""The verb `bench soak`: a heat soak as typed, from a table, or asked for reading by reading."""

from functools import partial
from pathlib import Path
from typing import Annotated

import typer

from tracker.cli.bench_common import (
    AmbientOption,
    CoverageOption,
    FailExitOption,
    JigOption,
    LimitSourceOption,
    LiveInstrumentOption,
    LiveLogOption,
    LiveQueryOption,
    RemarkOption,
    SubjectArgument,
    SupplyOption,
    answer,
    how_option,
    text_option,
)
from tracker.cli.groups import group
from tracker.cli.options import ColumnOption, JsonOption, OperatorOption, WorkspaceOption
from tracker.errors import BadRequest


def register(app: typer.Typer) -> None:
    """Add this module's verb to the command line."""
    group(app, "bench").command("soak")(soak)


def soak(
    subject: SubjectArgument,
    pairs: Annotated[
        list[str] | None,
        text_option(
            "--at",
            "A reading: '10 min=41.5 C', or with the ambient then: '10 min=41.5 C, 22.4 C'. Repeat it.",
            "TIME=TEMPERATURE",
        ),
    ] = None,
    table: Annotated[
        Path | None,
        text_option(
            "--from",
            "Readings from a table: time and temp or emf or resistance, and ambient if measured; units in the header "
            "(time_min, temp_f, emf_mv) or in the cells.",
            "CSV",
        ),
    ] = None,
    columns: ColumnOption = None,
    prompt: Annotated[
        bool, typer.Option("--prompt", help="Ask for reading after reading, and say after each whether it may stop.")
    ] = False,
    resource: Annotated[
        str | None,
        text_option("--read", "Read a thermometer live: 'TCPIP::192.0.2.7::5025::SOCKET'.", "RESOURCE"),
    ] = None,
    every: Annotated[
        str | None, text_option("--every", "Live: from one reading to the next (default: '2 s').", "TIME")
    ] = None,
    duration: Annotated[str | None, text_option("--for", "Live: stop after this time: '40 min'.", "TIME")] = None,
    stop_early: Annotated[
        bool, typer.Option("--stop-early", help="Live: stop once the final rise is known as well as --aim asks.")
    ] = False,
    query: LiveQueryOption = None,
    log: LiveLogOption = None,
    thermistor: Annotated[
        str | None,
        text_option("--thermistor", "What a table's resistances mean: 'B=3950 K, 10 kohm at 25 C'.", "COEFFICIENTS"),
    ] = None,
    cold_junction: Annotated[
        str | None,
        text_option("--cold-junction", "Cold junction of a table's type K emfs: '22 C'.", "TEMPERATURE"),
    ] = None,
    limit: Annotated[
        str | None, text_option("--limit", "Most it may rise above ambient: '45 K'.", "DIFFERENCE")
    ] = None,
    limit_temp: Annotated[str | None, text_option("--limit-temp", "Hottest it may get: '85 C'.", "TEMPERATURE")] = None,
    limit_source: LimitSourceOption = None,
    heat_on: Annotated[
        str | None,
        text_option("--heat-on", "When the heat came on, by the clock of the readings (default: '0 s').", "TIME"),
    ] = None,
    cold: Annotated[
        bool, typer.Option("--cold", help="It was at ambient when the heat came on, at time zero.")
    ] = False,
    case: Annotated[
        bool | None,
        typer.Option("--case/--open", help="Whether the case was closed, or machine or part stood open."),
    ] = None,
    spots: Annotated[
        list[str] | None,
        text_option("--spot", "Temperature of one component: 'regulator=61 C'. Repeat it.", "WHAT=TEMPERATURE"),
    ] = None,
    aim: Annotated[
        str | None,
        text_option("--aim", "How well the final rise is wanted, to stop early (default: '0.5 K').", "DIFFERENCE"),
    ] = None,
    u: Annotated[
        str | None, text_option("--u", "Standard uncertainty of a temperature difference: '0.4 K'.", "DIFFERENCE")
    ] = None,
    k: CoverageOption = None,
    machine: Annotated[
        str | None, text_option("--machine", "Machine the piece was soaked in, where that matters.", "MACHINE")
    ] = None,
    plot: Annotated[Path | None, text_option("--plot", "Write a plot: .png or .svg.", "FILE")] = None,
    supply: SupplyOption = None,
    ambient: AmbientOption = None,
    jig: JigOption = None,
    instrument: LiveInstrumentOption = None,
    remark: RemarkOption = None,
    how: Annotated[bool, how_option("soak")] = False,
    fail_exit: FailExitOption = False,
    workspace: WorkspaceOption = None,
    operator: OperatorOption = None,
    as_json: JsonOption = False,
) -> None:
    """Record a heat soak: temperature against time, the final rise above ambient, and whether it may stop.

    The part follows a changing ambient with its own time constant. Without --ambient, ambient readings or --cold the
    rise above ambient is not known.
    """
    from tracker.cli.bench_ways import resource_or_name
    from tracker.cli.soak_live import SoakFlags, soak_read_live
    from tracker.cli.soak_prompt import prompted_soak
    from tracker.desk.bench_entry import Typed
    from tracker.desk.bench_soak import run_soak
    from tracker.desk.bench_soak_entry import SoakRequest
    from tracker.desk.bench_words import soak_text
    from tracker.desk.workspace import Workspace

    resource, named = resource_or_name(resource, instrument)
    flags = SoakFlags(resource, every, duration, query, log, stop_early)
    request = SoakRequest(
        pairs=tuple(pairs or ()),
        table=table,
        columns=tuple(columns or ()),
        thermistor=thermistor,
        cold_junction=cold_junction,
        limit=limit,
        limit_temp=limit_temp,
        limit_source=limit_source,
        u=u,
        k=k,
        aim=aim,
        heat_on=heat_on,
        cold=cold,
        case=case,
        spots=tuple(spots or ()),
        machine=machine,
        plot=plot,
        typed=Typed(supply, ambient, jig, named, remark),
    )
    with Workspace.open(workspace) as opened:
        run = partial(run_soak, opened, subject, operator=operator)
        if resource is not None or flags.given():
            if prompt:
                raise BadRequest("--read and --prompt do not go together.", "Give the readings in one way.")
            _known(opened, subject)
            recorded = soak_read_live(opened, request, flags, run)
        elif prompt:
            _known(opened, subject)
            recorded = prompted_soak(request, run)
        else:
            recorded = run(request)
    minded = prompt or resource is not None
    answer(recorded, soak_text(recorded.result), as_json=as_json, fail_exit=fail_exit, minded=minded)


def _known(opened: object, subject: str) -> None:
    from tracker.desk.bench_record import find_subject
    from tracker.desk.workspace import Workspace

    assert isinstance(opened, Workspace)
    opened.refuse_if_moved()
    with opened.read() as session:
        find_subject(session, subject)
