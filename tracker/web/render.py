"""From values to pages: the templates, their filters, what was just said, and whether the reader has it already."""

import gzip
import hashlib
import json
import math
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import asdict
from functools import cache
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from tracker import __version__
from tracker.bench.figures import show
from tracker.desk.drawing import in_numbers
from tracker.desk.moved import refusal
from tracker.desk.since import SaidSince
from tracker.desk.workspace import Workspace
from tracker.errors import BadRequest, LotproofError
from tracker.judgement.suspicion import counted, percent
from tracker.web import door, static
from tracker.web.page_words import paged

_HERE = Path(__file__).parent
MOST_SAID = 3
WORTH_PACKING = 1400
"""Bytes: what fits into one packet comes as soon unpacked (Ethernet's 1500 without the headers)."""
PACKING = 5
"""Of 1 to 9: a page of 400 kB to a twentieth within 5 ms; more takes longer than it saves on a local network."""
MOST_BYTES = 1500
"""Of what is said, as JSON; in the cookie it takes four thirds of that."""


def page(request: Request, template: str, status: int = 200, **values: Any) -> Response:
    """Return a page.

    Parameters
    ----------
    request : Request
    template : str
        Its name without `.html.j2`.
    status : int
    **values
        What the template asks for; `error` is a LotproofError to be shown first.

    Notes
    -----
    The answer carries an ETag of its bytes; a reader who has it gets 304 and no body.
    """
    said = request.session.pop("said", [])
    values = {"error": None, **values}
    text = (
        environment()
        .get_template(f"{template}.html.j2")
        .render(
            **values,
            said=said,
            token=door.token(request),
            here=request.url.path,
            operator=door.operator_of(request),
            version=__version__,
            workspace=request.app.state.workspace_name,
            elsewhere=None if template == "door" else _moved(request),
        )
    )
    return unless_known(request, HTMLResponse(text, status), text.encode())


def _moved(request: Request) -> BadRequest | None:
    """Return what every page says of a workspace that was moved, maybe while it is served: where it is now."""
    workspace: Workspace = request.app.state.workspace
    with suppress(LotproofError), workspace.read() as session:
        return refusal(session)
    return None  # what is wrong with the records is said by the pages that need them


def say(request: Request, text: str) -> None:
    """Have the next page say something once."""
    said = [*request.session.get("said", []), text[:600]][-MOST_SAID:]
    # The session is a cookie, and browsers drop one of more than 4096 bytes (RFC 6265, 6.1) with all that is in it.
    while len(said) > 1 and len(json.dumps(said)) > MOST_BYTES:
        said.pop(0)
    while len(json.dumps(said)) > MOST_BYTES:
        said[0] = said[0][: len(said[0]) // 2] + "…"
    request.session["said"] = said


def go(to: str) -> Response:
    """Return the answer to a form that was carried out: look there."""
    return RedirectResponse(to, 303)


def wants_page(request: Request) -> bool:
    """Tell whether who asks would rather have a page than JSON."""
    return not request.url.path.startswith(
        ("/api/", "/openapi.json")
    ) and "application/json" not in request.headers.get("accept", "")


def refused(request: Request, status: int, error: LotproofError) -> Response:
    """Return an error as a page, or as JSON where that was asked for."""
    if not wants_page(request):
        from starlette.responses import JSONResponse

        more = {}
        if isinstance(error, SaidSince):
            more = {"events": [asdict(one) for one in error.events], "entry": error.entry}
        document = {"schema": "lotproof.error/1", "what": error.what, "advice": error.advice, **more}
        return JSONResponse(document, status)
    text = environment().get_template("fault.html.j2").render(error=error, status=status, version=__version__)
    return HTMLResponse(text, status)


def unless_known(request: Request, answer: Response, body: bytes) -> Response:
    """Return an answer with an ETag of its bytes, packed where the reader takes that; 304 where it has them already.

    Notes
    -----
    Packing beside a secret can betray it, to who sends requests in somebody's name and sees how long the answers are.
    Our cookie does not go with requests that other sites make (SameSite), so what those get holds no token of ours.
    """
    packs = len(body) > WORTH_PACKING and "gzip" in request.headers.get("accept-encoding", "")
    tag = f'"{hashlib.sha256(body).hexdigest()[:32]}{"-z" if packs else ""}"'
    answer.headers["etag"] = tag
    answer.headers.add_vary_header("Accept-Encoding")
    if answer.status_code == 200 and tag in request.headers.get("if-none-match", ""):
        return Response(status_code=304, headers={"etag": tag, "vary": answer.headers["vary"]})
    if packs:
        answer.body = gzip.compress(body, PACKING, mtime=0)
        answer.headers["content-encoding"] = "gzip"
        answer.headers["content-length"] = str(len(answer.body))
    return answer


@cache
def environment() -> Environment:
    """Return the templates: everything is escaped, and a name that is not there is an error."""
    made = Environment(
        loader=FileSystemLoader(_HERE / "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        auto_reload=False,
    )
    made.filters.update(
        percent=percent, instant=instant, db=decibans, counted=lambda n, word: counted(n, word), size=size, figure=show
    )
    made.filters.update(paged=paged, words=words, titled=titled, capitalize_first=capitalize_first)
    made.filters.update(in_numbers=lambda point, drawing, series: in_numbers(drawing, series, point))
    made.globals.update(static=static.address, suspicion_step=suspicion_step, days=days)
    return made


def instant(text: str) -> str:
    """Return a UTC instant of the records as people read it: '2031-11-26 15:04'."""
    return text[:16].replace("T", " ")


def decibans(weight: float) -> str:
    """Return a weight with its sign, and the true minus sign."""
    return f"{weight:+.1f}".replace("-", "−") + " db"


def size(count: int) -> str:
    """Return a number of bytes: '2.1 MB'."""
    if count < 1000:
        return f"{count} bytes"
    step = min(int(math.log10(count) / 3), 3)
    return f"{count / 1000.0**step:.3g} {('kB', 'MB', 'GB')[step - 1]}"


def words(text: str) -> str:
    """Return a name of ours as words: 'own-pull' as 'own pull', 'claim_by' as 'claim by'."""
    return text.replace("-", " ").replace("_", " ")


def titled(names: Iterable[str]) -> list[tuple[str, str]]:
    """Return names of ours as choices: value and title."""
    return [(name, words(name)) for name in names]


def capitalize_first(text: str) -> str:
    """Return a sentence with a capital letter, all else as it is."""
    return text[:1].upper() + text[1:]


def suspicion_step(share: float) -> tuple[int, str]:
    """Return how a suspicion is drawn beside its number: 0 to 3, and the word for it.

    For the eye alone, nothing is decided by it. The bounds are common practice, no source: one in ten,
    one in three, two in three.
    """
    for step, (below, word) in enumerate(((0.1, "low"), (1 / 3, "some"), (2 / 3, "high"))):
        if share < below:
            return step, word
    return 3, "very high"


def days(left: int) -> str:
    """Return what is left of a claim window."""
    if left < 0:
        return f"{counted(-left, 'day')} over"
    return "today" if left == 0 else f"{counted(left, 'day')} left"
