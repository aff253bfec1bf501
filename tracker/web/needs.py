"""What page functions ask for: the open workspace, who acts, and that a form was ours."""

import time
from datetime import date
from typing import Annotated

from fastapi import Depends
from starlette.requests import Request

from tracker.desk.workspace import Workspace
from tracker.errors import LotproofError
from tracker.web import door, typed
from tracker.web.settings import Settings
from tracker.web.working import Working


class Refused(LotproofError):
    """A request that goes no further, with the HTTP status it is answered with."""

    def __init__(self, status: int, what: str, advice: str = "") -> None:
        super().__init__(what, advice)
        self.status = status


def _workspace(request: Request) -> Workspace:
    request.app.state.idle.asked_at = time.monotonic()
    found: Workspace = request.app.state.workspace
    return found


def _settings(request: Request) -> Settings:
    found: Settings = request.app.state.settings
    return found


def _operator(request: Request) -> str:
    return door.operator_of(request)


def _working(request: Request) -> Working:
    found: Working = request.app.state.working
    return found


def _today() -> date:
    return date.today()


async def _written(request: Request) -> None:
    """Refuse a form that none of our own pages sent."""
    if not door.own_origin(request):
        raise Refused(403, "This form was sent from another site.", "Nothing was changed. Open the page here instead.")
    settings = _settings(request)
    if door.bearer(request, settings, request.app.state.tries):
        return  # Let in by the key itself, which no browser adds by itself.
    sent = request.headers.get("x-lotproof-token")
    if sent is None:
        form = await typed.form_of(request)
        sent = form.get("token") if isinstance(form.get("token"), str) else None  # type: ignore[assignment]
    if not sent or not door.same(sent, door.token(request)):
        raise Refused(
            403,
            "This form is too old, or cookies are off.",
            "Nothing was changed. Go back, load the page again, and send it once more.",
        )


Opened = Annotated[Workspace, Depends(_workspace)]
ServedAs = Annotated[Settings, Depends(_settings)]
Operator = Annotated[str, Depends(_operator)]
Today = Annotated[date, Depends(_today)]
WorkList = Annotated[Working, Depends(_working)]
Written = Depends(_written)
"""For `dependencies=[Written]` of everything that changes something."""
