"""Stylesheet, scripts and marks: read once, known by name, cached for good under an address that changes with them."""

import hashlib
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from fastapi import APIRouter
from starlette.requests import Request
from starlette.responses import Response

from tracker.web.needs import Refused

_FOLDER = Path(__file__).parent / "static"
_KINDS = {
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".svg": "image/svg+xml",
    ".webmanifest": "application/manifest+json",
}
router = APIRouter()


@dataclass(frozen=True, slots=True)
class Asset:
    """One file as it is sent."""

    body: bytes
    kind: str
    mark: str


@cache
def assets() -> dict[str, Asset]:
    """Return everything there is, by name: what is asked for is looked up here, never joined to a path."""
    found = {}
    for path in sorted(_FOLDER.iterdir()):
        if path.suffix in _KINDS:
            body = path.read_bytes()
            found[path.name] = Asset(body, _KINDS[path.suffix], hashlib.sha256(body).hexdigest()[:12])
    return found


def address(name: str) -> str:
    """Return the address of an asset, which changes with its content."""
    return f"/static/{name}?v={assets()[name].mark}"


@router.get("/static/{name}", include_in_schema=False)
def asset(request: Request, name: str) -> Response:
    """Send one asset."""
    one = assets().get(name)
    if one is None:
        raise Refused(404, "There is no such file.")
    tag = f'"{one.mark}"'
    # A script asks for its neighbours by their plain names; those are looked at again each time.
    known = request.query_params.get("v") == one.mark
    headers = {
        "etag": tag,
        "cache-control": "public, max-age=31536000, immutable" if known else "no-cache",
    }
    if tag in request.headers.get("if-none-match", ""):
        return Response(status_code=304, headers=headers)
    return Response(one.body, media_type=one.kind, headers=headers)
