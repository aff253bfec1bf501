"""Jobs handed to workers, a window of them at a time, and what becomes of a job whose worker is lost.

A job that was lost with its worker is handed over again with nothing beside it, so that it shows whose fault it was;
lost again, it is taken apart into its photos, and a photo that is lost by itself is set aside.
"""

import time
from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, wait
from dataclasses import replace

from tracker.desk.reinspect_hands import Hands, Lost, refused
from tracker.desk.reinspect_job import LotSeen, PhotoSeen
from tracker.desk.reinspect_limit import longest_s, took_too_long
from tracker.desk.reinspect_plan import Planned

IN_HAND = 2
"""Jobs for each worker that are handed over before the first answer: one to do, one to begin with at once."""
PATIENCE_S = 0.5
"""How soon a wait notices that it is in vain (our own choice)."""
BROKEN = "a worker ended each time it looked at it: for want of memory, or by a crash"


class Queue:
    """Hands out jobs and gives back their answers, in the order in which they come.

    Parameters
    ----------
    hands : Hands
    jobs : iterator of Planned
        Asked for the next one only when there is room for it, so that memory does not grow with their number.
    wanted : callable
        Asked again and again while answers are awaited; once it says no, none is awaited any more.
    """

    def __init__(self, hands: Hands, jobs: Iterator[Planned], wanted: Callable[[], bool] = lambda: True) -> None:
        self._hands, self._jobs, self._wanted = hands, jobs, wanted
        self._waiting: dict[Future[LotSeen], tuple[Planned, float]] = {}
        self._doubted: deque[Planned] = deque()
        self._broken = False

    def again(self, planned: Planned) -> None:
        """Put a job before all others."""
        self._doubted.append(replace(planned, alone=False))

    def answers(self) -> Iterator[tuple[Planned, LotSeen]]:
        """Yield each job with its answer.

        Raises
        ------
        BadRequest
            A worker has another program, or all are gone.
        """
        try:
            while self._wanted() and self._fill():
                yield from self._next()
        finally:
            for future in self._waiting:
                future.cancel()

    def _fill(self) -> bool:
        """Hand over what there is room for; whether anything is under way."""
        if any(one.alone for one in self._doubted):
            # Nothing new before it is known which photo breaks workers.
            if not self._waiting:
                self._submit(self._take_alone())
            return True
        while len(self._waiting) < IN_HAND * self._hands.workers:
            planned = self._doubted.popleft() if self._doubted else next(self._jobs, None)
            if planned is None:
                break
            self._submit(planned)
        return bool(self._waiting)

    def _take_alone(self) -> Planned:
        first = next(one for one in self._doubted if one.alone)
        self._doubted.remove(first)
        return first

    def _submit(self, planned: Planned) -> None:
        self._waiting[self._hands.submit(planned.job)] = planned, time.monotonic()

    def _next(self) -> Iterator[tuple[Planned, LotSeen]]:
        done, _ = wait(self._waiting, timeout=PATIENCE_S, return_when=FIRST_COMPLETED)
        for future in done:
            planned, since = self._waiting.pop(future)
            try:
                seen = self._hands.outcome(future)
            except Lost:
                self._broken = True
                yield from self._lost(planned, time.monotonic() - since)
                continue
            if seen.refused is not None:
                raise refused("that came later", seen.refused)
            yield planned, seen
        if self._broken and not self._waiting:
            self._hands.renew()
            self._broken = False

    def _lost(self, planned: Planned, after_s: float) -> Iterator[tuple[Planned, LotSeen]]:
        photos = planned.job.photos
        if not planned.alone:
            self._doubted.append(replace(planned, alone=True))
        elif len(photos) > 1:
            singles = [replace(planned, job=replace(planned.job, photos=(one,))) for one in photos]
            self._doubted.extendleft(reversed(singles))
        else:
            # Alone it was begun at once; a worker that ended itself over it did so at the limit.
            why = took_too_long(photos[0]) if after_s >= longest_s(photos[0]) else BROKEN
            yield planned, LotSeen((PhotoSeen(photos[0].photo.photo_id, error=why),))
