"""The verb `calibration`: whether suspicions have held, and what settled pieces did to the weights."""

from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from tracker.cli.options import JsonOption, WorkspaceOption
from tracker.cli.printing import console, note, print_json, table
from tracker.errors import BadRequest

if TYPE_CHECKING:
    from tracker.desk.calibrated import Calibration, IndicatorMoved, IndicatorsMoved
    from tracker.judgement.scores import Scores


def register(app: typer.Typer) -> None:
    """Add this module's verb to the command line."""
    app.command("calibration")(_calibration)


def _calibration(
    plot: Annotated[
        Path | None,
        typer.Option("--plot", metavar="FILE", help="Write the reliability diagram: .png or .svg.", show_default=False),
    ] = None,
    by_indicator: Annotated[
        bool,
        typer.Option("--indicators", help="Show instead what settled pieces did to each weight, biggest movers first."),
    ] = False,
    workspace: WorkspaceOption = None,
    as_json: JsonOption = False,
) -> None:
    """Show whether suspicions have held for the pieces whose truth is known.

    Each is judged as if nothing were known of its lot: not its own truth, not its siblings'.
    """
    from tracker.desk.calibration import calibration, indicators_moved
    from tracker.desk.plotting import plot_kind
    from tracker.desk.workspace import Workspace

    if plot is not None and by_indicator:
        raise BadRequest("--indicators has no plot.", "Leave one of the two out.")
    if plot is not None:
        plot_kind(plot)  # before the work
    with Workspace.open(workspace) as opened:
        if by_indicator:
            moved = indicators_moved(opened)
            print_json(_moved_document(moved)) if as_json else _draw_moved(moved)
            return
        found = calibration(opened, with_pieces=as_json or plot is not None)
    if plot is not None:
        from tracker.desk.calibration_plot import write_plot

        write_plot(plot, found)
        note(f"Wrote {plot}.")
    if as_json:
        from tracker.desk.documents.reckoned import calibration_document

        print_json(asdict(calibration_document(found)))
    else:
        _draw(found)


def _draw(found: "Calibration") -> None:
    print(found.said)
    if found.scores is not None and found.enough:
        _draw_scores(found.scores)
        _draw_diagram(found)
    if found.scores is not None:
        for text in found.notes:
            print(f"Mind: {text}")
    print(f"Weights: {found.weights}")


def _draw_scores(scores: "Scores") -> None:
    parts = scores.decomposition
    share = scores.not_genuine / scores.pieces
    area = "too few of either kind"
    if scores.area is not None:
        area = f"{scores.area.value:.2f}, 95 % {scores.area.lower:.2f} to {scores.area.upper:.2f} (0.5 is chance)"
    rows = (
        (
            "Brier score",
            f"{scores.brier:.4f}, of 0; to say {100 * share:.0f} % of every piece, {parts.uncertainty:.4f}",
        ),
        ("  reliability", f"{parts.reliability:.4f}, of 0: how far off what was said is"),
        ("  resolution", f"{parts.resolution:.4f}, of {parts.uncertainty:.4f}: how well pieces are told apart"),
        ("  uncertainty", f"{parts.uncertainty:.4f}, and {parts.within:+.4f} within the bins"),
        ("log loss", f"{scores.log_loss:.4f}"),
        (
            "calibration error",
            f"{scores.calibration_error:.3f}; were every suspicion right, chance alone would give "
            f"{scores.by_chance:.3f}, seldom over {scores.by_chance_at_most:.3f}",
        ),
        ("discrimination", area),
    )
    print()
    for name, value in rows:
        print(f"  {name:<18}{value}")


def _draw_diagram(found: "Calibration") -> None:
    from tracker.desk.calibration_plot import WIDTH, strips

    rows = [
        (
            f"{100 * one.bin.lower:.0f} to {100 * one.bin.upper:.0f} %",
            str(one.bin.pieces),
            f"{100 * one.bin.said:.0f} %",
            f"{100 * one.bin.were:.0f} %",
            f"{100 * one.lower:.0f} to {100 * one.upper:.0f} %",
            strip,
        )
        for one, strip in zip(found.reliability, strips(found.reliability), strict=True)
    ]
    scale = f"0{'50 %':^{WIDTH - 6}}100 %"
    print("\nReliability (| said, o were, - where 95 % would lie)")
    numbers = ("pieces", "said", "were", "95 %")
    console().print(table(("suspicion", *numbers, scale), rows, right=numbers))
    print()


def _moved_document(moved: "IndicatorsMoved") -> dict[str, Any]:
    rows = [{**asdict(one), "moved_db": one.moved_db} for one in moved.indicators]
    return {"schema": "lotproof.calibration.indicators/1", **asdict(moved), "indicators": rows}


def _draw_moved(moved: "IndicatorsMoved") -> None:
    if not moved.indicators:
        print("No settled piece yet: all weights are the declared ones.")
        print(f"Weights: {moved.weights}")
        return
    columns = ("indicator", "declared", "settled here", "pieces", "declared db", "now db", "moved")
    rows = [_moved_row(one) for one in moved.indicators]
    console().print(table(columns, rows, right=columns[3:]))
    print(
        f"\nShares are of not genuine and of genuine pieces that show it clearly. What is declared stands for "
        f"{moved.declared_pieces:g} pieces\nof either kind; pieces of one lot count less than one each."
    )
    if moved.together_said:
        print(moved.together_said)
    print(f"Weights: {moved.weights}")


def _moved_row(one: "IndicatorMoved") -> tuple[str, ...]:
    declared = f"{100 * one.declared_not_genuine:.3g} % and {100 * one.declared_genuine:.3g} %"
    here = f"{_of(one.seen_not_genuine, one.of_not_genuine)} and {_of(one.seen_genuine, one.of_genuine)}"
    lots = "1 lot" if one.lots == 1 else f"{one.lots} lots"
    return (
        one.title,
        declared,
        here,
        f"{one.pieces} in {lots}",
        f"{one.declared_db:+.1f}",
        f"{one.now_db:+.1f}",
        f"{one.moved_db:+.1f}",
    )


def _of(seen: float, of: float) -> str:
    return f"{seen:.1f} of {of:.1f}" if of else "none"
