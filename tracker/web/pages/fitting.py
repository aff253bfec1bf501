"""A piece goes into a machine, moves, and comes out again."""

from typing import Annotated

from fastapi import APIRouter, Query
from starlette.requests import Request
from starlette.responses import Response

from tracker.desk.fitting import Fitted, fit, unfit
from tracker.errors import BadRequest
from tracker.web import needs, render, typed
from tracker.web.needs import Written
from tracker.web.page_words import paged
from tracker.web.pages.saying import Saying, one, place_of

router = APIRouter(include_in_schema=False)
Pieces = Annotated[list[str] | None, Query()]
FITTING = Saying("fit", ("machine", "new", "owner", "position", "reason", "anyway", "move"), names=True)
TAKING_OUT = Saying("unfit", ("reason",))
CAUTION = (
    "Before opening a machine take it off the mains and let it discharge, and keep static away from the piece. Local "
    "rules and licensed practice have the last word."
)
WHY_OUT = (
    "failed in the machine",
    "to be measured on the bench",
    "replaced by another",
    "recalled",
    "machine given up",
)


@router.get("/fit")
def ask(request: Request, workspace: needs.Opened, piece: Pieces = None, machine: str = "") -> Response:
    """Ask where a piece goes."""
    return FITTING.form(request, workspace, piece or [], {"machine": machine}, caution=CAUTION)


@router.post("/fit", dependencies=[Written])
def fitted(request: Request, workspace: needs.Opened, operator: needs.Operator, form: typed.Form) -> Response:
    """Record that a piece was put into a machine, or moved."""

    def say(words: tuple[str, ...]) -> str:
        chosen, new = form.text("machine"), form.text("new")
        if bool(chosen) == bool(new):
            what = "Two machines are named." if new else "No machine is named."
            raise BadRequest(what, "Choose one from the list, or name a new one.")
        answer = fit(
            workspace,
            one(words),
            chosen or new,
            form.text("position"),
            owner=form.given("owner"),
            anyway=form.ticked("anyway"),
            move=form.ticked("move"),
            reason=form.given("reason"),
            seen=form.seen,
            operator=operator,
        )
        _say(request, answer)
        return place_of([answer.piece])

    return FITTING.say(request, workspace, form, say, caution=CAUTION)


@router.get("/unfit")
def ask_out(request: Request, workspace: needs.Opened, piece: Pieces = None) -> Response:
    """Ask why a piece comes out."""
    return TAKING_OUT.form(request, workspace, piece or [], {}, caution=CAUTION, reasons=WHY_OUT)


@router.post("/unfit", dependencies=[Written])
def taken_out(request: Request, workspace: needs.Opened, operator: needs.Operator, form: typed.Form) -> Response:
    """Record that a piece was taken out of its machine."""

    def say(words: tuple[str, ...]) -> str:
        answer = unfit(workspace, one(words), reason=form.given("reason"), seen=form.seen, operator=operator)
        _say(request, answer)
        return place_of([answer.piece])

    return TAKING_OUT.say(request, workspace, form, say, caution=CAUTION, reasons=WHY_OUT)


def _say(request: Request, answer: Fitted) -> None:
    done = "fitted into" if answer.fitted else "taken out of"
    new = "the new machine " if answer.new_machine else ""
    moved = f", moved from {answer.came_from}" if answer.came_from else ""
    place = f"{answer.machine} ({answer.machine_name}) at {answer.position}"
    render.say(request, f"{answer.piece} is {done} {new}{place}{moved}.")
    if answer.notes:
        render.say(request, paged(" ".join(answer.notes)))
