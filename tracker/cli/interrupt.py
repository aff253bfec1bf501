"""Ctrl-C and SIGTERM as an ordinary end: what was done so far is still printed."""

import signal
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from types import FrameType


class Stop:
    """Whether somebody asked to stop.

    Between two things that is looked at; a thing that takes long and leaves nothing half done is broken off by a
    KeyboardInterrupt where it stands in `interruptible`.
    """

    def __init__(self) -> None:
        self._asked = self._breakable = False

    def asked(self) -> bool:
        """Return whether somebody asked to stop."""
        return self._asked

    @contextmanager
    def interruptible(self) -> Iterator[None]:
        """Let what is done inside be broken off by a KeyboardInterrupt."""
        self._breakable = True
        try:
            if self._asked:
                raise KeyboardInterrupt
            yield
        finally:
            self._breakable = False

    def wait(self, seconds: float) -> None:
        """Let time pass; a signal breaks it off inside `interruptible`."""
        time.sleep(seconds)

    def heard(self, number: int, frame: FrameType | None) -> None:
        """Take a signal."""
        self._asked = True
        if self._breakable:
            self._breakable = False  # once: what cleans up after it is left alone
            raise KeyboardInterrupt


@contextmanager
def stopping() -> Iterator[Stop]:
    """Turn Ctrl-C and SIGTERM into a `Stop` while this lasts."""
    stop = Stop()
    before = {number: signal.signal(number, stop.heard) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield stop
    finally:
        for number, handler in before.items():
            with suppress(TypeError):  # a handler that was not set from Python cannot be put back
                signal.signal(number, handler)
