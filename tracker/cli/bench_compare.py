"""The verb `bench compare`: kept runs side by side."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from tracker.cli.bench_common import text_option
from tracker.cli.groups import group
from tracker.cli.options import JsonOption, WorkspaceOption
from tracker.cli.overlay_text import overlay
from tracker.cli.printing import console, note, print_json, table

if TYPE_CHECKING:
    from tracker.bench.compare import Difference, Figure, Row
    from tracker.desk.bench_compare import Compared


_KEY = "± is one standard uncertainty; a percentage stands with its 95 % interval, 'may be none' where that holds 0."


def register(app: typer.Typer) -> None:
    """Add this module's verb to the command line."""
    group(app, "bench").command("compare")(compare)


def compare(
    columns: Annotated[
        list[str],
        typer.Argument(
            metavar="RUN...",
            help="Runs such as B0003, several for one column as B0003+B0004, with a title as 'stock=B0003'.",
            show_default=False,
        ),
    ],
    minutes: Annotated[
        list[str] | None, text_option("--minute", "Compare rises after this time: '30 min'. Repeat it.", "TIME")
    ] = None,
    plot: Annotated[
        Path | None,
        text_option("--plot", "Lay the rises over each other: a .png or .svg file, or - for the terminal.", "FILE"),
    ] = None,
    ea: Annotated[
        str | None, text_option("--ea", "Activation energy of the life ratio (default: '0.7 eV').", "ENERGY")
    ] = None,
    ambient: Annotated[
        str | None, text_option("--ambient", "Ambient of the life ratio (default: '25 C').", "TEMPERATURE")
    ] = None,
    workspace: WorkspaceOption = None,
    as_json: JsonOption = False,
) -> None:
    """Lay runs side by side: before and after each change to a machine.

    Each is held against the first that has the quantity; differences and percentages carry 95 % intervals.
    """
    from dataclasses import asdict

    from tracker.bench.life import DEFAULT_EA_EV
    from tracker.bench.units import quantity
    from tracker.desk.bench_compare import REFERENCE_AMBIENT_C, compare_runs, draw
    from tracker.desk.workspace import Workspace

    with Workspace.open(workspace) as opened:
        found = compare_runs(
            opened,
            columns,
            minutes=tuple(quantity(text, "time") / 60 for text in minutes or ()),
            ambient_c=REFERENCE_AMBIENT_C if ambient is None else quantity(ambient, "temperature"),
            ea_ev=DEFAULT_EA_EV if ea is None else quantity(ea, "energy"),
        )
    in_text = plot is not None and str(plot) == "-"
    if plot is not None and not in_text:
        draw(found, plot)
    if as_json:
        lives = {label: None if one is None else asdict(one) for label, one in found.lives}
        document = asdict(found.comparison) | {"life": lives, "notes": found.notes}
        print_json({"schema": "lotproof.bench.compare/1", **document})
    else:
        _show(found)
        if in_text:
            print(
                "\n".join(overlay(found.traces) or ["None of these runs is a heat soak: there is no course to draw."])
            )
        elif plot is not None:
            print(f"{plot} written.")


def _show(found: "Compared") -> None:
    comparison = found.comparison
    for label, title in zip(comparison.labels, comparison.titles, strict=True):
        print(f"{label}  {title}" if title != label else label)
    heads = ["quantity"]
    for i, label in enumerate(comparison.labels):
        heads += [label] if i == 0 else [label, "change", "%"]
    rows = [_cells(row) for row in comparison.rows]
    console().print(table(heads, rows, right=[head for head in heads if head != "quantity"]))
    lives = [(label, one) for label, one in found.lives[1:] if one is not None]
    for label, one in lives:
        print(
            f"{label}: expected life {one.factor:.3g} times {comparison.labels[0]}'s, from {one.from_c:.4g} C to "
            f"{one.to_c:.4g} C at {one.ea_ev:g} eV."
        )
    for text in (_KEY, *found.notes, comparison.rule, *(one.caution for _, one in lives[:1])):
        note(text)


def _cells(row: "Row") -> list[str]:
    cells = [row.name]
    for i, (figure, difference) in enumerate(zip(row.figures, row.differences, strict=True)):
        cells.append(_value(figure))
        if i > 0:
            cells += ["", ""] if difference is None else _change(difference, row.unit)
    return cells


def _value(figure: "Figure | None") -> str:
    from tracker.bench.figures import show, show_with_u

    if figure is None:
        return ""
    return show(figure.value, figure.unit) if figure.u is None else show_with_u(figure.value, figure.u, figure.unit)


def _change(found: "Difference", unit: str) -> list[str]:
    from tracker.bench.figures import show, show_with_u

    change = show(found.value, unit) if found.u is None else show_with_u(found.value, found.u, unit)
    if found.share is None or unit == "C":  # a temperature has no meaningful zero to be a share of
        return [change.replace(" C", " K"), ""]
    share = f"{100 * found.share:+.1f}"
    if found.share_lower is None or found.share_upper is None:
        return [change, share]
    same = "" if found.told_apart else " (may be none)"
    return [change, f"{share} ({100 * found.share_lower:+.1f} to {100 * found.share_upper:+.1f}){same}"]
