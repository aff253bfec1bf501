"""Verbs that say something of a piece: decide, settle, exemplar."""

from typing import TYPE_CHECKING, Annotated

import typer

from tracker.cli.options import JsonOption, OperatorOption, WorkspaceOption
from tracker.cli.printing import note, print_json
from tracker.errors import BadRequest

if TYPE_CHECKING:
    from tracker.desk.decide import Declared
    from tracker.desk.documents.base import Document

PieceArgument = Annotated[str, typer.Argument(metavar="PIECE", help="The piece's label, such as L0007-03.")]
GroundsOption = Annotated[str, typer.Option("--grounds", help="On what it rests.", metavar="TEXT")]
WithdrawOption = Annotated[bool, typer.Option("--withdraw", help="Take back what was said before; both stay visible.")]


def register(app: typer.Typer) -> None:
    """Add this module's verbs to the command line."""
    app.command("decide")(_decide)
    app.command("settle")(_settle)
    app.command("exemplar")(_exemplar)


def _decide(
    words: Annotated[
        list[str],
        typer.Argument(
            metavar="PIECE... DECISION",
            help="Pieces (L0007-03), runs of pieces (L0007-01..05) or whole lots (L0007); then accept, quarantine, "
            "reject or return.",
        ),
    ],
    reason: Annotated[str, typer.Option("--reason", help="Why; it goes into the dossier.", metavar="TEXT")],
    carrier: Annotated[
        str | None,
        typer.Option("--carrier", metavar="NAME", help="Of a return: who carries it back.", show_default=False),
    ] = None,
    tracking: Annotated[
        str | None,
        typer.Option(
            "--tracking", metavar="REFERENCE", help="Of a return: the carrier's reference.", show_default=False
        ),
    ] = None,
    sent_on: Annotated[
        str | None,
        typer.Option("--sent-on", metavar="YYYY-MM-DD", help="Of a return: when (default: today).", show_default=False),
    ] = None,
    workspace: WorkspaceOption = None,
    operator: OperatorOption = None,
    as_json: JsonOption = False,
) -> None:
    """Record what is to be done with pieces, and why.

    A later decision supersedes an earlier one; both stay visible.
    """
    from dataclasses import asdict
    from datetime import date

    from tracker.desk.decide import decide, sent
    from tracker.desk.documents.said import decisions_document
    from tracker.desk.workspace import Workspace

    if len(words) < 2:
        raise BadRequest(
            f"'{words[0]}' stands alone; pieces and a decision are needed.",
            "Write it like: lotproof decide L0007-03 accept --reason '...'",
        )
    with Workspace.open(workspace) as opened:
        shipped = sent(words[-1], carrier, tracking, sent_on, today=date.today())
        answers = decide(opened, words[:-1], words[-1], reason, shipped=shipped, operator=operator)
    if as_json:
        print_json(asdict(decisions_document(answers)))
    for answer in answers:
        if not as_json:
            before = "" if answer.before == answer.disposition else f" (was {answer.before})"
            print(f"{answer.piece}  {answer.disposition}{before}")
        for text in answer.notes:
            note(f"Note: {text}")


def _settle(
    piece: PieceArgument,
    truth: Annotated[str, typer.Argument(metavar="genuine|not-genuine", help="What it has turned out to be.")],
    grounds: GroundsOption,
    withdraw: WithdrawOption = False,
    workspace: WorkspaceOption = None,
    operator: OperatorOption = None,
    as_json: JsonOption = False,
) -> None:
    """Record a truth about a piece that was established elsewhere: by its maker, a laboratory, an opened package."""
    from tracker.desk.decide import settle
    from tracker.desk.documents.said import settlement_document
    from tracker.desk.workspace import Workspace

    with Workspace.open(workspace) as opened:
        answer = settle(opened, piece, truth, grounds, withdraw=withdraw, operator=operator)
    _say(settlement_document(answer), "settled as ", answer, as_json)


def _exemplar(
    piece: PieceArgument,
    grounds: GroundsOption,
    withdraw: WithdrawOption = False,
    workspace: WorkspaceOption = None,
    operator: OperatorOption = None,
    as_json: JsonOption = False,
) -> None:
    """Declare a known-good piece with which others are compared."""
    from tracker.desk.decide import declare_exemplar
    from tracker.desk.documents.said import exemplar_document
    from tracker.desk.workspace import Workspace

    with Workspace.open(workspace) as opened:
        answer = declare_exemplar(opened, piece, grounds, withdraw=withdraw, operator=operator)
    _say(exemplar_document(answer), "", answer, as_json)


def _say(document: "Document", verb: str, answer: "Declared", as_json: bool) -> None:
    from dataclasses import asdict

    for text in answer.notes:
        note(f"Note: {text}")
    if as_json:
        print_json(asdict(document))
        return
    print(f"{answer.piece}  {answer.said if answer.said.startswith('no longer') else verb + answer.said}")
    if answer.supersedes:
        print(f"           supersedes: {answer.supersedes}")
