"""Hands for the work on photos: this process alone, or several processes that share it out.

What is handed out are pure functions of values, so the result is the same whoever does it.
"""

import multiprocessing
import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import CancelledError, Future, ProcessPoolExecutor, ThreadPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from pathlib import Path
from typing import TypeVar

from vision import helper
from vision.read.models import THREADS_VARIABLE, flush_denormals
from vision.remembered import Views

Item = TypeVar("Item")
Outcome = TypeVar("Outcome")
_PATIENCE_S = 0.1
"""How soon a wait notices that it is in vain."""


class Crew:
    """Does the work itself."""

    def __init__(self) -> None:
        self._seen = Views()

    @property
    def seen(self) -> Views:
        """The photos looked at so far: those that come again are not looked at again."""
        return self._seen

    def each(self, work: Callable[[Item], Outcome], items: Sequence[Item]) -> list[Outcome]:
        """Return the work's outcome for every item, in order."""
        return [work(item) for item in items]

    def photos(self, work: Callable[[Item], Outcome], items: Sequence[Item]) -> Iterator[Outcome]:
        """Yield the work's outcome for every photo, in order; the work itself hands out its parts by `each`."""
        return map(work, items)

    @property
    def whole(self) -> bool:
        """Whether nobody of it was lost; a crew that is not whole still works, but slower."""
        return True


class _Shared(Crew):
    """Hands the work to other processes."""

    def __init__(self, pool: ProcessPoolExecutor, workers: int) -> None:
        super().__init__()
        self._pool, self._workers = pool, workers
        self._broken_off = self._lost = False

    def each(self, work: Callable[[Item], Outcome], items: Sequence[Item]) -> list[Outcome]:
        futures: list[Future[Outcome]] = []
        try:
            futures += [self._pool.submit(work, item) for item in items]
            return [self._outcome(future) for future in futures]
        except BrokenProcessPool:  # one was killed, most likely for want of memory: do it here, one after the other
            self._lost = True
            return super().each(work, items)
        finally:
            for future in futures:
                future.cancel()

    def _outcome(self, future: "Future[Outcome]") -> Outcome:
        """Wait for one outcome, as long as anybody wants it."""
        while not wait([future], timeout=_PATIENCE_S).done:
            if self._broken_off:
                raise CancelledError
        return future.result()

    def photos(self, work: Callable[[Item], Outcome], items: Sequence[Item]) -> Iterator[Outcome]:
        if len(items) < 2:
            # Here and in no thread, so that a Ctrl-C breaks it off at once.
            yield from map(work, items)
            return
        # One photo more than there are workers: while one is put together here, the others keep them busy. Photos
        # wait for their turn unopened, so memory does not grow with their number.
        with ThreadPoolExecutor(self._workers + 1) as hands:
            try:
                yield from hands.map(work, items)
            except BaseException:  # nobody waits for the rest any more
                self._broken_off = True
                raise
            finally:
                hands.shutdown(cancel_futures=True)
                self._broken_off = False  # the next photos are wanted

    @property
    def whole(self) -> bool:
        return not self._lost


@contextmanager
def crew(workers: int) -> Iterator[Crew]:
    """Give a crew of so many processes; 1 stands for this process alone.

    Parameters
    ----------
    workers : int
    """
    if workers <= 1:
        yield Crew()
        return
    context = multiprocessing.get_context("fork" if _may_fork() else "spawn")
    pool = ProcessPoolExecutor(workers, mp_context=context, initializer=prepare)
    pool.submit(_nothing)  # starts the processes now, before other threads run here or a database is written to
    try:
        yield _Shared(pool, workers)
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


def cores() -> int:
    """Return how many cores this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def _may_fork() -> bool:
    """Whether no other thread runs here: a fork starts sooner, but takes over locks that other threads hold."""
    tasks = Path("/proc/self/task")
    return tasks.is_dir() and sum(1 for _ in tasks.iterdir()) == 1


def _nothing() -> None:
    """Do nothing."""


def one_core() -> None:
    """Keep this process to one core, for others share the work already; it does nothing but look at photos."""
    import cv2

    os.environ[THREADS_VARIABLE] = "1"
    flush_denormals()
    cv2.setNumThreads(1)


def prepare() -> None:
    """Make a process one of several that share the work; a Ctrl-C is the parent's to answer."""
    helper.begin()
    one_core()
