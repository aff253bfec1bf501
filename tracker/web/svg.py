"""Plots as pictures: SVG of our own making, sent so that a browser shows it and runs nothing of it."""

import hashlib

from starlette.requests import Request
from starlette.responses import Response

POLICY = "default-src 'none'; style-src 'unsafe-inline'; sandbox"
"""The plotting library writes its lines' styles into the picture; as a page of its own it can do nothing else."""


def svg(request: Request, picture: bytes, cache: str = "private, no-cache") -> Response:
    """Return a picture with an ETag of its bytes; a reader who has it gets 304."""
    tag = f'"{hashlib.sha256(picture).hexdigest()[:32]}"'
    headers = {"etag": tag, "cache-control": cache, "content-security-policy": POLICY}
    if tag in request.headers.get("if-none-match", ""):
        return Response(status_code=304, headers=headers)
    return Response(picture, media_type="image/svg+xml", headers=headers)
