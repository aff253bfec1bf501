"""Sessions in signed cookies, on computers whose clocks are set: none lives for ever, and none ends without a word.

A cookie says when it was signed. Where that lies ahead of the clock, the clock was set back since: by minutes when a
bench computer finds its time after a start, by a year when its battery had died. DST does neither: what is signed is
seconds of UTC.
"""

import json
from base64 import b64decode
from collections.abc import Callable
from datetime import datetime
from functools import partial
from typing import Literal, overload

from itsdangerous import BadSignature, SignatureExpired, TimestampSigner
from starlette.middleware.sessions import SessionMiddleware
from starlette.requests import HTTPConnection
from starlette.types import ASGIApp, Receive, Scope, Send

AHEAD_S = 24 * 3600
"""How far ahead of the clock a cookie may have been signed: a clock that stood in another time zone, or ran without
one, is set by hours (common practice, no source)."""
_ENDED = "lotproof.session_ended"


class Signer(TimestampSigner):
    """Takes what was signed at most `max_age` ago, or a little ahead of a clock that was set back."""

    @overload
    def unsign(
        self, signed_value: str | bytes, max_age: int | None = ..., return_timestamp: Literal[False] = ...
    ) -> bytes: ...

    @overload
    def unsign(
        self, signed_value: str | bytes, max_age: int | None = ..., return_timestamp: Literal[True] = ...
    ) -> tuple[bytes, datetime]: ...

    def unsign(
        self, signed_value: str | bytes, max_age: int | None = None, return_timestamp: bool = False
    ) -> bytes | tuple[bytes, datetime]:
        """Return what was signed.

        Raises
        ------
        SignatureExpired
            It was signed too long ago, or further ahead than a clock is set back in good order.
        BadSignature
            It was not signed by us.
        """
        value, at = super().unsign(signed_value, return_timestamp=True)
        age = self.get_timestamp() - int(at.timestamp())
        if age < -AHEAD_S or (max_age is not None and age > max_age):
            raise SignatureExpired("Signed at another time.", payload=value, date_signed=at)
        return (value, at) if return_timestamp else value


class Sessions(SessionMiddleware):
    """The sessions of the pages; of one that ended by its time it is known that it did, and why."""

    def __init__(self, app: ASGIApp, *, secret_key: str, session_cookie: str, max_age: int, https_only: bool) -> None:
        super().__init__(app, secret_key, session_cookie, max_age, same_site="lax", https_only=https_only)
        self.signer = Signer(secret_key)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "http":
            sent = HTTPConnection(scope).cookies.get(self.session_cookie)
            if sent is not None:
                scope[_ENDED] = partial(self._why_ended, sent)  # asked for at the door alone
        await super().__call__(scope, receive, send)

    def _why_ended(self, sent: str) -> str | None:
        try:
            self.signer.unsign(sent, max_age=self.max_age)
        except SignatureExpired as error:
            if error.date_signed is None or not _was_in(error.payload):
                return None
            if error.date_signed.timestamp() > self.signer.get_timestamp():
                return "It was opened at a later time than it is now: this computer's clock was set back."
            return "It was last used too long ago, or this computer's clock was set forward."
        except BadSignature:
            return None
        return None


def _was_in(payload: object) -> bool:
    """Tell whether a session that ended was one of a device that had been let in."""
    try:
        return isinstance(payload, bytes) and "in" in json.loads(b64decode(payload))
    except (ValueError, TypeError):
        return False


def why_ended(asked: HTTPConnection) -> str | None:
    """Return why the session of a device that had been let in has ended by its time; None where none has."""
    ask: Callable[[], str | None] | None = asked.scope.get(_ENDED)
    return None if ask is None else ask()
