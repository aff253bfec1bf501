"""A real terminal for tests: the command runs on a pseudo-terminal of the standard library. No part of the program."""

import os
import pty
import select
import signal
import subprocess
import sys
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress

LONGEST_WAIT_S = 30.0
CTRL_C, CTRL_D = "\x03", "\x04"


class Terminal:
    """One command on a terminal of 100 by 40 characters.

    Attributes
    ----------
    shown : str
        All that came so far.
    """

    def __init__(self, words: tuple[str, ...], environment: Mapping[str, str]) -> None:
        self._master, slave = pty.openpty()
        surroundings = {**os.environ, **environment, "COLUMNS": "100", "LINES": "40", "TERM": "xterm"}
        self.process = subprocess.Popen(
            [sys.executable, "-c", "import sys; from tracker.cli.main import run; run()", *words],
            stdin=slave,
            stdout=slave,
            stderr=slave,
            env=surroundings,
            start_new_session=True,
            preexec_fn=_own_terminal,
        )
        os.close(slave)
        self.shown = ""
        self._read = 0

    def expect(self, text: str) -> str:
        """Wait until a text appears after the last one waited for, and return what came up to it."""
        until = time.monotonic() + LONGEST_WAIT_S
        while text not in self.shown[self._read :]:
            if time.monotonic() > until or not self._more(until):
                raise AssertionError(f"{text!r} never came; since the last one: {self.shown[self._read :]!r}")
        end = self.shown.index(text, self._read) + len(text)
        came, self._read = self.shown[self._read : end], end
        return came

    def type(self, line: str) -> None:
        """Type a line and Enter."""
        os.write(self._master, f"{line}\n".encode())

    def press(self, key: str) -> None:
        """Press one key."""
        os.write(self._master, key.encode())

    def end(self) -> int:
        """Wait for the command to end and return its exit code."""
        until = time.monotonic() + LONGEST_WAIT_S
        while self._more(until):
            pass
        return self.process.wait(LONGEST_WAIT_S)

    def close(self) -> None:
        """End what still runs."""
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait(LONGEST_WAIT_S)
        with suppress(OSError):
            os.close(self._master)

    def _more(self, until: float) -> bool:
        ready, _, _ = select.select([self._master], [], [], max(until - time.monotonic(), 0.0))
        if not ready:
            return False
        try:
            data = os.read(self._master, 65536)
        except OSError:  # the other end was closed
            return False
        self.shown += data.decode(errors="replace").replace("\r\n", "\n")
        return bool(data)


def _own_terminal() -> None:
    """Make standard input the controlling terminal, so that Ctrl-C there is a signal."""
    # Where the tests run in the background a Ctrl-C is ignored, and children take that over; at a terminal it is not.
    signal.signal(signal.SIGINT, signal.SIG_DFL)
    import fcntl
    import termios

    fcntl.ioctl(0, termios.TIOCSCTTY, 0)


@contextmanager
def terminal(*words: object, **environment: str) -> Iterator[Terminal]:
    """Run `lotproof` with these words on a terminal."""
    one = Terminal(tuple(map(str, words)), environment)
    try:
        yield one
    finally:
        one.close()
