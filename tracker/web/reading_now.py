"""Instruments being read for the pages, each in a thread of its own: a page may go away, the reading goes on.

Every reading is in the workspace's spool before any page hears of it. A page that comes back asks for what it missed
by the number of the last message it has.
"""

import secrets
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

from tracker.bench.figures import show
from tracker.desk import live as lives
from tracker.desk.live import Live
from tracker.errors import BadRequest, LotproofError
from tracker.instruments.reading import Ended, Event, Opened, Read, Said

MOST_AT_ONCE = 8  # instruments on one bench; common practice, no source
MOST_KEPT = 40
Message = dict[str, Any]


class Stopping:
    """A stop that wakes a thread from its wait."""

    def __init__(self) -> None:
        self._asked = threading.Event()

    def ask(self) -> None:
        self._asked.set()

    def asked(self) -> bool:
        return self._asked.is_set()

    @contextmanager
    def interruptible(self) -> Iterator[None]:
        if self._asked.is_set():
            raise KeyboardInterrupt
        yield

    def wait(self, seconds: float) -> None:
        if self._asked.wait(seconds):
            raise KeyboardInterrupt


@dataclass(frozen=True, slots=True)
class Series:
    """Readings at one setting: where they go, and what came."""

    live: Live
    clock: str
    events: list[Event] = field(default_factory=list)


class Reader:
    """One test read live, at one setting after the other.

    Attributes
    ----------
    word : str
        What its pages are found by.
    test, label : str
    about : object
        The form as it was typed; whoever started the reading knows what it is.
    series : list of Series
    messages : list of dict
        What the pages are told, in order; a message's number is its place, from 1.
    """

    def __init__(self, test: str, label: str, about: object) -> None:
        self.word = secrets.token_urlsafe(9)
        self.test, self.label, self.about = test, label, about
        self.series: list[Series] = []
        self.messages: list[Message] = []
        self.problem: LotproofError | None = None
        self.recorded = ""
        self.lock = threading.Lock()
        self._stop = Stopping()
        self._thread: threading.Thread | None = None

    @property
    def ended_well(self) -> bool:
        """Whether the latest series came to its end, or to one somebody asked for, with values in it."""
        events = self.series[-1].events
        end = events[-1] if events else None
        return isinstance(end, Ended) and end.why in ("enough", "stopped") and bool(self.values())

    @property
    def resource(self) -> str:
        return self.series[-1].live.resource

    @property
    def going(self) -> bool:
        return self._thread is not None and self._thread.is_alive()

    def begin(self, live: Live, clock: str) -> None:
        """Read one more series; the one before has ended."""
        self._stop = Stopping()
        self.problem = None
        one = Series(live, clock)
        self.series.append(one)
        self._tell({"kind": "series", "clock": clock})
        self._thread = threading.Thread(target=self._read, args=(one, self._stop), daemon=True, name="lotproof-reading")
        self._thread.start()

    def stop(self) -> None:
        """Ask it to stop; it has when `wait` returns True."""
        self._stop.ask()

    def wait(self, seconds: float) -> bool:
        """Wait until the reading ended and return whether it has."""
        thread = self._thread
        if thread is not None:
            thread.join(seconds)
        return not self.going

    def after(self, number: int) -> list[tuple[int, Message]]:
        """Return the messages after a number, each with its own."""
        with self.lock:
            return list(enumerate(self.messages[number:], start=number + 1))

    def values(self) -> list[tuple[float, float]]:
        """Return the readings of the latest series: seconds, and the value in its quantity's unit."""
        return [
            (e.time_s, e.value) for e in list(self.series[-1].events) if isinstance(e, Read) and e.value is not None
        ]

    def _read(self, one: Series, stop: Stopping) -> None:
        try:
            for event in lives.read(one.live, stop):
                one.events.append(event)
                self._tell(_message(event, one))
        except LotproofError as error:
            self.problem = error
        except Exception as error:  # a thread's error would reach nobody
            self.problem = BadRequest(f"The reading broke off: {type(error).__name__}.", "What was read is kept.")
        if self.problem is not None:
            self._tell({"kind": "ended", "why": "problem", "text": str(self.problem)})
        elif not one.events or not isinstance(one.events[-1], Ended):
            self._tell({"kind": "ended", "why": "enough", "text": "It was enough."})

    def _tell(self, message: Message) -> None:
        with self.lock:
            self.messages.append(message)


def _message(event: Event, one: Series) -> Message:
    unit = one.live.measured.unit
    if isinstance(event, Read):
        if event.value is None:
            return {"kind": "said", "text": f"{event.time_s:.1f} s: {event.said}"}
        return {
            "kind": "read",
            "t": round(event.time_s, 3),
            "v": event.value,
            "shown": show(event.value, unit, 6),
            "clock": one.clock,
        }
    if isinstance(event, Opened):
        return {"kind": "opened", "text": f"{event.identity or 'An instrument that does not say what it is'}"}
    if isinstance(event, Said):
        return {"kind": "said", "text": event.text}
    return {"kind": "ended", "why": event.why, "text": event.text}


class Readers:
    """All readings of this server: one at a time for each resource."""

    def __init__(self) -> None:
        self._kept: dict[str, Reader] = {}
        self._lock = threading.Lock()

    def start(self, reader: Reader, live: Live, clock: str) -> None:
        """Begin a reading, or another series of one.

        Raises
        ------
        BadRequest
            The instrument is being read already, or too many are.
        """
        with self._lock:
            going = [one for one in self._kept.values() if one.going]
            other = next((one for one in going if one.resource.upper() == live.resource.upper()), None)
            if other is not None:
                raise BadRequest(
                    f"{live.resource} is being read already, for {other.label}.",
                    "One reading at a time holds an instrument: stop that one first.",
                )
            if len(going) >= MOST_AT_ONCE:
                raise BadRequest(f"{len(going)} instruments are being read already.", "Stop one of them first.")
            self._kept[reader.word] = reader
            reader.begin(live, clock)
            for word in [word for word, one in self._kept.items() if not one.going][
                : max(len(self._kept) - MOST_KEPT, 0)
            ]:
                del self._kept[word]

    def find(self, word: str) -> Reader | None:
        """Return a reading by its word."""
        with self._lock:
            return self._kept.get(word)

    def all(self) -> tuple[Reader, ...]:
        """Return all readings that are known, the newest last."""
        with self._lock:
            return tuple(self._kept.values())

    def close(self) -> None:
        """Stop all of them; what they read stays in the spool."""
        last = time.monotonic() + 5.0
        for reader in self.all():
            reader.stop()
        for reader in self.all():
            reader.wait(max(last - time.monotonic(), 0.0))
