"""Verbs about machines and the pieces in them: machine, fit, unfit, recall."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from tracker.cli.options import JsonOption, OperatorOption, WorkspaceOption
from tracker.cli.printing import console, note, print_json, table
from tracker.errors import BadRequest

if TYPE_CHECKING:
    from datetime import date

    from tracker.desk.fitting import Fitted
    from tracker.desk.recall import Recall, Stay

PieceArgument = Annotated[str, typer.Argument(metavar="PIECE", help="The piece's label, such as L0007-03.")]


def register(app: typer.Typer) -> None:
    """Add this module's verbs to the command line."""
    app.command("machine")(_machine)
    app.command("fit")(_fit)
    app.command("unfit")(_unfit)
    app.command("recall")(_recall)


def _machine(
    name: Annotated[str, typer.Argument(metavar="NAME", help="What it is called, such as 'Kestrel 2 sampler, loan'.")],
    owner: Annotated[
        str | None, typer.Option("--owner", metavar="TEXT", help="The owner's reference.", show_default=False)
    ] = None,
    workspace: WorkspaceOption = None,
    operator: OperatorOption = None,
    as_json: JsonOption = False,
) -> None:
    """Add a machine to the records, so that it can be measured before anything is changed in it."""
    from dataclasses import asdict

    from tracker.desk.documents.said import machine_added_document
    from tracker.desk.fitting import add_machine
    from tracker.desk.workspace import Workspace

    with Workspace.open(workspace, create=True) as opened:
        added = add_machine(opened, name, owner=owner, operator=operator)
    for text in added.notes:
        note(text)
    if as_json:
        print_json(asdict(machine_added_document(added)))
    else:
        print(f"{added.machine}: {added.name}")


def _fit(
    piece: PieceArgument,
    into: Annotated[
        str, typer.Option("--into", metavar="MACHINE", help="The machine's label (M0002) or name; a new name adds it.")
    ],
    at: Annotated[str, typer.Option("--at", metavar="POSITION", help="Where in the machine, such as U12.")],
    owner: Annotated[
        str | None,
        typer.Option("--owner", metavar="TEXT", help="The owner's reference of a new machine.", show_default=False),
    ] = None,
    anyway: Annotated[
        bool, typer.Option("--anyway", help="Fit a quarantined, rejected or returned piece; needs --reason.")
    ] = False,
    move: Annotated[bool, typer.Option("--move", help="Out of where it sits now and into here, at once.")] = False,
    reason: Annotated[
        str | None, typer.Option("--reason", metavar="TEXT", help="Why it is fitted.", show_default=False)
    ] = None,
    workspace: WorkspaceOption = None,
    operator: OperatorOption = None,
    as_json: JsonOption = False,
) -> None:
    """Record that a piece was put into a machine.

    Before opening a machine take it off the mains and let it discharge, and keep static away from the piece; local
    rules and licensed practice have the last word.
    """
    from tracker.desk.fitting import fit
    from tracker.desk.workspace import Workspace

    with Workspace.open(workspace) as opened:
        answer = fit(opened, piece, into, at, owner=owner, anyway=anyway, move=move, reason=reason, operator=operator)
    _say(answer, as_json)


def _unfit(
    piece: PieceArgument,
    reason: Annotated[
        str | None, typer.Option("--reason", metavar="TEXT", help="Why it came out.", show_default=False)
    ] = None,
    workspace: WorkspaceOption = None,
    operator: OperatorOption = None,
    as_json: JsonOption = False,
) -> None:
    """Record that a piece was taken out of its machine.

    Before opening a machine take it off the mains and let it discharge, and keep static away from the piece; local
    rules and licensed practice have the last word.
    """
    from tracker.desk.fitting import unfit
    from tracker.desk.workspace import Workspace

    with Workspace.open(workspace) as opened:
        answer = unfit(opened, piece, reason=reason, operator=operator)
    _say(answer, as_json)


def _say(answer: "Fitted", as_json: bool) -> None:
    from dataclasses import asdict

    from tracker.desk.documents.said import fitting_document

    if as_json:
        print_json(asdict(fitting_document(answer)))
    else:
        new = "new machine " if answer.new_machine else ""
        done = "fitted into" if answer.fitted else "taken out of"
        moved = f", moved from {answer.came_from}" if answer.came_from else ""
        print(f"{answer.piece}  {done} {new}{answer.machine} ({answer.machine_name}) at {answer.position}{moved}")
    for text in answer.notes:
        note(f"Note: {text}")


