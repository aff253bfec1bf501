"""A photo that takes for ever: the worker that has it ends itself, and the others are looked at by the next one.

Nothing else helps against a loop inside a library that never comes back. What is lost with the worker is handed out
again (`tracker/desk/reinspect_queue.py`), and the photo that is lost by itself is set aside.
"""

import faulthandler
import multiprocessing
import os
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from typing import IO

from tracker.desk.reinspect_job import PhotoJob

LONGEST_S = 120.0
"""For a photo; our own choice: looking at one of eight chips was measured at 4 to 6 s of one core of 2.5 GHz."""
COMPANION_S = 30.0
"""More for each photo it is compared with, which may have to be looked at first; our own choice, as above."""


def longest_s(one: PhotoJob) -> float:
    """Return how long a worker may take for a photo, in seconds."""
    return LONGEST_S + COMPANION_S * (len(one.siblings) + len(one.before_swab))


def took_too_long(one: PhotoJob) -> str:
    """Return what is said of a photo that took longer."""
    return f"looking at it took longer than {longest_s(one):.0f} s, and the worker that did was ended each time"


@contextmanager
def limited(one: PhotoJob) -> Iterator[None]:
    """End this process where looking at a photo takes too long; a main process, which nobody starts again, is left."""
    if multiprocessing.parent_process() is None:
        yield
        return
    # Its watch needs neither a signal nor Python's own lock, which a loop in a library may hold.
    faulthandler.dump_traceback_later(longest_s(one), exit=True, file=_nowhere())
    try:
        yield
    finally:
        faulthandler.cancel_dump_traceback_later()


@cache
def _nowhere() -> IO[str]:
    return Path(os.devnull).open("w", encoding="utf-8")  # as long as the process lives
