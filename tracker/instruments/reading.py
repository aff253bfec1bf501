"""The reading loop: a value each so many seconds, over lost links and odd answers, until it is enough.

The declared rules (common practice, no source): a link that is lost is opened again after 0.5, 1, 2, 4 and 8 s, and
given up after that, or when it was lost five times with no answer between; ten answers in a row without a value end
the loop. A slot that is missed is left out, not made up
for, so that the readings keep their distance.
"""

import time
from collections.abc import Generator, Iterator
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Literal, Protocol

from tracker.errors import BadRequest
from tracker.instruments import scpi
from tracker.instruments.scpi import Answer, Quantity
from tracker.instruments.visa import Link, LinkLost

BACK_OFF_S = (0.5, 1.0, 2.0, 4.0, 8.0)
MOST_LOSSES = 5
MOST_WITHOUT_VALUE = 10
LEAST_EVERY_S = 0.005
_LONGEST_NAME = 200


class Stop(Protocol):
    """Somebody who may ask to stop; as `tracker.cli.interrupt.Stop`.

    `wait` lets time pass and raises KeyboardInterrupt where somebody asks meanwhile: no signal wakes a thread.
    """

    def asked(self) -> bool: ...
    def interruptible(self) -> AbstractContextManager[None]: ...
    def wait(self, seconds: float) -> None: ...


class Never:
    """Nobody asks to stop."""

    def asked(self) -> bool:
        return False

    def interruptible(self) -> AbstractContextManager[None]:
        return nullcontext()

    def wait(self, seconds: float) -> None:
        time.sleep(seconds)


@dataclass(frozen=True, slots=True)
class Plan:
    """How often to read, and when it is enough: after `count` values or `for_s` seconds; neither: until stopped."""

    every_s: float = 1.0
    count: int | None = None
    for_s: float | None = None

    def __post_init__(self) -> None:
        if not LEAST_EVERY_S <= self.every_s <= 86_400:
            raise BadRequest("Readings can be 5 ms to a day apart.", "Write --every 1s, for example.")
        if self.count is not None and self.count < 1:
            raise BadRequest("The number of readings must be 1 or more.")
        if self.for_s is not None and self.for_s <= 0:
            raise BadRequest("The time to read for must be above 0.")


@dataclass(frozen=True, slots=True)
class Read:
    """One answer of the instrument.

    Parameters
    ----------
    time_s : float
        Since the first answer, by a clock that is never set.
    instant : datetime
        UTC; half-way between question and answer.
    value : float or None
        In the quantity's unit; None where the answer held none.
    step : float
        What one step of the last digit is worth.
    said : str
        Why there is no value.
    """

    time_s: float
    instant: datetime
    value: float | None
    step: float = 0.0
    said: str = ""


@dataclass(frozen=True, slots=True)
class Said:
    """Something a person should know while it goes on: a link lost or found again."""

    text: str


@dataclass(frozen=True, slots=True)
class Opened:
    """The instrument answers: who it says it is (None: it does not say), and the query that is used."""

    identity: str | None
    query: str


@dataclass(frozen=True, slots=True)
class Ended:
    """Why it ended: 'enough', 'stopped' by somebody, 'lost' link or 'odd' answers; in a sentence, and slots missed."""

    why: Literal["enough", "stopped", "lost", "odd"]
    text: str
    missed: int = 0


Event = Read | Said | Opened | Ended


def loop(
    link: Link, measured: Quantity, plan: Plan, stop: Stop | None = None, query: str | None = None
) -> Generator[Event, None, None]:
    """Read an instrument.

    Parameters
    ----------
    link : Link
        Closed; it is closed again at the end.
    measured : Quantity
    plan : Plan
    stop : Stop, optional
    query : str, optional
        Asked instead of the standard query.

    Yields
    ------
    Event
        `Opened` first, `Ended` last.

    Raises
    ------
    BadRequest
        The instrument cannot be reached or does not answer the query at the start.
    """
    try:
        yield from _Loop(link, measured, plan, stop or Never(), query).events()
    finally:
        link.close()


