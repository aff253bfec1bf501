"""What all of the API shares: how a document is sent, what an error looks like, and who may change something."""

from dataclasses import dataclass
from typing import Annotated, Any, Literal

from fastapi import Depends, Path
from pydantic import BaseModel, ConfigDict, Field
from starlette.requests import Request
from starlette.responses import Response

from tracker.desk.documents.base import Document, text
from tracker.desk.events import Event
from tracker.desk.workspace import operator_name
from tracker.web import door, needs, render
from tracker.web.needs import Refused

LONGEST = 4000
"""Characters in one member; the desk's own bounds are narrower and say so in words."""
MOST_ITEMS = 2000
"""Members of one list: pieces named, readings typed (common practice, no source)."""

LotLabel = Annotated[str, Path(pattern=r"^[Ll][0-9]{1,9}$", description="A lot's label, such as L0007.")]
PieceLabel = Annotated[
    str, Path(pattern=r"^[Ll][0-9]{1,9}-[0-9]{1,9}$", description="A piece's label, such as L0007-03.")
]
MachineLabel = Annotated[str, Path(pattern=r"^[Mm][0-9]{1,9}$", description="A machine's label, such as M0002.")]
RunLabel = Annotated[str, Path(pattern=r"^[Bb][0-9]{1,9}$", description="A bench run's label, such as B0005.")]

Text = Annotated[str, Field(max_length=LONGEST)]
Texts = Annotated[tuple[Text, ...], Field(max_length=MOST_ITEMS)]


@dataclass(frozen=True, kw_only=True)
class ErrorDocument(Document):
    """Why a request was not carried out: what was wrong, and what to do."""

    schema: Literal["lotproof.error/1"] = "lotproof.error/1"
    what: str
    advice: str


@dataclass(frozen=True, kw_only=True)
class SaidSinceDocument(ErrorDocument):
    """What was said about the piece since the page was made; send the same again with `entry` as `seen` to confirm."""

    events: tuple[Event, ...]
    entry: int


_REFUSED = {
    400: "The request cannot be read.",
    401: "Neither a session nor the pass key came along.",
    413: "It is larger than one request may be.",
    421: "The Host header names no address of ours.",
    422: "What was sent cannot be used; nothing was changed.",
    429: "Too many wrong keys came from this address; `Retry-After` says how many seconds to wait.",
    503: "The workspace or a file in it is damaged.",
}
_NO_SUCH = {404: "There is nothing of this label."}
_WRITING = {
    403: "It may have been sent by a foreign page.",
    404: "There is nothing of this label.",
    415: "What was sent is not JSON.",
}
_SINCE = "Something was said about the piece since entry `seen`; nothing was recorded."

Responses = dict[int | str, dict[str, Any]]


def refusals(*, of_one: bool = False, writing: bool = False, since: bool = False) -> Responses:
    """Return what a route may answer beside its document, for OpenAPI."""
    told = {**_REFUSED, **(_NO_SUCH if of_one else {}), **(_WRITING if writing else {})}
    found: Responses = {status: {"model": ErrorDocument, "description": said} for status, said in sorted(told.items())}
    if since:
        found[409] = {"model": SaidSinceDocument, "description": _SINCE}
    return found


def answer(request: Request, document: Document, status: int = 200, *, location: str | None = None) -> Response:
    """Send a document, byte for byte as the command prints it but for its white space."""
    body = text(document).encode()
    made = Response(body, status, media_type="application/json")
    if location is not None:
        made.headers["location"] = location
    return render.unless_known(request, made, body) if request.method == "GET" else made


class Sent(BaseModel):
    """What is sent to be recorded; members nobody knows are refused, for they are slips."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    operator: Text | None = Field(None, description="Who does this; else who the session says, else who serves.")


Operator = needs.Operator


def who(sent: Sent, operator: str) -> str:
    """Return who acts."""
    return operator if sent.operator is None else operator_name(sent.operator)


def is_json(request: Request) -> bool:
    """Tell whether JSON was sent, by its media type (RFC 9110, 8.3.1)."""
    return request.headers.get("content-type", "").partition(";")[0].strip().lower() == "application/json"


async def _json(request: Request) -> None:
    if not is_json(request):
        raise Refused(415, "What was sent is not JSON.", "Send it with 'Content-Type: application/json'.")


async def _sent(request: Request) -> None:
    """Refuse what a foreign page may have sent.

    A page elsewhere can have a browser send forms and plain text here, with our cookie where the browser adds it, but
    JSON only after asking (CORS, WHATWG Fetch), which is answered to nobody; a browser names the page's origin beside;
    and a name that was pointed at this computer is stopped by its Host header before. So from this computer JSON
    without a foreign origin is enough, and a script needs no more than that. Who was let in by the session cookie
    sends the session's token, too; who brings the pass key needs none, for no browser adds it by itself.
    """
    await _json(request)
    if not door.own_origin(request):
        raise Refused(403, "This was sent from another site.", "Nothing was changed.")
    settings = request.app.state.settings
    if settings.pass_key is None or door.is_here(request) or door.bearer(request, settings, request.app.state.tries):
        return
    token = request.headers.get("x-lotproof-token", "")
    if not door.same(token, door.token(request)):
        raise Refused(
            403,
            "The header X-Lotproof-Token is missing or not this session's.",
            "Nothing was changed. GET /api/token tells it.",
        )


JsonOnly = Depends(_json)
"""For what is sent and changes nothing."""
Changes = Depends(_sent)
"""For everything that changes something."""
