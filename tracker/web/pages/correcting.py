"""A person says what the marking of a piece reads, on the piece's page."""

import re

from fastapi import APIRouter
from starlette.requests import Request
from starlette.responses import Response

from tracker.desk.correct import Corrected, correct
from tracker.desk.since import SaidSince
from tracker.errors import BadRequest
from tracker.judgement.suspicion import percent
from tracker.web import needs, once, render, typed
from tracker.web.needs import Written
from tracker.web.page_words import paged, paged_error
from tracker.web.pages.pieces import page_of

router = APIRouter(include_in_schema=False)
FIELDS = ("lines", "remark")


@router.get("/pieces/{piece}/correct")
def ask(request: Request, workspace: needs.Opened, piece: str, photo: str | None = None) -> Response:
    """Ask what the marking reads: the piece's page, with that form open."""
    return page_of(request, workspace, piece, photo, typed={})


@router.post("/pieces/{piece}/correct", dependencies=[Written])
def corrected(
    request: Request,
    workspace: needs.Opened,
    operator: needs.Operator,
    day: needs.Today,
    piece: str,
    form: typed.Form,
) -> Response:
    """Record what the marking reads, or give it back to the readers."""

    def do() -> str:
        answer = correct(
            workspace,
            piece,
            () if form.ticked("as_read") else _lines(form.text("lines")),
            photo=form.given("photo"),
            remark=form.given("remark"),
            seen=form.seen,
            operator=operator,
            today=day,
        )
        _say(request, answer)
        # A browser would keep the form's own fragment: what was said stands at the top.
        return f"/pieces/{answer.piece}#main"

    def refused(error: BadRequest) -> Response:
        status = 409 if isinstance(error, SaidSince) else 422
        said = error if isinstance(error, SaidSince) else paged_error(error)
        values = {name: form.text(name) for name in FIELDS}
        return page_of(request, workspace, piece, form.given("role"), status, typed=values, error=said)

    return once.carried_out(request, form, do, refused)


def _lines(text: str) -> list[str]:
    """Return the lines that were typed, empty ones left out."""
    lines = [line for line in re.split(r"\r\n|\r|\n", text) if line.strip()]
    if not lines:
        raise BadRequest("It is not said what the marking reads.", "Type its lines, one below the other.")
    return lines


def _say(request: Request, answer: Corrected) -> None:
    marking = " / ".join(answer.now.lines) or "nothing"
    whose = "corrected by hand" if answer.by_hand else "as the readers read it"
    moved = ""
    if percent(answer.before.suspicion) != percent(answer.now.suspicion):
        moved = f" Suspicion: {percent(answer.now.suspicion)}, before {percent(answer.before.suspicion)}."
    render.say(request, f"{answer.piece} reads {marking}, {whose}.{moved}")
    if answer.notes:
        render.say(request, paged(" ".join(answer.notes)))
