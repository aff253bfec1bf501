"""The verb `bench power`: what goes into a machine's board and into its supply."""

from typing import Annotated

import typer

from tracker.cli.bench_common import (
    AmbientOption,
    FailExitOption,
    InstrumentOption,
    RemarkOption,
    answer,
    how_option,
    text_option,
)
from tracker.cli.calc import say
from tracker.cli.groups import group
from tracker.cli.options import JsonOption, OperatorOption, WorkspaceOption


def register(app: typer.Typer) -> None:
    """Add this module's verb to the command line."""
    group(app, "bench").command("power")(power)


def power(
    machine: Annotated[str, typer.Argument(metavar="MACHINE", help="Label (M0001) or name.", show_default=False)],
    rails: Annotated[
        list[str] | None,
        text_option("--rail", "Voltage and current into the board: '5 V=1.2 A'. Repeat it.", "VOLTAGE=CURRENT"),
    ] = None,
    mains_voltage: Annotated[
        str | None, text_option("--mains-voltage", "At the machine's plug: '230 V'.", "VOLTAGE")
    ] = None,
    mains_current: Annotated[
        str | None, text_option("--mains-current", "Into the machine's plug: '0.21 A'.", "CURRENT")
    ] = None,
    mains_power: Annotated[
        str | None, text_option("--mains-power", "Real power into the plug: '31 W'.", "POWER")
    ] = None,
    within: Annotated[
        str | None, text_option("--within", "How well each reading is known (default: '2 %').", "SHARE")
    ] = None,
    limit: Annotated[
        str | None, text_option("--limit", "Most that may go in: '35 W' (default: no limit, no verdict).", "POWER")
    ] = None,
    ambient: AmbientOption = None,
    instrument: InstrumentOption = None,
    remark: RemarkOption = None,
    how: Annotated[bool, how_option("power")] = False,
    fail_exit: FailExitOption = False,
    workspace: WorkspaceOption = None,
    operator: OperatorOption = None,
    as_json: JsonOption = False,
) -> None:
    """Record the power into a machine's board and into its supply.

    Read it before a change and after, and lay the runs side by side with `bench compare`.
    """
    from tracker.desk.bench_entry import Typed
    from tracker.desk.bench_power import PowerRequest, run_power
    from tracker.desk.bench_words import power_text
    from tracker.desk.workspace import Workspace

    request = PowerRequest(
        rails=tuple(rails or ()),
        mains_voltage=mains_voltage,
        mains_current=mains_current,
        mains_power=mains_power,
        within=within,
        limit=limit,
        typed=Typed(None, ambient, None, instrument, remark),
    )
    with Workspace.open(workspace) as opened:
        recorded = run_power(opened, machine, request, operator=operator)
    answer(recorded, power_text(recorded.result), as_json=as_json, fail_exit=fail_exit)
    if not as_json:
        say([("next", f"read it again after a change, then: lotproof bench compare {recorded.run} RUN")])
