"""Looking that may be broken off: a crew that asks between any two parts of its work whether they are still wanted."""

from collections.abc import Callable, Iterator, Sequence
from typing import TypeVar

from vision.crew import Crew
from vision.remembered import Views

Item = TypeVar("Item")
Outcome = TypeVar("Outcome")


class BrokenOff(Exception):
    """The work is wanted no more, or not now; nothing was written."""


class Breakable(Crew):
    """Hands everything to another crew.

    Parameters
    ----------
    crew : Crew
    check : callable
        Raises `BrokenOff` once the work is wanted no more; asked from several threads.
    """

    def __init__(self, crew: Crew, check: Callable[[], None]) -> None:
        self._crew, self._check = crew, check

    def each(self, work: Callable[[Item], Outcome], items: Sequence[Item]) -> list[Outcome]:
        self._check()
        outcomes = self._crew.each(work, items)
        self._check()
        return outcomes

    def photos(self, work: Callable[[Item], Outcome], items: Sequence[Item]) -> Iterator[Outcome]:
        self._check()
        yield from self._crew.photos(work, items)

    @property
    def whole(self) -> bool:
        return self._crew.whole

    @property
    def seen(self) -> Views:
        return self._crew.seen
