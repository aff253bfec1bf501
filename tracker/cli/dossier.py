"""The verbs that hand over: `label` and `dossier`."""

from pathlib import Path
from typing import Annotated

import typer

from tracker.cli import printing
from tracker.cli.options import JsonOption, WorkspaceOption


def register(app: typer.Typer) -> None:
    """Add this module's verbs to the command line."""
    app.command("label")(label)
    app.command("dossier")(dossier)


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
    workspace: WorkspaceOption = None,
    as_json: JsonOption = False,
) -> None:
    """Write labels with a QR code to print: one PNG each (40 x 14 mm at 300 dpi), and a PDF sheet of several.

    `photograph` reads the code of a label that lies beside its chip, and so knows which piece it sees.
    """
    from tracker.desk.labels import write_labels
    from tracker.desk.workspace import Workspace

    with Workspace.open(workspace) as opened:
        written = write_labels(opened, what, to)
    if as_json:
        document = {
            "schema": "lotproof.labels/1",
            "labels": list(written.labels),
            "files": [str(path) for path in written.pictures],
            "sheet": str(written.sheet) if written.sheet else None,
        }
        printing.print_json(document)
        return
    count = "1 label" if len(written.labels) == 1 else f"{len(written.labels)} labels"
    print(f"{count} in {to}" + (f", all of them on {written.sheet}" if written.sheet else f": {written.pictures[0]}"))


def dossier(
    what: Annotated[str, typer.Argument(metavar="LOT|PIECE", help="What it is about.", show_default=False)],
    to: Annotated[
        Path, typer.Option("--to", metavar="PATH", help="A file ending in .html or .pdf, or a folder for both.")
    ] = Path("dossier"),
    workspace: WorkspaceOption = None,
    as_json: JsonOption = False,
) -> None:
    """Write the proof of one lot or piece: pictures, claim beside reading, the sum of evidence, tests, hashes.

    The HTML is one file that opens offline and prints well; the PDF says the same.
    """
    from tracker.desk.dossier import write_dossier
    from tracker.desk.workspace import Workspace

    with Workspace.open(workspace) as opened:
        written = write_dossier(opened, what, to)
    if as_json:
        files = [str(path) for path in written.files]
        printing.print_json({"schema": "lotproof.dossier/1", "subject": written.subject, "files": files})
        return
    for path in written.files:
        print(f"Dossier of {written.subject}: {path}")
