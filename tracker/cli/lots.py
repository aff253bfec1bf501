"""Verbs for an arriving lot: receive, document."""

import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from tracker.cli.options import JsonOption, OperatorOption, WorkspaceOption
from tracker.cli.printing import note, print_json
from tracker.errors import BadRequest

if TYPE_CHECKING:
    from tracker.desk.arrival import Paper
    from tracker.desk.receive import Received

CSV_HELP = """The CSV is UTF-8 with a header. Columns that must be there: seller, part, quantity. Others: source,
condition, order, line, received, arrived, claim_by, maker, grade, price, currency, remark, and the paths of papers:
invoice, certificate, listing (relative to the CSV). Every row is checked before any is recorded: all or none."""
AGAIN_HELP = """An order reference that this seller's lots have already is not logged twice: the answer names the lot
that is here, adds nothing, and the exit code is 0. If it names another part or quantity, it is refused (exit code 2).
"""
BAG_HELP = """A bag is checked whole before anything is recorded. Its lot gets our labels; its files become evidence;
what the other workshop found is shown as its own and counts for nothing in our sums. Seller, source, condition, order,
price, currency, arrived, claim_by and remark may be given beside --bag; else the original seller and source stand."""
# (field, question, what an empty answer means); the questions asked when `receive` is run bare in a terminal.
QUESTIONS = (
    ("seller", "Seller", None),
    ("source", "Source (authorised, broker, marketplace, own-pull, donor, unknown)", "unknown"),
    ("order", "Order reference", ""),
    ("part", "Claimed part", None),
    ("maker", "Claimed maker", ""),
    ("grade", "Claimed grade", ""),
    ("condition", "Claimed condition (new, old-stock, pulled, refurbished, unknown)", "unknown"),
    ("quantity", "Quantity ordered", None),
    ("received", "Quantity received", "as ordered"),
    ("arrived", "Arrived on (YYYY-MM-DD)", "today"),
    ("claim_by", "Claim deadline (YYYY-MM-DD)", ""),
    ("price", "Price of the whole lot", ""),
    ("currency", "Currency", ""),
    ("remark", "Remark", ""),
)
_NOTHING = ("", "as ordered", "today")


def register(app: typer.Typer) -> None:
    """Add this module's verbs to the command line."""
    app.command("receive", epilog=" ".join(f"{CSV_HELP} {AGAIN_HELP} {BAG_HELP}".split()))(_receive)
    app.command("document")(_document)


def _text(flag: str, help: str, metavar: str = "TEXT") -> Any:
    return typer.Option(flag, help=help, metavar=metavar, show_default=False)


