"""Who may come in: the pass key for other devices, the session it opens, and how often a wrong one may be tried."""

import hashlib
import hmac
import secrets
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from threading import Lock
from urllib.parse import quote

from starlette.requests import HTTPConnection, Request
from starlette.responses import RedirectResponse, Response
from starlette.types import ASGIApp, Receive, Scope, Send

from tracker.web.sessions import why_ended
from tracker.web.settings import Settings

LOOPBACK = ("127.0.0.1", "::1")
LOOPBACK_NAMES = ("127.0.0.1", "localhost", "[::1]")
ALPHABET = "23456789abcdefghjkmnpqrstuvwxyz"
"""Letters and digits that nobody takes for one another when typing from a screen."""


def new_pass_key() -> str:
    """Return a new pass key: sixteen signs in groups of four, about 79 bits."""
    signs = [secrets.choice(ALPHABET) for _ in range(16)]
    return "-".join("".join(signs[i : i + 4]) for i in range(0, 16, 4))


def plain(key: str) -> str:
    """Return a typed key without what people add to it."""
    return "".join(key.split()).replace("-", "").lower()


def fingerprint(key: str) -> str:
    """Return what a session remembers of the key that opened it; a new key ends every session."""
    return hashlib.sha256(plain(key).encode()).hexdigest()[:24]


def same(one: str, other: str) -> bool:
    """Tell whether two secrets are the same, in a time that does not tell where they differ."""
    return hmac.compare_digest(one.encode(), other.encode())


@dataclass
class Tries:
    """Wrong keys so far, by address: after a few, each further one waits twice as long as the one before.

    Common practice, no source: five free tries, then 2, 4, 8 ... seconds up to a quarter of an hour. So about a hundred
    keys a day can be tried from one address, of 2 to the 79.
    """

    free: int = 5
    longest_s: float = 900.0
    most_addresses: int = 4096
    now: Callable[[], float] = time.monotonic
    _by: dict[str, tuple[int, float]] = field(default_factory=dict)
    _lock: Lock = field(default_factory=Lock)

    def wait_s(self, address: str) -> float:
        """Return how long this address has to wait before its next try counts."""
        with self._lock:
            return max(0.0, self._by.get(address, (0, 0.0))[1] - self.now())

    def wrong(self, address: str) -> None:
        """Note a wrong key."""
        with self._lock:
            if len(self._by) >= self.most_addresses and address not in self._by:
                self._by.pop(next(iter(self._by)))
            times = self._by.pop(address, (0, 0.0))[0] + 1
            wait = 0.0 if times < self.free else min(2.0 ** (times - self.free + 1), self.longest_s)
            self._by[address] = (times, self.now() + wait)

    def right(self, address: str) -> None:
        """Forget an address that knew the key."""
        with self._lock:
            self._by.pop(address, None)


class Door:
    """ASGI middleware: lets in who is at this computer, has a session or brings the key; sends others to /door."""

    def __init__(
        self, app: ASGIApp, settings: Settings, tries: Tries, refuse: Callable[[Request, int, str, str], Response]
    ) -> None:
        self.app, self.settings, self.tries, self.refuse = app, settings, tries, refuse

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http" or self.may_pass(HTTPConnection(scope)):
            await self.app(scope, receive, send)
            return
        request = Request(scope)
        await self._answer(request)(scope, receive, send)

    def may_pass(self, asked: HTTPConnection) -> bool:
        """Tell whether a request may go on."""
        path = asked.url.path
        if path == "/door" or path.startswith("/static/"):
            return True
        return may_enter(asked, self.settings, self.tries)

    def _answer(self, request: Request) -> Response:
        wait = self.tries.wait_s(address(request))
        if request.headers.get("authorization") and wait > 0:
            said = self.refuse(request, 429, "Too many wrong keys came from this address.", "Wait, then try again.")
            said.headers["retry-after"] = str(int(wait) + 1)
            return said
        if request.method == "GET" and "text/html" in request.headers.get("accept", ""):
            return RedirectResponse(f"/door?to={quote(request.url.path)}", 303)
        why = why_ended(request)
        what = "This device has not been let in." if why is None else f"This device's session has ended. {why}"
        said = self.refuse(request, 401, what, "Open /door and type the pass key.")
        said.headers["www-authenticate"] = "Bearer"
        return said


def address(asked: HTTPConnection) -> str:
    """Return the address a request comes from."""
    return asked.client.host if asked.client is not None else ""


def is_here(asked: HTTPConnection) -> bool:
    """Tell whether a request comes from this computer and was meant for it."""
    host = asked.headers.get("host", "").lower().rpartition(":")
    return address(asked) in LOOPBACK and (host[0] or host[2]) in LOOPBACK_NAMES


def may_enter(asked: HTTPConnection, settings: Settings, tries: Tries) -> bool:
    """Tell whether who asks may see the pages: everybody where no key is asked for, for then only this computer can."""
    if settings.pass_key is None or is_here(asked):
        return True
    if asked.session.get("in") == fingerprint(settings.pass_key):
        return True
    return bearer(asked, settings, tries)


def bearer(asked: HTTPConnection, settings: Settings, tries: Tries) -> bool:
    """Tell whether a request brings the pass key itself, as scripts do."""
    kind, _, key = asked.headers.get("authorization", "").partition(" ")
    if kind.lower() != "bearer" or settings.pass_key is None:
        return False
    return try_key(key, address(asked), settings.pass_key, tries)


def try_key(key: str, where: str, right: str, tries: Tries) -> bool:
    """Tell whether a key is right; a wrong one counts against its address, and while it waits none is right."""
    if tries.wait_s(where) > 0:
        return False
    if same(plain(key), plain(right)):
        tries.right(where)
        return True
    tries.wrong(where)
    return False


def token(asked: HTTPConnection) -> str:
    """Return the session's form token, made when first asked for: a foreign page cannot know it."""
    found = asked.session.get("token")
    if not isinstance(found, str) or not found:
        found = asked.session["token"] = secrets.token_urlsafe(24)
    return found


def own_origin(asked: HTTPConnection) -> bool:
    """Tell whether a request was made by one of our own pages, as far as its headers say."""
    site = asked.headers.get("sec-fetch-site")
    if site is not None and site not in ("same-origin", "none"):
        return False
    origin = asked.headers.get("origin")
    return origin is None or origin.lower() == f"{asked.url.scheme}://{asked.headers.get('host', '').lower()}"


def operator_of(asked: HTTPConnection) -> str:
    """Return who acts: the name said on this device, else the one the server was started with."""
    said = asked.session.get("operator")
    found: str = said if isinstance(said, str) and said else asked.app.state.operator
    return found
