"""The verbs `bench curve` and `calc curve`."""

from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from tracker.cli.bench_common import (
    AmbientOption,
    FailExitOption,
    InstrumentOption,
    JigOption,
    RemarkOption,
    SupplyOption,
    answer,
    how_option,
    text_option,
)
from tracker.cli.calc import say
from tracker.cli.groups import group
from tracker.cli.options import JsonOption, OperatorOption, WorkspaceOption
from tracker.cli.printing import note, print_json

if TYPE_CHECKING:
    from tracker.bench.curve import CurveResult
    from tracker.desk.bench_curve import Drawn

PlotOption = Annotated[
    Path | None, text_option("--plot", "Write a plot of the pins that differ most: a .png or .svg file.", "FILE")
]
MOST_SHOWN = 3
"""Pins drawn in the terminal; a plot has more."""


def register(app: typer.Typer) -> None:
    """Add this module's verbs to the command line."""
    group(app, "bench").command("curve")(curve)
    group(app, "calc").command("curve")(calc_curve)


def curve(
    piece: Annotated[str, typer.Argument(metavar="PIECE", help="Label such as L0001-03.", show_default=False)],
    table: Annotated[
        Path,
        text_option(
            "--from", "Table with pin, voltage and current; units in the header ('current (uA)') or the cells.", "CSV"
        ),
    ],
    exemplars: Annotated[
        list[str] | None,
        text_option(
            "--exemplar",
            "Known-good piece or run to compare with; repeat it for several "
            "(default: every exemplar of the part with kept curves).",
            "PIECE|RUN",
        ),
    ] = None,
    common: Annotated[
        str | None, text_option("--common", "Pin the sweeps were made against, such as 20 or VSS.", "PIN")
    ] = None,
    plot: PlotOption = None,
    supply: SupplyOption = None,
    ambient: AmbientOption = None,
    jig: JigOption = None,
    instrument: InstrumentOption = None,
    remark: RemarkOption = None,
    how: Annotated[bool, how_option("curve")] = False,
    fail_exit: FailExitOption = False,
    workspace: WorkspaceOption = None,
    operator: OperatorOption = None,
    as_json: JsonOption = False,
) -> None:
    """Record the voltage-current curves of a piece's pins, against an exemplar's.

    Without an exemplar the curves are kept, and nothing is decided.
    """
    from tracker.desk.bench_curve import CurveRequest, run_curve
    from tracker.desk.bench_entry import Typed
    from tracker.desk.curve_plot import write_plot
    from tracker.desk.plotting import plot_kind
    from tracker.desk.workspace import Workspace

    if plot is not None:
        plot_kind(plot)  # before anything is recorded
    request = CurveRequest(
        table=table,
        exemplars=tuple(exemplars or ()),
        common=common,
        typed=Typed(supply, ambient, jig, instrument, remark),
    )
    with Workspace.open(workspace) as opened:
        recorded, drawn = run_curve(opened, piece, request, operator=operator)
    if plot is not None:
        write_plot(plot, recorded.result, drawn, recorded.piece or piece)
        note(f"Wrote {plot}.")
    answer(recorded, _curve_text(recorded.result, drawn), as_json=as_json, fail_exit=fail_exit)


def calc_curve(
    file: Annotated[Path, typer.Argument(metavar="FILE.csv", help="Table with pin, voltage and current.")],
    exemplars: Annotated[
        list[Path], text_option("--exemplar", "Table of a known-good piece; repeat it for several.", "CSV")
    ],
    plot: PlotOption = None,
    as_json: JsonOption = False,
) -> None:
    """Compare the voltage-current curves of pins with a known-good piece's."""
    from tracker.desk.bench_curve import compare_tables
    from tracker.desk.curve_plot import write_plot
    from tracker.desk.plotting import plot_kind

    if plot is not None:
        plot_kind(plot)
    found, drawn = compare_tables(file, exemplars)
    if plot is not None:
        write_plot(plot, found, drawn, file.name)
        note(f"Wrote {plot}.")
    if as_json:
        print_json({"schema": "lotproof.calc.curve/1", **asdict(found)})
        return
    say(
        [
            ("verdict", found.verdict),
            *_curve_text(found, drawn),
            ("rule", found.rule),
            *(("because", reason) for reason in found.reasons),
        ]
    )


def _curve_text(result: "CurveResult", drawn: "Drawn") -> list[tuple[str, str]]:
    from tracker.desk.bench_words import curve_text
    from tracker.desk.curve_plot import most_different, sparks

    rows = curve_text(result)
    for pin in most_different(result)[:MOST_SHOWN]:
        rows += [(f"pin {pin}", line) for line in sparks(pin, drawn)]
    return rows