def _receive(
    seller: Annotated[str | None, _text("--seller", "Who sold it.")] = None,
    source: Annotated[
        str | None,
        _text("--source", "Kind of seller: authorised, broker, marketplace, own-pull, donor, unknown.", "KIND"),
    ] = None,
    order: Annotated[str | None, _text("--order", "The order reference.")] = None,
    line: Annotated[
        str | None, _text("--line", "Line of the order, when it has several parts (first: 1).", "N")
    ] = None,
    part: Annotated[str | None, _text("--part", "The claimed part number.")] = None,
    maker: Annotated[str | None, _text("--maker", "The claimed maker.")] = None,
    grade: Annotated[str | None, _text("--grade", "The claimed grade, such as a speed.")] = None,
    condition: Annotated[
        str | None, _text("--condition", "Claimed: new, old-stock, pulled, refurbished, unknown.", "KIND")
    ] = None,
    quantity: Annotated[str | None, _text("--quantity", "How many were ordered.", "N")] = None,
    received: Annotated[str | None, _text("--received", "How many came (default: as ordered).", "N")] = None,
    arrived: Annotated[str | None, _text("--arrived", "Day of arrival (default: today).", "YYYY-MM-DD")] = None,
    claim_by: Annotated[str | None, _text("--claim-by", "Last day of the claim window.", "YYYY-MM-DD")] = None,
    price: Annotated[str | None, _text("--price", "Price of the whole lot.", "AMOUNT")] = None,
    currency: Annotated[str | None, _text("--currency", "Three letters, such as EUR.", "CODE")] = None,
    remark: Annotated[str | None, _text("--remark", "Anything else.")] = None,
    document: Annotated[
        list[str] | None,
        typer.Option(
            "--document",
            metavar="KIND=PATH",
            help="A paper to keep: invoice, certificate, listing, packing-list, letter or other. May be repeated.",
            show_default=False,
        ),
    ] = None,
    delivery: Annotated[
        Path | None, typer.Option("--from", metavar="CSV", help="A whole delivery from a CSV file.", show_default=False)
    ] = None,
    bag: Annotated[
        Path | None,
        typer.Option(
            "--bag",
            metavar="PATH",
            help="Another workshop's lot with its evidence: a bag of `lotproof export bag`, folder or ZIP.",
            show_default=False,
        ),
    ] = None,
    again: Annotated[bool, typer.Option("--again", help="Take a bag in once more, as another lot.")] = False,
    workspace: WorkspaceOption = None,
    operator: OperatorOption = None,
    as_json: JsonOption = False,
) -> None:
    """Log an arriving lot and give it and its pieces their labels.

    Run bare in a terminal, it asks for everything.
    """
    texts = {
        "seller": seller,
        "source": source,
        "order": order,
        "line": line,
        "part": part,
        "maker": maker,
        "grade": grade,
        "condition": condition,
        "quantity": quantity,
        "received": received,
        "arrived": arrived,
        "claim_by": claim_by,
        "price": price,
        "currency": currency,
        "remark": remark,
    }
    given = {name: text for name, text in texts.items() if text is not None}
    papers = document or []
    if bag is not None:
        if delivery is not None or papers:
            other = "--from" if delivery is not None else "--document"
            raise BadRequest(f"--bag and {other} do not go together.", "Add papers afterwards: `lotproof document`.")
        from tracker.cli.bag_received import receive_bag

        receive_bag(workspace, bag, given, again=again, operator=operator, as_json=as_json)
        return
    if again:
        raise BadRequest("--again goes with --bag.", "Leave it out.")
    if delivery is not None:
        _refuse_both(given, papers)
        _receive_delivery(workspace, delivery, operator, as_json)
        return
    if not given and not papers and not as_json and sys.stdin.isatty():
        given, papers = _ask()
    _receive_one(workspace, given, papers, operator, as_json)


def _refuse_both(given: dict[str, str], papers: list[str]) -> None:
    if given or papers:
        flag = f"--{next(iter(given)).replace('_', '-')}" if given else "--document"
        raise BadRequest(f"--from and {flag} do not go together.", "Put everything into the CSV.")


def _receive_one(
    workspace: Path | None, given: dict[str, str], papers: list[str], operator: str | None, as_json: bool
) -> None:
    from dataclasses import asdict
    from datetime import date

    from tracker.desk.arrival import check_arrival, paper
    from tracker.desk.documents.said import received_document
    from tracker.desk.receive import receive
    from tracker.desk.workspace import Workspace

    missing = [f"--{name}" for name in ("seller", "part", "quantity") if not given.get(name, "").strip()]
    if missing:
        raise BadRequest(f"Missing: {', '.join(missing)}.", "Run `lotproof receive` in a terminal to be asked for all.")
    arrival = check_arrival(given, [paper(text) for text in papers], today=date.today())
    with Workspace.open(workspace, create=True) as opened:
        answer = receive(opened, [arrival], operator=operator)[0]
    if as_json:
        print_json(asdict(received_document(answer)))
    _say(answer, quiet=as_json)