class _Loop:
    """The state of one loop."""

    def __init__(self, link: Link, measured: Quantity, plan: Plan, stop: Stop, query: str | None) -> None:
        self._link, self._measured, self._plan, self._stop = link, measured, plan, stop
        self._queries = (query,) if query else measured.queries
        self._query = self._queries[0]
        self._temperature_in = "C"
        self._begun: float | None = None
        self._identity: str | None = None
        self._values = self._without = self._losses = self._missed = 0

    def events(self) -> Iterator[Event]:
        try:
            with self._stop.interruptible():
                told = self._start()
        except KeyboardInterrupt:
            yield Ended("stopped", "Stopped before the first reading.")
            return
        yield Opened(self._identity, self._query)
        yield from told
        yield from self._readings()

    def _readings(self) -> Iterator[Event]:
        due = time.monotonic()
        first_due = due
        while True:
            try:
                with self._stop.interruptible():
                    self._stop.wait(max(due - time.monotonic(), 0.0))
                    read = self._read()
            except KeyboardInterrupt:
                yield Ended("stopped", "Stopped by hand.", self._missed)
                return
            except LinkLost as lost:
                yield Said(f"The link was lost: {lost}.")
                self._losses += 1
                lasting = yield from self._again()
                if lasting is not None:
                    yield lasting
                    return
            else:
                yield read
                ended = self._enough(read)
                if ended is not None:
                    yield ended
                    return
            due = self._next(due)
            if self._plan.for_s is not None and due - first_due > self._plan.for_s:
                yield Ended("enough", f"Read for {self._plan.for_s:g} s.", self._missed)
                return

    def _start(self) -> list[Said]:
        """Open the link and find the query that the instrument answers."""
        try:
            self._link.open()
            self._identity = self._who()
        except LinkLost as lost:
            raise BadRequest(
                f"No instrument can be read at {self._link.resource}: {lost}.",
                "See that it is switched on and connected, that the address is right, and that nothing else holds it.",
            ) from None
        told = self._settle_temperature() if self._measured.unit == "C" else []
        self._query = self._answered_query()
        return told

    def _who(self) -> str | None:
        try:
            return self._name() or None
        except LinkLost as lost:
            if "no answer" not in str(lost):
                raise
            self._link.open()
            return None

    def _name(self) -> str:
        """Return who the instrument says it is, fit to be printed: what comes from outside may steer a terminal."""
        told = self._link.ask(scpi.IDENTIFY)
        return "".join(c if c.isprintable() else "?" for c in told.strip())[:_LONGEST_NAME]

    def _settle_temperature(self) -> list[Said]:
        unit = None
        try:
            unit = scpi.unit_of_temperature(self._link.ask(scpi.UNIT_OF_TEMPERATURE))
        except LinkLost:
            self._reopen()
        if unit is None:
            return [Said("The instrument does not say its unit of temperature; degrees Celsius are taken for granted.")]
        self._temperature_in = unit
        return []

    def _answered_query(self) -> str:
        """Return the first query that is answered; an answer without a value is one, too (an overload, say)."""
        for query in self._queries:
            try:
                self._link.ask(query)
                return query
            except LinkLost as lost:
                told = str(lost)
                self._reopen()
        raise BadRequest(
            f"The instrument at {self._link.resource} does not measure {self._measured.name} when asked: {told}.",
            "Set it up for that by hand and name the query it knows with --query, or read another quantity."
            if all(query.rstrip().endswith("?") or "? " in query for query in self._queries)
            else "A query of SCPI has a question mark: 'READ?'.",
        )

    def _reopen(self) -> None:
        try:
            self._link.open()
        except LinkLost as lost:
            raise BadRequest(f"The link to {self._link.resource} was lost at the start: {lost}.") from None

    def _read(self) -> Read:
        asked = time.monotonic()
        answer: Answer = scpi.understand(
            self._link.ask(self._query), self._measured, temperature_in=self._temperature_in
        )
        answered = time.monotonic()
        middle = (asked + answered) / 2
        if self._begun is None:
            self._begun = middle
        instant = datetime.fromtimestamp(time.time() - (answered - middle), UTC)
        return Read(middle - self._begun, instant, answer.value, answer.step, answer.said)

    def _enough(self, read: Read) -> Ended | None:
        self._values += read.value is not None
        self._losses = 0
        self._without = 0 if read.value is not None else self._without + 1
        if self._without >= MOST_WITHOUT_VALUE:
            return Ended(
                "odd", f"{MOST_WITHOUT_VALUE} answers in a row held no value; the last: {read.said}", self._missed
            )
        if self._plan.count is not None and self._values >= self._plan.count:
            return Ended("enough", f"{self._values} readings.", self._missed)
        return None

    def _next(self, due: float) -> float:
        """Return when to read next: one distance on, or the first slot that is still to come."""
        due += self._plan.every_s
        late = int((time.monotonic() - due) / self._plan.every_s)
        if late > 0:
            self._missed += late
            due += late * self._plan.every_s
        return due

    def _again(self) -> Generator[Event, None, Ended | None]:
        """Open the link again; return why it ended where that does not work."""
        if self._losses > MOST_LOSSES:
            return Ended("lost", f"The link was lost {self._losses} times with no answer between.", self._missed)
        for wait in BACK_OFF_S:
            yield Said(f"Connecting again in {wait:g} s.")
            try:
                with self._stop.interruptible():
                    self._stop.wait(wait)
                    self._link.open()
                    other = self._other()
            except KeyboardInterrupt:
                return Ended("stopped", "Stopped by hand, with the link lost.", self._missed)
            except LinkLost as lost:
                yield Said(f"Still lost: {lost}.")
            else:
                if other:
                    return Ended("lost", f"Another instrument answers now: {other}.", self._missed)
                yield Said("The link is back.")
                return None
        return Ended("lost", f"The link was lost and did not come back in {len(BACK_OFF_S)} tries.", self._missed)

    def _other(self) -> str:
        """Return who answers on a new link, where it is not the instrument of before; empty where it is."""
        if self._identity is None:
            self._link.ask(self._query)  # it does not say who it is; an opened socket alone proves nothing
            return ""
        now = self._name()
        return "" if now == self._identity else now