def _recall(
    lot: Annotated[str | None, typer.Option("--lot", metavar="LOT", help="Pieces of this lot.")] = None,
    seller: Annotated[str | None, typer.Option("--seller", metavar="NAME", help="Pieces from this seller.")] = None,
    date_code: Annotated[
        str | None,
        typer.Option("--date-code", metavar="CODE", help="As printed (8823), or as a week (1988-W23) or year (1988)."),
    ] = None,
    marking: Annotated[
        str | None, typer.Option("--marking", metavar="TEXT", help="Pieces whose marking as read holds this text.")
    ] = None,
    since: Annotated[
        str | None, typer.Option("--since", metavar="YYYY-MM-DD", help="Of lots that arrived on this day or later.")
    ] = None,
    until: Annotated[
        str | None, typer.Option("--until", metavar="YYYY-MM-DD", help="Of lots that arrived on this day or earlier.")
    ] = None,
    notice: Annotated[
        Path | None,
        typer.Option("--notice", metavar="FILE", help="Write a sheet to notify and to work by, in .pdf or .txt."),
    ] = None,
    because: Annotated[
        str | None, typer.Option("--because", metavar="TEXT", help="What is the matter; stands on the notice.")
    ] = None,
    workspace: WorkspaceOption = None,
    as_json: JsonOption = False,
) -> None:
    """List every machine and position that holds or held a piece of the given lot, seller, date code and so on.

    A piece must match everything that is given.
    """
    from dataclasses import asdict
    from datetime import date

    from tracker.desk.documents.answers import recall_document
    from tracker.desk.notice import write_notice
    from tracker.desk.recall import Wanted, recall
    from tracker.desk.workspace import Workspace

    wanted = Wanted(lot, seller, date_code, marking, _day(since, "--since"), _day(until, "--until"))
    with Workspace.open(workspace) as opened:
        answer = recall(opened, wanted)
    if because is not None and notice is None:
        raise BadRequest("--because goes with --notice.", "It says on the notice what is the matter.")
    written = None if notice is None else write_notice(answer, wanted, because, notice, today=date.today())
    if as_json:
        document = asdict(recall_document(answer))
        print_json(document if written is None else {**document, "notice": str(written.file)})
        return
    _show_recall(answer)
    if written is not None:
        machines = "1 machine" if written.machines == 1 else f"{written.machines} machines"
        print(f"Notice about {machines}: {written.file}")


def _day(text: str | None, name: str) -> "date | None":
    from tracker.desk.fields import day

    return None if text is None else day(text, f"day given with {name}")


def _show_recall(answer: "Recall") -> None:
    if not answer.pieces:
        print("No piece on record matches.")
        return
    now = [stay for stay in answer.stays if stay.out is None]
    once = [stay for stay in answer.stays if stay.out is not None]
    _show_stays("In a machine now:", now)
    _show_stays("Was in a machine:", once)
    if answer.loose:
        print("In no machine now:")
        console().print(table(("piece", "disposition"), [(one.piece, one.disposition) for one in answer.loose]))
    machines = len({stay.machine for stay in now})
    many = "1 piece matches" if answer.pieces == 1 else f"{answer.pieces} pieces match"
    where = (
        f"{len(now)} in {'1 machine' if machines == 1 else f'{machines} machines'} now"
        if now
        else "none in a machine now"
    )
    print(f"{many}; {where}.")


def _show_stays(title: str, stays: "list[Stay]") -> None:
    if not stays:
        return
    print(title)
    columns = ("machine", "name", "owner", "position", "piece", "disposition", "fitted", "out")
    rows = [
        (
            stay.machine,
            stay.machine_name,
            stay.owner_reference or "",
            stay.position,
            stay.piece,
            stay.disposition,
            stay.fitted[:10],
            (stay.out or "")[:10],
        )
        for stay in stays
    ]
    # A column in which nobody has anything only takes room.
    kept = [number for number in range(len(columns)) if any(row[number] for row in rows)]
    console().print(table([columns[number] for number in kept], [[row[number] for number in kept] for row in rows]))
