"""What every request passes before anything looks into it: its host, its size, and the headers of every answer."""

import asyncio
import time
from collections.abc import Callable

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import Request
from starlette.responses import Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from tracker.web.settings import Limits

POLICY = "; ".join(
    (
        "default-src 'none'",
        "script-src 'self'",
        "style-src 'self'",
        "img-src 'self' blob:",
        "connect-src 'self'",
        "manifest-src 'self'",
        "form-action 'self'",
        "base-uri 'none'",
        "frame-ancestors 'none'",
    )
)
HEADERS = {
    "content-security-policy": POLICY,
    "x-content-type-options": "nosniff",
    # Not 'no-referrer': with it browsers send 'Origin: null' beside our own forms.
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(self), microphone=(), geolocation=(), usb=(), payment=()",
}

STALLED_S = 60.0
"""Without a byte of the body for so long, whoever sent it is taken to have gone (common practice, no source)."""

Refuse = Callable[[Request, int, str, str], Response]
"""Makes the answer to a request that goes no further: status, what was wrong, what to do."""


class Guard:
    """ASGI middleware around everything else.

    Parameters
    ----------
    names : tuple of str
        Host names that are ours.
    limits : Limits
    refuse : callable
        Makes a page or a JSON document of a refusal.
    """

    def __init__(self, app: ASGIApp, names: tuple[str, ...], limits: Limits, refuse: Refuse) -> None:
        self.app = app
        self.names = frozenset(name.lower() for name in names)
        self.limits = limits
        self.refuse = refuse

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        begun = time.perf_counter()

        async def answer(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers.setdefault(name, value)
                headers.setdefault("cache-control", "private, no-cache")
                headers["server-timing"] = f"all;dur={(time.perf_counter() - begun) * 1000:.1f}"
            await send(message)

        if not scope["query_string"].isascii():
            scope = {**scope, "query_string": _as_browsers_write(scope["query_string"])}
        request = Request(scope)
        if _host(request.headers) not in self.names:
            said = self.refuse(
                request, 421, "This address is not one of ours.", "Open the page by the address that Lotproof printed."
            )
            await said(scope, receive, answer)
            return
        await _Measured(self, scope, receive, answer).run()


class _Measured:
    """One request whose body is counted while it comes in."""

    def __init__(self, guard: Guard, scope: Scope, receive: Receive, send: Send) -> None:
        self.guard, self.scope, self._receive, self._send = guard, scope, receive, send
        self.limit = most(scope["path"], guard.limits)
        self.got = 0
        self.too_large = False
        self.started = False
        self.whole = False

    async def run(self) -> None:
        said = Headers(scope=self.scope).get("content-length", "0")
        self.too_large = not said.isdecimal() or len(said) > 18 or int(said) > self.limit
        if self.too_large:
            await self._refuse()
            return
        await self.guard.app(self.scope, self.receive, self.send)

    async def receive(self) -> Message:
        if self.whole:
            return await self._receive()
        try:
            message = await asyncio.wait_for(self._receive(), STALLED_S)
        except TimeoutError:
            return {"type": "http.disconnect"}
        self.whole = message["type"] != "http.request" or not message.get("more_body", False)
        self.got += len(message.get("body", b""))
        if self.got > self.limit:
            self.too_large = True
            # What comes after is of no interest to anybody: to the page it looks as if the sender had gone.
            return {"type": "http.disconnect"}
        return message

    async def send(self, message: Message) -> None:
        if self.too_large and not self.started:
            await self._refuse()
        elif not self.too_large:
            self.started = self.started or message["type"] == "http.response.start"
            await self._send(message)

    async def _refuse(self) -> None:
        self.started = True
        said = self.guard.refuse(
            Request(self.scope),
            413,
            f"That is more than one request may carry here ({self.limit // (1024 * 1024)} MiB).",
            "Nothing of it was kept. Send fewer or smaller files at once.",
        )
        said.headers["connection"] = "close"
        await said(self.scope, self._receive, self._send)


def most(path: str, limits: Limits) -> int:
    """Return how many bytes a request to a path may carry."""
    if path.endswith("/photograph"):
        return limits.photos
    if path == "/receive/bag":
        return limits.bag
    if path.startswith(("/receive", "/bench", "/api/bench", "/lots/")):
        return limits.table
    return limits.form


def _as_browsers_write(query: bytes) -> bytes:
    """Return a query whose bytes are ASCII, as RFC 3986 has it: scripts may send any, which Starlette trips over."""
    return b"".join(b"%%%02X" % one if one > 127 else b"%c" % one for one in query)


def _host(headers: Headers) -> str:
    """Return the name in the Host header, without its port; '' where it is none."""
    name, colon, port = headers.get("host", "").lower().rpartition(":")
    if not colon:
        return port
    return name if port.isdecimal() else f"{name}:{port}"
