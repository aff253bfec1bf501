"""Claim windows that close, and the draft of what is said to the seller."""

from pathlib import Path
from typing import Annotated

import typer

from tracker.cli.options import JsonOption, WorkspaceOption
from tracker.cli.printing import console, print_json, table
from tracker.errors import BadRequest


def register(app: typer.Typer) -> None:
    """Add this module's verb to the command line."""
    app.command("due")(_due)


def _due(
    lot: Annotated[
        str | None,
        typer.Argument(metavar="LOT", help="Only this lot; needed with --statement.", show_default=False),
    ] = None,
    within: Annotated[
        int | None,
        typer.Option(
            "--within", metavar="DAYS", min=0, help="Only windows that close within so many days.", show_default=False
        ),
    ] = None,
    limit: Annotated[
        int | None,
        typer.Option(
            "--limit",
            metavar="N",
            min=1,
            help="At most this many: open windows first, then the latest closed.",
            show_default=False,
        ),
    ] = None,
    after: Annotated[
        str | None,
        typer.Option("--after", metavar="LOT", help="Go on after this lot of the list.", show_default=False),
    ] = None,
    statement: Annotated[
        Path | None,
        typer.Option(
            "--statement",
            metavar="FOLDER",
            help="Write the draft of a statement of facts for the seller: text, PDF and pictures.",
            show_default=False,
        ),
    ] = None,
    workspace: WorkspaceOption = None,
    as_json: JsonOption = False,
) -> None:
    """Show the claim windows that are closing, and what a claim still lacks.

    Of very many windows the fifty that are open, or closed last, are shown. With --statement it drafts what to send to
    the seller: what was ordered, what arrived, what was found and measured.
    """
    from dataclasses import asdict
    from datetime import date

    from tracker.desk.documents.answers import due_document
    from tracker.desk.due import MOST_SHOWN, nothing_due, soonest_first
    from tracker.desk.workspace import Workspace

    if statement is not None:
        _state(workspace, lot, statement, as_json)
        return
    with Workspace.open(workspace) as opened:
        most = limit if as_json or limit is not None else MOST_SHOWN
        document = due_document(opened, lot, today=date.today(), within=within, limit=most, after=after)
        nothing = "" if document.found else nothing_due(opened, lot, within=within)
    if as_json:
        print_json(asdict(document))
        return
    found = document.due if limit is not None else soonest_first(document.due)
    if nothing:
        print(nothing)
        return
    rows = [
        (
            one.lot,
            one.seller,
            one.order or "",
            one.part,
            str(one.claim_by),
            _left(one.days_left),
            ", ".join(one.missing),
        )
        for one in found
    ]
    console().print(table(("lot", "seller", "order", "part", "claim by", "left", "still missing"), rows))
    if document.next is not None:
        print(f"{len(found)} of {document.found} claim windows; go on with --after {document.next}")


def _state(workspace: Path | None, lot: str | None, folder: Path, as_json: bool) -> None:
    from dataclasses import asdict
    from datetime import date

    from tracker.desk.claim import write_statement
    from tracker.desk.workspace import Workspace

    if lot is None:
        raise BadRequest("--statement needs a lot.", "Write it like: lotproof due L0007 --statement claim-L0007")
    with Workspace.open(workspace) as opened:
        written = write_statement(opened, lot, folder, today=date.today())
    if as_json:
        files = [str(path) for path in written.files]
        print_json({"schema": "lotproof.statement/1", **asdict(written), "files": files})
        return
    print(f"Draft of a statement about {', '.join(written.pieces)}:")
    for path in written.files:
        print(f"  {path}")
    if written.missing:
        print(f"Still missing for the claim: {', '.join(written.missing)}.")
    print("Read it and change it before you send it.")


def _left(days: int) -> str:
    if days < 0:
        return f"closed {-days} d ago"
    return "today" if days == 0 else f"{days} d"
