"""The verb that corrects a reading: correct."""

from typing import TYPE_CHECKING, Annotated

import typer

from tracker.cli.options import JsonOption, OperatorOption, WorkspaceOption
from tracker.cli.printing import note, print_json
from tracker.errors import BadRequest

if TYPE_CHECKING:
    from tracker.desk.correct import Corrected, MarkingNow


def register(app: typer.Typer) -> None:
    """Add this module's verb to the command line."""
    app.command("correct")(_correct)


def _correct(
    piece: Annotated[str, typer.Argument(metavar="PIECE", help="The piece's label, such as L0007-03.")],
    reads: Annotated[
        list[str] | None,
        typer.Option(
            "--reads", metavar="LINE", help="One line of the marking; once for each, top to bottom.", show_default=False
        ),
    ] = None,
    as_read: Annotated[
        bool, typer.Option("--as-read", help="Take a correction back: the marking is what the readers read.")
    ] = False,
    photo: Annotated[
        str | None,
        typer.Option(
            "--photo",
            metavar="NAME",
            help="The photo of its top that was misread (default: the newest).",
            show_default=False,
        ),
    ] = None,
    remark: Annotated[
        str | None,
        typer.Option(
            "--remark", metavar="TEXT", help="On what it rests; it goes into the dossier.", show_default=False
        ),
    ] = None,
    workspace: WorkspaceOption = None,
    operator: OperatorOption = None,
    as_json: JsonOption = False,
) -> None:
    """Say what a marking reads where the readers misread it: part number, date code and findings are judged anew.

    Nothing is lost: what the readers read stays on record and is shown beside. Looks and lettering stay as measured.
    """
    from dataclasses import asdict

    from tracker.desk.correct import correct
    from tracker.desk.documents.said import correction_document
    from tracker.desk.workspace import Workspace

    if as_read and reads:
        raise BadRequest("--as-read and --reads contradict each other.", "Give one of them.")
    if not as_read and not reads:
        raise BadRequest(
            "It is not said what the marking reads.",
            f"Write it like: lotproof correct {piece} --reads 'CV6522AP' --reads '8914'",
        )
    with Workspace.open(workspace) as opened:
        answer = correct(opened, piece, reads or (), photo=photo, remark=remark, operator=operator)
    if as_json:
        print_json(asdict(correction_document(answer)))
    else:
        _say(answer)
    for text in answer.notes:
        note(f"Note: {text}")


def _say(answer: "Corrected") -> None:
    from tracker.judgement.suspicion import percent

    print(f"{answer.piece}  {'corrected by hand' if answer.by_hand else 'as read'} in {answer.photo}")
    before, now = answer.before, answer.now
    rows = [
        ("marking", " / ".join(before.lines), " / ".join(now.lines)),
        ("part", before.part or "none", now.part or "none"),
        ("date code", before.date_code or "none", now.date_code or "none"),
        ("findings", _codes(before), _codes(now)),
        ("suspicion", percent(before.suspicion), percent(now.suspicion)),
    ]
    for name, was, is_now in rows:
        print(f"  {name:<10} {is_now if was == is_now else f'{is_now} (was {was})'}")
    if answer.by_hand:
        print(f"  {'readers':<10} {' / '.join(answer.as_read) or 'nothing'}")
    if answer.supersedes:
        print(f"  supersedes {answer.supersedes}")


def _codes(one: "MarkingNow") -> str:
    return ", ".join(one.findings) or "none"
