"""Pictures: tops, surroundings, whole photos, annotated ones and originals; only what the records know."""

import io
from collections.abc import Callable
from typing import Annotated
from urllib.parse import quote

from fastapi import APIRouter, Path, Query
from starlette.requests import Request
from starlette.responses import Response

from tracker.desk.crops import WIDTHS, Source, Studio, Unseen
from tracker.desk.papers import document
from tracker.web import needs
from tracker.web.needs import Refused

router = APIRouter(include_in_schema=False)
FOR_GOOD = "private, max-age=31536000, immutable"
AGAIN = "private, no-cache"
Digest = Annotated[str, Path(pattern=r"^[0-9a-f]{64}$")]
Number = Annotated[int, Path(ge=1, le=2**31 - 1)]
_KINDS = {
    "JPEG": "image/jpeg",
    "MPO": "image/jpeg",
    "PNG": "image/png",
    "WEBP": "image/webp",
    "TIFF": "image/tiff",
    "HEIF": "image/heif",
    "AVIF": "image/avif",
}


def studio(request: Request) -> Studio:
    """Return what makes this workspace's pictures."""
    found: Studio = request.app.state.studio
    return found


Width = Annotated[int, Query(alias="w")]
Mark = Annotated[str, Query(max_length=64)]


@router.get("/pictures/tops/{inspection}")
def top(request: Request, inspection: Number, w: Width = 320, v: Mark = "") -> Response:
    """Send a piece's top as one inspection saw it, upright and flat."""
    return _picture(request, lambda: studio(request).top(inspection), w, v)


@router.get("/pictures/around/{inspection}")
def around(request: Request, inspection: Number, w: Width = 1280, v: Mark = "") -> Response:
    """Send a piece with some ground around it, as the photo has it."""
    return _picture(request, lambda: studio(request).top(inspection, "around"), w, v)


@router.get("/pictures/photos/{sha256}")
def photo(request: Request, sha256: Digest, w: Width = 1280) -> Response:
    """Send a whole photo, upright, made smaller."""
    return _picture(request, lambda: studio(request).photo(sha256), w, None)


@router.get("/pictures/annotated/{sha256}")
def annotated(request: Request, sha256: Digest, w: Width = 1280, v: Mark = "") -> Response:
    """Send a photo with what was found drawn in."""
    return _picture(request, lambda: studio(request).annotated(sha256), w, v)


@router.get("/pictures/originals/{sha256}")
def original(request: Request, sha256: Digest) -> Response:
    """Send a photo's bytes as they came, to be saved."""
    name, data = studio(request).original(sha256)
    return _attached(request, name, sha256, data, _kind(data))


@router.get("/lots/{lot}/papers/{sha256}")
def paper(request: Request, workspace: needs.Opened, lot: str, sha256: Digest) -> Response:
    """Send a document that came with a lot, to be saved."""
    name, data = document(workspace, lot, sha256)
    return _attached(request, name, sha256, data, "application/octet-stream")


def _attached(request: Request, name: str, sha256: str, data: bytes, kind: str) -> Response:
    """Send a file as it came. Whatever is in it, a browser only saves it: a page in it would be one of ours else."""
    tag = f'"{sha256}"'
    headers = {"etag": tag, "cache-control": FOR_GOOD}
    if tag in request.headers.get("if-none-match", ""):
        return Response(status_code=304, headers=headers)
    headers["content-disposition"] = f"attachment; filename*=UTF-8''{quote(name, safe='')}"
    headers["content-security-policy"] = "default-src 'none'; sandbox"
    return Response(data, media_type=kind, headers=headers)


def _picture(request: Request, find: Callable[[], Source], width: int, mark: str | None) -> Response:
    """Send a picture; for good where its address names what it shows, which a photo's digest does by itself."""
    if width not in WIDTHS:
        raise Refused(422, "There is no picture of that size.", f"There are: {', '.join(map(str, WIDTHS))}.")
    try:
        source = find()
        tag = f'"{source.mark}-{width}"'
        headers = {"etag": tag, "cache-control": FOR_GOOD if mark is None or mark == source.mark else AGAIN}
        if tag in request.headers.get("if-none-match", ""):
            return Response(status_code=304, headers=headers)
        return Response(studio(request).picture(source, width), media_type="image/jpeg", headers=headers)
    except Unseen as error:
        return Response(_instead(error.what), media_type="image/svg+xml", headers={"cache-control": "no-store"})


def _instead(word: str) -> str:
    """Return a drawing with a word in it; the words are our own."""
    return (
        '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 320 120" width="320" height="120">'
        '<rect width="320" height="120" fill="#ebe7da"/>'
        '<path d="M8 8L312 112M312 8L8 112" stroke="#d3cfc1" stroke-width="2"/>'
        '<rect x="50" y="40" width="220" height="40" fill="#ebe7da"/>'
        '<text x="160" y="67" text-anchor="middle" font-family="sans-serif" font-size="22" fill="#22241f">'
        f"{word}</text></svg>"
    )


def _kind(data: bytes) -> str:
    """Return the media type of a photo by its bytes, not by its name."""
    from PIL import Image, UnidentifiedImageError
    from pillow_heif import register_heif_opener

    register_heif_opener()
    try:
        with Image.open(io.BytesIO(data)) as picture:
            return _KINDS.get(picture.format or "", "application/octet-stream")
    except (UnidentifiedImageError, OSError, ValueError):
        return "application/octet-stream"
