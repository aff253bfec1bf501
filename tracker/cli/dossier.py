"""The verbs that print and hand over: `card` and `dossier`."""

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from tracker.cli import printing
from tracker.cli.options import JsonOption, Paper, WorkspaceOption


class Cells(StrEnum):
    """Kinds of card."""

    AUTO = "auto"
    LARGE = "large"
    SMALL = "small"


def register(app: typer.Typer) -> None:
    """Add this module's verbs to the command line."""
    app.command("card")(card)
    app.command("dossier")(dossier)


def card(
    lot: Annotated[str, typer.Argument(metavar="LOT", help="The lot whose pieces get cells.", show_default=False)],
    to: Annotated[
        Path | None,
        typer.Option(
            "--to",
            metavar="FILE",
            help="A file in .pdf, or a folder (default: LOT-card.pdf here).",
            show_default=False,
        ),
    ] = None,
    paper: Annotated[Paper, typer.Option("--paper", help="The sheet: a4 or letter.")] = Paper.A4,
    cells: Annotated[
        Cells,
        typer.Option(
            "--cells",
            help="Size of the cells: large (12 a page), small (16, for bodies up to DIP-16 or SOIC-28), or auto.",
        ),
    ] = Cells.AUTO,
    workspace: WorkspaceOption = None,
    as_json: JsonOption = False,
) -> None:
    """Write the inspection card of a lot to print: chips photographed on it get labels by cell, and sizes in mm.

    Print it at 100 % on plain paper and check its scale with a ruler: no camera can see a wrong print size.
    """
    from tracker.desk.card import write_card
    from tracker.desk.workspace import Workspace

    with Workspace.open(workspace) as opened:
        kind = None if cells is Cells.AUTO else cells.value
        written = write_card(opened, lot, to, paper=paper.value, kind=kind)
    if as_json:
        document = {
            "schema": "lotproof.card/1",
            "lot": written.lot,
            "file": str(written.file),
            "paper": written.paper,
            "cells": written.kind,
            "pages": [list(pieces) for pieces in written.pages],
        }
        printing.print_json(document)
        return
    pages = "1 page" if len(written.pages) == 1 else f"{len(written.pages)} pages"
    print(f"Card of {written.lot}, {pages} with {written.kind} cells: {written.file}")
    print("Print it at 100 % and check its scale with a ruler.")


def dossier(
    what: Annotated[str, typer.Argument(metavar="LOT|PIECE", help="What it is about.", show_default=False)],
    to: Annotated[
        Path, typer.Option("--to", metavar="PATH", help="A file ending in .html or .pdf, or a folder for both.")
    ] = Path("dossier"),
    without_prices: Annotated[
        bool,
        typer.Option(
            "--without-prices", help="Leave out the price, sums of money in remarks, and the seller's listing pictures."
        ),
    ] = False,
    without_operators: Annotated[
        bool, typer.Option("--without-operators", help="Leave out who did what, also where remarks name them.")
    ] = False,
    without_owners: Annotated[
        bool, typer.Option("--without-owners", help="Leave out what refers to the owners of machines.")
    ] = False,
    workspace: WorkspaceOption = None,
    as_json: JsonOption = False,
) -> None:
    """Write the proof of one lot or piece: pictures, claim beside reading, the sum of evidence, tests, hashes.

    The HTML is one file that opens offline and prints well; the PDF says the same, for archives (PDF/A) and screen
    readers (PDF/UA). What a copy leaves out is said on its first page.
    """
    from tracker.desk.dossier import write_dossier
    from tracker.desk.workspace import Workspace
    from tracker.dossier.redaction import Redaction

    without = Redaction(prices=without_prices, operators=without_operators, owners=without_owners)
    with Workspace.open(workspace) as opened:
        written = write_dossier(opened, what, to, without=without)
    if as_json:
        document = {
            "schema": "lotproof.dossier/1",
            "subject": written.subject,
            "files": [str(path) for path in written.files],
            "left_out": list(written.left_out),
        }
        printing.print_json(document)
        return
    for path in written.files:
        print(f"Dossier of {written.subject}: {path}")
    if written.left_out:
        print(f"Left out of it: {', '.join(written.left_out)}.")
