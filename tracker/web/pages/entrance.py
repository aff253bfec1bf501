"""The door: the pass key, who is at the bench, and a code for the phone."""

import io
import re
from typing import Annotated

from fastapi import APIRouter, Form
from starlette.requests import Request
from starlette.responses import Response

from tracker.desk.fields import one_line
from tracker.errors import BadRequest
from tracker.web import door, needs, render
from tracker.web.needs import Refused, Written
from tracker.web.sessions import why_ended

router = APIRouter(include_in_schema=False)
LONGEST_NAME = 80
"""Of who is at the bench: it is kept in the session's cookie, of which browsers take 4096 bytes (RFC 6265, 6.1)."""


@router.get("/door")
def ask(request: Request, settings: needs.ServedAs, to: str = "/", key: str | None = None) -> Response:
    """Ask for the pass key; the QR code brings it along."""
    if key is not None:
        return _let_in(request, settings, key, None, to)
    if settings.pass_key is None or door.may_enter(request, settings, request.app.state.tries):
        return render.go(own_path(to))
    why = why_ended(request)
    return _door(request, 200, to, None if why is None else Refused(401, f"This device's session has ended. {why}"))


@router.post("/door")
def enter(
    request: Request,
    settings: needs.ServedAs,
    key: Annotated[str, Form()] = "",
    operator: Annotated[str, Form()] = "",
    to: Annotated[str, Form()] = "/",
) -> Response:
    """Let a device in that knows the pass key."""
    # No form token here: who has no session yet has none, and letting somebody in changes nothing of theirs.
    return _let_in(request, settings, key, operator, to)


def _let_in(request: Request, settings: needs.ServedAs, key: str, operator: str | None, to: str) -> Response:
    if settings.pass_key is None:
        return render.go("/")
    tries, where = request.app.state.tries, door.address(request)
    wait = tries.wait_s(where)
    if wait > 0:
        return _wait(request, wait, to, operator)
    try:
        name = one_line(operator, "name", LONGEST_NAME) if operator and operator.strip() else None
    except BadRequest as error:
        return _door(request, 422, to, error, operator)
    if not door.try_key(key, where, settings.pass_key, tries):
        wrong = Refused(403, "That is not the pass key.", "It stands in Lotproof's terminal.")
        return _door(request, 403, to, wrong, operator)
    request.session.clear()
    request.session["in"] = door.fingerprint(settings.pass_key)
    if name:
        request.session["operator"] = name
    # The QR code says nothing of who holds the phone; what is done with it is to stand under the right name.
    return render.go(own_path(to) if operator is not None else "/who")


def _wait(request: Request, wait: float, to: str, operator: str | None) -> Response:
    seconds = int(wait) + 1
    error = Refused(429, f"Too many wrong keys. The next try counts in {seconds} s.", "")
    answer = _door(request, 429, to, error, operator)
    answer.headers["retry-after"] = str(seconds)
    return answer


def _door(request: Request, status: int, to: str, error: object, operator: str | None = None) -> Response:
    """Return the door, with the name that was typed: a mistyped key need not cost it."""
    typed = (operator or "")[:LONGEST_NAME]
    return render.page(request, "door", status, to=own_path(to), error=error, typed=typed)


def own_path(to: str) -> str:
    """Return where to go next: a path of ours, whatever was asked for."""
    return to if re.fullmatch(r"/(?:[A-Za-z0-9_~.-]+/?)*", to) else "/"


@router.get("/who")
def ask_who(request: Request) -> Response:
    """Ask who is at this device."""
    return render.page(request, "who")


@router.post("/who", dependencies=[Written])
def who(request: Request, operator: Annotated[str, Form()] = "", back: Annotated[str, Form()] = "/") -> Response:
    """Remember who is at the bench on this device."""
    request.session["operator"] = one_line(operator, "name", LONGEST_NAME)
    render.say(request, f"From now on {request.session['operator']} stands in the journal.")
    return render.go(own_path(back))


@router.get("/phone")
def phone(request: Request, settings: needs.ServedAs) -> Response:
    """Show the code that lets a phone in."""
    return render.page(request, "phone", addresses=_addresses(settings))


@router.get("/phone/code.svg")
def code(request: Request, settings: needs.ServedAs, n: int = 0) -> Response:
    """Draw the code."""
    found = _addresses(settings)
    if not 0 <= n < len(found) or settings.pass_key is None:
        raise Refused(404, "There is no such code.")
    import segno

    picture = io.BytesIO()
    # Black on white in both themes: readers expect it.
    segno.make(f"{found[n]}/door?key={settings.pass_key}", error="m").save(
        picture, kind="svg", scale=6, border=4, light="#ffffff", xmldecl=False
    )
    return Response(picture.getvalue(), media_type="image/svg+xml", headers={"cache-control": "no-store"})


def _addresses(settings: needs.ServedAs) -> list[str]:
    if settings.pass_key is None:
        return []
    kind = "https" if settings.secure else "http"
    return [f"{kind}://{name}:{settings.port}" for name in settings.names if name not in door.LOOPBACK_NAMES]
