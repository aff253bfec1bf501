"""An end to patience: who opens connections and sends nothing, or never comes to an end, does not keep others out."""

import asyncio
from typing import Any, cast

from uvicorn.protocols.http.h11_impl import H11Protocol

from tracker.web.door import LOOPBACK

MOST_CONNECTIONS = 200
"""At once; above it everybody is told to come back later. A workshop has a handful of devices, each with up to six
connections (common practice of browsers, from memory)."""
FOR_THIS_COMPUTER = 40
"""Of those; the others are for whoever sits at this computer alone."""
HEAD_S = 20.0
"""Within this the head of a request must be there: it is a few hundred bytes (common practice, no source)."""


class PatientHttp(H11Protocol):
    """uvicorn's HTTP/1.1, which waits for ever for the head of a request, with an end to that."""

    _waiting: asyncio.TimerHandle | None = None
    head_s = HEAD_S

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Take a connection, unless too many are there already."""
        super().connection_made(transport)
        here = self.client is not None and self.client[0] in LOOPBACK
        if not here and len(self.connections) > MOST_CONNECTIONS - FOR_THIS_COMPUTER:
            transport.abort()
            return
        self._wait()

    def connection_lost(self, exc: Exception | None) -> None:
        """Forget a connection."""
        self._stop_waiting()
        super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        """Take what has come; the clock runs while the head of a request is not whole."""
        super().data_received(data)
        if self.cycle is not None and not self.cycle.response_complete:
            self._stop_waiting()
        else:
            self._wait()

    def on_response_complete(self) -> None:
        """Go on with the next request of the connection."""
        super().on_response_complete()
        if self.cycle is not None and not self.cycle.response_complete:
            self._stop_waiting()

    def _wait(self) -> None:
        if self._waiting is None:
            self._waiting = self.loop.call_later(self.head_s, self._too_slow)

    def _stop_waiting(self) -> None:
        if self._waiting is not None:
            self._waiting.cancel()
            self._waiting = None

    def _too_slow(self) -> None:
        self._waiting = None
        cast(Any, self.transport).abort()