def _receive_delivery(workspace: Path | None, delivery: Path, operator: str | None, as_json: bool) -> None:
    from dataclasses import asdict
    from datetime import date

    from tracker.desk.delivery_csv import read_delivery
    from tracker.desk.documents.said import delivery_document
    from tracker.desk.receive import receive
    from tracker.desk.workspace import Workspace

    arrivals = read_delivery(delivery, today=date.today())
    with Workspace.open(workspace, create=True) as opened:
        answers = receive(opened, arrivals, operator=operator)
    if as_json:
        print_json(asdict(delivery_document(answers)))
    for answer in answers:
        _say(answer, quiet=as_json)


def _say(answer: "Received", *, quiet: bool) -> None:
    """Print what was logged; `quiet` leaves only the notes, which go to standard error."""
    if not quiet:
        for text in _lines(answer):
            print(text)
    for text in answer.notes:
        note(f"Note on {answer.lot}: {text}")


def _lines(answer: "Received") -> list[str]:
    many = "1 piece" if len(answer.pieces) == 1 else f"{len(answer.pieces)} pieces"
    span = answer.pieces[0] if len(answer.pieces) == 1 else f"{answer.pieces[0]} to {answer.pieces[-1]}"
    if answer.already:
        return [
            f"Order {answer.order} from {answer.seller} is here already as {answer.lot}: {many} of {answer.part}, "
            f"{span}, arrived {answer.arrived}. Nothing was added."
        ]
    claim = f", claim by {answer.claim_by}" if answer.claim_by else ""
    order = f", order {answer.order}" if answer.order else ""
    papers = [f"       kept {paper.kind}: {paper.name}" for paper in answer.documents]
    return [
        f"{answer.lot}  {many} of {answer.part}: {span}",
        f"       from {answer.seller} ({answer.source}){order}, arrived {answer.arrived}{claim}",
        *papers,
    ]


def _ask() -> tuple[dict[str, str], list[str]]:
    """Ask for every field, again until the answer will do; then for papers, and whether to log it."""
    from datetime import date

    from tracker.desk.arrival import check_field, paper

    print("Logging an arriving lot. Enter takes what stands in brackets; Ctrl-C leaves without logging anything.")
    given: dict[str, str] = {}
    for name, question, default in QUESTIONS:
        if name == "currency" and "price" not in given:
            continue
        needed = default is None or name == "currency"

        def check(text: str, name: str = name) -> object:
            return check_field(name, text, today=date.today())

        text = _answer(question, default, check, needed=needed)
        if text not in _NOTHING:
            given[name] = text
    papers: list[str] = []
    while text := _answer("A paper to keep (KIND=PATH)", "", paper, needed=False):
        papers.append(text)
    if not typer.confirm(f"Log {given['quantity']} of {given['part']} from {given['seller']}?", default=True):
        raise BadRequest("Nothing was logged.", "")
    return given, papers


def _answer(question: str, default: str | None, check: Callable[[str], object], *, needed: bool) -> str:
    while True:
        text = str(typer.prompt(question, default="" if default is None else default, show_default=bool(default)))
        text = text.strip()
        if text in _NOTHING and not needed:
            return text
        try:
            check(text)
        except BadRequest as error:
            note(str(error))
        else:
            return text


def _document(
    lot: Annotated[str, typer.Argument(metavar="LOT", help="The lot's label.")],
    papers: Annotated[
        list[str],
        typer.Argument(
            metavar="KIND=PATH...", help="Papers: invoice, certificate, listing, packing-list, letter or other."
        ),
    ],
    workspace: WorkspaceOption = None,
    operator: OperatorOption = None,
    as_json: JsonOption = False,
) -> None:
    """Keep a paper of a lot that is here already."""
    from dataclasses import asdict

    from tracker.desk.arrival import paper
    from tracker.desk.documents.said import papers_document
    from tracker.desk.receive import add_documents
    from tracker.desk.workspace import Workspace

    wanted: list[Paper] = [paper(text) for text in papers]
    with Workspace.open(workspace) as opened:
        answer = add_documents(opened, lot, wanted, operator=operator)
    if as_json:
        print_json(asdict(papers_document(answer)))
        return
    for one in answer.documents[-len(wanted) :]:
        print(f"{answer.lot}  kept {one.kind}: {one.name}")
