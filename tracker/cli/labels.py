"""The verb `label`: labels with a QR code, one by one and on sheets."""

from pathlib import Path
from typing import Annotated

import typer

from tracker.cli import printing
from tracker.cli.options import JsonOption, Paper, WorkspaceOption

SHEET = "Sheet"


def register(app: typer.Typer) -> None:
    """Add this module's verb to the command line."""
    app.command("label")(label)


def _mm(flag: str, help_text: str) -> typer.models.OptionInfo:
    found: typer.models.OptionInfo = typer.Option(
        flag, metavar="MM", help=help_text, show_default=False, rich_help_panel=SHEET
    )
    return found


def label(
    what: Annotated[
        list[str],
        typer.Argument(
            metavar="LOT|PIECE...",
            help="A lot with all its pieces, pieces, or runs as L0001-03..05.",
            show_default=False,
        ),
    ],
    to: Annotated[Path, typer.Option("--to", metavar="DIR", help="Folder for the files.")] = Path("labels"),
    sheet: Annotated[
        str | None,
        typer.Option(
            "--sheet",
            metavar="NAME",
            help="plain (paper to cut apart), or labels by width x height in mm: A4 63.5x38.1, 70x37, 52.5x29.7, "
            "48.5x25.4, 38.1x21.2, 35.6x16.9, 25.4x10; letter 66.7x25.4, 44.5x12.7. Default: plain.",
            show_default=False,
            rich_help_panel=SHEET,
        ),
    ] = None,
    start: Annotated[
        int,
        typer.Option(
            "--start",
            metavar="N",
            help="First free place of a part-used sheet, counted row by row.",
            rich_help_panel=SHEET,
        ),
    ] = 1,
    paper: Annotated[
        Paper | None, typer.Option("--paper", help="The paper.", show_default=False, rich_help_panel=SHEET)
    ] = None,
    columns: Annotated[
        int | None,
        typer.Option("--columns", metavar="N", help="Labels across.", show_default=False, rich_help_panel=SHEET),
    ] = None,
    rows: Annotated[
        int | None,
        typer.Option("--rows", metavar="N", help="Labels down.", show_default=False, rich_help_panel=SHEET),
    ] = None,
    width: Annotated[float | None, _mm("--width", "Width of a label.")] = None,
    height: Annotated[float | None, _mm("--height", "Height of a label.")] = None,
    left: Annotated[float | None, _mm("--left", "From the paper's left edge to the first label.")] = None,
    top: Annotated[float | None, _mm("--top", "From the paper's upper edge to the first label.")] = None,
    gap_x: Annotated[float | None, _mm("--gap-x", "Between labels across.")] = None,
    gap_y: Annotated[float | None, _mm("--gap-y", "Between labels down.")] = None,
    workspace: WorkspaceOption = None,
    as_json: JsonOption = False,
) -> None:
    """Write labels with a QR code to print: one PNG each (40 x 14 mm at 300 dpi), and a PDF sheet of several.

    `photograph` reads the code of a label that lies beside its chip, and so knows which piece it sees. Print sheets at
    100 %; the layouts are from memory, so hold a print on plain paper against your labels first.
    """
    from tracker.desk.labels import SheetAsked, write_labels
    from tracker.desk.workspace import Workspace

    asked = SheetAsked(
        sheet, paper.value if paper else None, columns, rows, width, height, left, top, gap_x, gap_y, start
    )
    with Workspace.open(workspace) as opened:
        written = write_labels(opened, what, to, asked)
    if as_json:
        document = {
            "schema": "lotproof.labels/1",
            "labels": list(written.labels),
            "files": [str(path) for path in written.pictures],
            "sheet": str(written.sheet) if written.sheet else None,
            "next_start": written.next_start,
        }
        printing.print_json(document)
        return
    count = "1 label" if len(written.labels) == 1 else f"{len(written.labels)} labels"
    print(f"{count} in {to}" + (f", all of them on {written.sheet}" if written.sheet else f": {written.pictures[0]}"))
    if written.next_start is not None and asked.asked:
        print(f"The last sheet is free from --start {written.next_start} on.")
