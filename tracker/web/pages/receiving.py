"""A lot arrives: typed into a form, or as another workshop's bag."""

import zipfile
from collections.abc import Mapping
from datetime import date

from fastapi import APIRouter
from starlette.requests import Request
from starlette.responses import Response

from tracker.desk.arrival import CONDITIONS, DOCUMENT_KINDS, FIELDS, SOURCE_KINDS, FieldProblems, Paper, check_arrival
from tracker.desk.bag_read import opened
from tracker.desk.known_names import known_names
from tracker.desk.receive import Received, receive
from tracker.desk.receive_bag import MAY_BE_GIVEN, BagReceived, arrival_of, receive_bag
from tracker.errors import BadRequest, Damaged, LotproofError
from tracker.judgement.suspicion import counted
from tracker.web import needs, once, render, typed
from tracker.web.held import Held, held_of
from tracker.web.needs import Written

router = APIRouter(include_in_schema=False)


@router.get("/receive")
def ask(request: Request, workspace: needs.Opened, day: needs.Today) -> Response:
    """Ask for an arriving lot."""
    return _form(request, workspace, day, {"arrived": day.isoformat()})


def _form(
    request: Request,
    workspace: needs.Opened,
    day: date,
    values: Mapping[str, str],
    *,
    status: int = 200,
    error: BadRequest | None = None,
    held: str = "",
) -> Response:
    problems = typed.Values()
    if isinstance(error, FieldProblems):
        for name, problem in error.problems:
            problems.setdefault(name, str(problem))
    return render.page(
        request,
        "receive",
        status,
        error=error,
        problems=problems,
        values=typed.Values(values),
        names=known_names(workspace),
        sources=SOURCE_KINDS,
        conditions=CONDITIONS,
        kinds=DOCUMENT_KINDS,
        held=held,
        holding=held_of(request).get(held),
        once=once.new(),
        day=day,
    )


@router.post("/receive", dependencies=[Written])
def log(
    request: Request, workspace: needs.Opened, operator: needs.Operator, day: needs.Today, form: typed.Form
) -> Response:
    """Log a lot."""
    held = held_of(request)
    values = {name: form.text(name) for name in FIELDS if form.text(name)}
    with request.app.state.once.of(form.once, form.content) as done:
        if done.place is not None:
            return once.repeated(request, done.place)
        sent = [(kind, *one) for kind in DOCUMENT_KINDS for one in form.files(f"document-{kind}")]
        word = held.put(sent, form.text("held"))
        papers = [Paper(one.kind, one.path, one.name) for one in held.get(word)]
        try:
            answer = receive(workspace, [check_arrival(values, papers, today=day)], operator=operator)[0]
        except BadRequest as error:
            return _form(request, workspace, day, values, status=422, error=error, held=word)
        held.drop(word)
        render.say(request, said(answer))
        for text in answer.notes:
            render.say(request, text)
        done.place = f"/lots/{answer.lot}"
    return render.go(done.place)


def said(answer: Received) -> str:
    """Return what is said of a lot that was received, and what comes next."""
    pieces = counted(len(answer.pieces), "piece")
    if answer.already:
        return (
            f"Order {answer.order} from {answer.seller} is here already as {answer.lot}: {pieces} of {answer.part}, "
            f"arrived {answer.arrived}. Nothing was added."
        )
    return (
        f"{answer.lot} is logged: {pieces} of {answer.part}. Next: print its card or labels, and photograph the pieces "
        "on it."
    )


@router.get("/receive/bag")
def ask_bag(request: Request) -> Response:
    """Ask for another workshop's bag."""
    return _bag_form(request, {})


def _bag_form(
    request: Request,
    values: Mapping[str, str],
    *,
    status: int = 200,
    error: LotproofError | None = None,
    held: str = "",
) -> Response:
    return render.page(
        request,
        "receive_bag",
        status,
        error=error,
        values=typed.Values(values),
        sources=SOURCE_KINDS,
        conditions=CONDITIONS,
        held=held,
        holding=held_of(request).get(held),
        once=once.new(),
    )


@router.post("/receive/bag", dependencies=[Written])
def take_bag(
    request: Request, workspace: needs.Opened, operator: needs.Operator, day: needs.Today, form: typed.Form
) -> Response:
    """Check a bag whole, and take its lot in."""
    held = held_of(request)
    values = {name: form.text(name) for name in MAY_BE_GIVEN if form.text(name)}
    with request.app.state.once.of(form.once, form.content) as done:
        if done.place is not None:
            return once.repeated(request, done.place)
        word = _bag_word(held, form)
        try:
            files = held.get(word)
            if not files:
                raise BadRequest("No bag was chosen.", "Choose the ZIP file that the other workshop sent.")
            workspace.refuse_if_moved()  # before the bag is checked
            with opened(files[-1].path) as foreign:
                arrival = arrival_of(foreign, values, today=day)
                again = form.ticked("again")
                answer = receive_bag(workspace, foreign, arrival, again=again, operator=operator)
        except (BadRequest, Damaged) as error:
            named = _named(error, held, word)
            if not any(zipfile.is_zipfile(one.path) for one in held.get(word)):
                held.drop(word)  # Plainly the wrong file: it is chosen anew.
            return _bag_form(request, values, status=422, error=named, held=word)
        held.drop(word)
        render.say(request, _bag_said(answer))
        for text in answer.notes:
            render.say(request, text)
        done.place = f"/lots/{answer.received.lot}"
    return render.go(done.place)


def _bag_word(held: Held, form: typed.Typed) -> str:
    """Hold the bag that was chosen; one chosen anew takes the place of the one before."""
    earlier = form.text("held")
    sent = [("bag", *one) for one in form.files("bag")]
    if not sent:
        return earlier
    held.drop(earlier)
    return held.put(sent)


def _named(error: BadRequest | Damaged, held: Held, word: str) -> LotproofError:
    """Return an error that names the bag as the sender does, not the file it is held in."""
    for one in held.get(word):
        what = error.what.replace(str(one.path), f"'{one.name}'")
        return type(error)(what, error.advice.replace("--again", "the tick below"))
    return error


def _bag_said(answer: BagReceived) -> str:
    lot, origin = answer.received, answer.origin
    return (
        f"{lot.lot} is taken in: {counted(len(lot.pieces), 'piece')} of {lot.part} from {origin.workshop}, their "
        f"{origin.their_lot}, with {counted(answer.files, 'file')}, all as the bag says. What they found is shown as "
        "theirs and counts for nothing: photograph the pieces yourself."
    )
