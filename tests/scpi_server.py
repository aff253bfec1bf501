"""An instrument on loopback that speaks SCPI over a plain socket, and misbehaves on request. No part of the program."""

import socket
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress

IDENTITY = "Penhallow Instruments,PM-6,00017,2.4"
DROP = "<drop>"
SILENT = "<silent>"
Answers = Callable[[int], str]


class ScpiServer:
    """Answers *IDN? and measurement queries, one connection after another.

    `resource` is its VISA resource string.

    Parameters
    ----------
    answers : callable
        Gets the number of the measurement query (1, 2, ...) and returns the answer, or DROP or SILENT.
    knows : sequence of str
        The queries that are answered; others get no answer, as from an instrument that does not know them.
    delay_s : float
        Before each answer.
    refuses : callable
        Gets the number of the connection and says whether it is closed at once.
    """

    def __init__(
        self,
        answers: Answers | Sequence[str],
        knows: Sequence[str] = ("MEAS:CURR:DC?", "MEAS:TEMP?", "UNIT:TEMP?", "MEAS:VOLT:DC?", "MEAS:FREQ?"),
        identity: str | None = IDENTITY,
        delay_s: float = 0.0,
        refuses: Callable[[int], bool] = lambda number: False,
    ) -> None:
        listed = None if callable(answers) else list(answers)
        self._answers: Answers = answers if callable(answers) else lambda n: listed[min(n, len(listed)) - 1]  # type: ignore[index, arg-type]
        self._knows, self._identity, self._delay_s, self._refuses = set(knows), identity, delay_s, refuses
        self.heard: list[str] = []
        self.measured = self.connections = 0
        self._listening = socket.create_server(("127.0.0.1", 0))
        self.resource = f"TCPIP::127.0.0.1::{self._listening.getsockname()[1]}::SOCKET"
        self._open: list[socket.socket] = []
        self._closing = False
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def close(self) -> None:
        """Switch it off."""
        self._closing = True
        with suppress(OSError):
            self._listening.shutdown(socket.SHUT_RDWR)
        self._listening.close()
        for one in self._open:
            with suppress(OSError):
                one.shutdown(socket.SHUT_RDWR)
        self._thread.join(5)

    def _serve(self) -> None:
        while not self._closing:
            try:
                link, _ = self._listening.accept()
            except OSError:
                return
            self.connections += 1
            self._open.append(link)
            with link, suppress(OSError):
                link.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                if not self._refuses(self.connections):
                    self._talk(link)
            self._open.remove(link)

    def _talk(self, link: socket.socket) -> None:
        waiting = b""
        while True:
            data = link.recv(4096)
            if not data:
                return
            waiting += data
            while b"\n" in waiting:
                line, _, waiting = waiting.partition(b"\n")
                answer = self._answer(line.decode().strip())
                if answer == DROP:
                    return
                if answer != SILENT:
                    time.sleep(self._delay_s)
                    link.sendall(answer.encode("latin-1") + b"\n")

    def _answer(self, query: str) -> str:
        self.heard.append(query)
        if query == "*IDN?":
            return SILENT if self._identity is None else self._identity
        if query not in self._knows:
            return SILENT
        if not query.startswith("MEAS") and not query.startswith("READ"):
            return "C"
        self.measured += 1
        return self._answers(self.measured)


@contextmanager
def scpi_server(*arguments: object, **named: object) -> Iterator[ScpiServer]:
    """Give a running instrument."""
    server = ScpiServer(*arguments, **named)  # type: ignore[arg-type]
    try:
        yield server
    finally:
        server.close()
