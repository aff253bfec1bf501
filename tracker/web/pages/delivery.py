"""A whole delivery from a CSV file: looked over row by row before anything is logged, then all or none."""

from datetime import date

from fastapi import APIRouter
from starlette.requests import Request
from starlette.responses import Response

from tracker.desk.delivery_csv import COLUMNS, PAPER_COLUMNS, CheckedDelivery, check_delivery
from tracker.desk.pieces import plain_label
from tracker.desk.receive import Received, logged_lots, receive
from tracker.errors import BadRequest
from tracker.judgement.suspicion import counted
from tracker.web import needs, once, render, typed
from tracker.web.held import Held, held_of
from tracker.web.needs import Refused, Written

router = APIRouter(include_in_schema=False)
TABLE, PAPER = "table", "paper"
MOST_LOGGED = 500
GONE = Refused(
    404, "This table is no longer held here.", "Nothing was logged from it. Choose the file again: Receive, a delivery."
)


@router.get("/receive/delivery")
def ask(request: Request) -> Response:
    """Ask for a delivery's file."""
    return _form(request)


def _form(request: Request, error: BadRequest | None = None) -> Response:
    status = 200 if error is None else 422
    return render.page(request, "delivery", status, error=error, columns=COLUMNS, paper_columns=PAPER_COLUMNS)


@router.post("/receive/delivery", dependencies=[Written])
def look(request: Request, form: typed.Form, day: needs.Today) -> Response:
    """Take a delivery's file in to be looked over."""
    table = form.files(TABLE)
    if not table:
        return _form(request, BadRequest("No file was chosen.", "Choose a CSV file with a row for each lot."))
    held = held_of(request)
    word = held.put([(TABLE, *table[0]), *((PAPER, *one) for one in form.files("papers"))])
    try:
        _checked(held, word, day)
    except BadRequest as error:
        held.drop(word)
        return _form(request, error)
    return render.go(f"/receive/delivery/{word}")


@router.get("/receive/delivery/{word}")
def preview(request: Request, word: str, day: needs.Today) -> Response:
    """Show every row and what is wrong in it."""
    return _preview(request, word, _checked(held_of(request), word, day))


def _preview(request: Request, word: str, checked: CheckedDelivery, error: BadRequest | None = None) -> Response:
    wrong = sum(1 for row in checked.rows if row.problems)
    papers = [one.name for one in held_of(request).get(word) if one.kind == PAPER]
    status = 200 if error is None else 422
    return render.page(
        request, "delivery_preview", status, error=error, word=word, checked=checked, wrong=wrong, papers=papers
    )


@router.post("/receive/delivery/{word}", dependencies=[Written])
def log(request: Request, word: str, workspace: needs.Opened, operator: needs.Operator, day: needs.Today) -> Response:
    """Log the delivery, all of it or nothing."""
    held = held_of(request)
    # The word of the held files is the form's own word, too: what was logged is held no longer.
    with request.app.state.once.of(word) as done:
        if done.place is not None:
            return once.repeated(request, done.place)
        checked = _checked(held, word, day)
        if checked.faults:
            return _preview(request, word, checked, _faulty(checked))
        try:
            answers = receive(workspace, checked.arrivals, operator=operator)
        except BadRequest as error:
            return _preview(request, word, checked, error)
        held.drop(word)
        render.say(request, _said(answers))
        labels = [answer.lot for answer in answers[:MOST_LOGGED]]
        done.place = f"/receive/logged?lots={','.join(dict.fromkeys(labels))}"
    return render.go(done.place)


def _faulty(checked: CheckedDelivery) -> BadRequest:
    faults = counted(len(checked.faults), "fault")
    return BadRequest(f"{checked.name} has {faults}.", "Nothing was logged. Correct the file and choose it again.")


def _checked(held: Held, word: str, day: date) -> CheckedDelivery:
    files = held.get(word)
    table = next((one for one in files if one.kind == TABLE), None)
    if table is None:
        raise GONE
    papers = {one.name: one.path for one in files if one.kind == PAPER}
    return check_delivery(table.path, today=day, name=table.name, papers=papers)


def _said(answers: tuple[Received, ...]) -> str:
    new = [one for one in answers if not one.already]
    here = [one.lot for one in answers if one.already]
    logged = f"{counted(len(new), 'lot')} logged" if new else "Nothing was added"
    if not here:
        return f"{logged}."
    shown = ", ".join(here[:12]) + (f" and {len(here) - 12} more" if len(here) > 12 else "")
    return f"{logged}. {'Was' if len(here) == 1 else 'Were'} here already: {shown}."


@router.get("/receive/logged")
def logged(request: Request, workspace: needs.Opened, lots: str = "") -> Response:
    """Show lots that were logged together, with what to do next."""
    wanted = {plain_label(one) for one in lots.split(",")[:MOST_LOGGED]}
    rows = logged_lots(workspace, wanted)
    return render.page(request, "logged", lots=rows)
