"""Reading an instrument: what was typed becomes a plan, and every reading is on the disk before it is told.

The readings of a run are written into the workspace's spool (or the file named) as they come. Once the run is recorded
the same bytes are its evidence and the spooled file goes; until then it is what is left after a power cut, of which
`tracker/desk/spool.py` tells.
"""

from collections.abc import Callable, Generator, Iterator, Sequence
from contextlib import ExitStack, closing
from dataclasses import dataclass
from pathlib import Path

from tracker.bench import tables
from tracker.bench.current import Reading
from tracker.bench.tables import Source
from tracker.bench.units import quantity
from tracker.desk.fields import one_line
from tracker.errors import BadRequest
from tracker.instruments import reading, scpi, visa
from tracker.instruments.log import Log
from tracker.instruments.reading import Ended, Event, Opened, Plan, Read, Stop
from tracker.instruments.scpi import Quantity

LONGEST_INSTRUMENT = 200  # as its column holds


@dataclass(frozen=True, slots=True)
class LiveRequest:
    """What to read, as typed: a VISA resource string, times with their units, a clock that is written beside it."""

    resource: str
    what: str = "current"
    every: str = "1 s"
    count: int | None = None
    duration: str | None = None
    clock: str | None = None
    query: str | None = None
    timeout: str | None = None


@dataclass(frozen=True, slots=True)
class Live:
    """A checked request, ready to be read.

    Parameters
    ----------
    path : Path
        The table that the readings go to.
    """

    resource: str
    measured: Quantity
    plan: Plan
    clock_hz: float | None
    query: str | None
    timeout_s: float
    path: Path


@dataclass(frozen=True, slots=True)
class Taken:
    """Readings that were taken live, ready to be evaluated.

    Parameters
    ----------
    readings : tuple of Reading
    source : Source
        The whole table as it was written, answers without a value among it.
    instrument : str
        Who the instrument says it is, and where it was asked.
    notes : tuple of str
        What went otherwise than planned.
    """

    readings: tuple[Reading, ...]
    source: Source
    instrument: str
    notes: tuple[str, ...]


def ready(request: LiveRequest, path: Path) -> Live:
    """Return the checked request; nothing is opened yet.

    Raises
    ------
    BadRequest
        Anything typed cannot be used, or there is a file at `path`.
    """
    resource = request.resource.strip()
    if not visa.is_resource(resource):
        raise BadRequest(
            f"{request.resource!r} is no VISA resource.",
            "Write it such as TCPIP::192.0.2.7::5025::SOCKET, USB::...::INSTR or ASRL/dev/ttyUSB0::INSTR.",
        )
    timeout_s = visa.DEFAULT_TIMEOUT_S if request.timeout is None else quantity(request.timeout, "time")
    if not 0.05 <= timeout_s <= 120:
        raise BadRequest("An answer may take 50 ms to 120 s.", "Write --timeout '5 s', for example.")
    if path.exists():
        raise BadRequest(f"{path} is there already.", "Name a new file; readings never replace others.")
    return Live(
        resource=one_line(resource, "resource", 120),
        measured=scpi.quantity(request.what),
        plan=Plan(
            quantity(request.every, "time"),
            request.count,
            None if request.duration is None else quantity(request.duration, "time"),
        ),
        clock_hz=None if request.clock is None else quantity(request.clock, "clock"),
        query=None if request.query is None else one_line(request.query, "query", 200),
        timeout_s=timeout_s,
        path=path,
    )


def read(live: Live, stop: Stop | None = None) -> Generator[Event, None, None]:
    """Read the instrument; each reading is safe in `live.path` before it is yielded.

    Yields
    ------
    Event
        `Opened` first, `Ended` last.

    Raises
    ------
    BadRequest
        The instrument cannot be read at all, or the table cannot be written.
    """
    link = visa.Link(live.resource, live.timeout_s)
    with ExitStack() as held:
        # Closed with this: the link must not stay open where somebody stops listening.
        events = held.enter_context(closing(reading.loop(link, live.measured, live.plan, stop, live.query)))
        first = next(events)
        if not isinstance(first, Opened):
            yield first
            return
        log = held.enter_context(Log(live.path, live.measured, live.clock_hz))
        yield first
        for event in events:
            if isinstance(event, Read):
                log.add(event)
            yield event


def stream(
    live: Live, stop: Stop | None = None, tell: Callable[[Event], None] | None = None
) -> Iterator[tuple[float, float]]:
    """Yield what is read as seconds since the first answer and the value in the quantity's unit, until it is enough.

    Answers without a value are in the table and not yielded; `tell` hears of every event, for a person to see.

    Raises
    ------
    BadRequest
        As in `read`; or the link was lost for good, or no answer held a value any more. What was read is in
        `live.path`.
    """
    for event in read(live, stop):
        if tell is not None:
            tell(event)
        if isinstance(event, Read) and event.value is not None:
            yield event.time_s, event.value
        if isinstance(event, Ended):
            complete(event, live)


def ended(events: Sequence[Event]) -> Ended:
    """Return how a whole series of events ended."""
    return next(event for event in reversed(events) if isinstance(event, Ended))


def complete(end: Ended, live: Live) -> None:
    """Refuse to go on after readings that broke off.

    Raises
    ------
    BadRequest
        The link was lost for good, or the answers held no values; the sentence says where the readings are.
    """
    if end.why in ("lost", "odd"):
        told = "it can be used with --from" if _holds_values(live.path) else "it holds no value"
        raise BadRequest(end.text, f"What was read is in {live.path}; {told}.")


def _holds_values(path: Path) -> bool:
    """Tell whether a table that was read live has a row with a value."""
    try:
        tables.unanswered(*tables.rows_of(path.read_bytes(), path.name), path.name)
    except (BadRequest, OSError):
        return False
    return True


def current_taken(live: Live, events: Sequence[Event]) -> Taken:
    """Return the readings of a current, with what is to be kept about them.

    Raises
    ------
    BadRequest
        They broke off (see `complete`), there is none, or one is negative.
    """
    complete(ended(events), live)
    reads = [event for event in events if isinstance(event, Read)]
    values = [one for one in reads if one.value is not None]
    if not values:
        raise BadRequest("Nothing was read.", "Read for longer, or see what the instrument says.")
    if any(one.value is not None and one.value < 0 for one in values):
        raise BadRequest(
            "The instrument gives a negative current.",
            f"Check the polarity of the probes, or set the meter to zero where it is noise; it is in {live.path}.",
        )
    return Taken(
        readings=tuple(Reading(one.value, live.clock_hz, None, one.step) for one in values if one.value is not None),
        source=Source(live.path.name, live.path.read_bytes()),
        instrument=instrument(live, events),
        notes=notes(live, events),
    )


def merged(takens: Sequence[Taken]) -> Taken:
    """Return several series of readings, at least one, as one: their tables, which are alike, one below the other."""
    first = takens[0]
    head = first.source.data.partition(b"\n")[0] + b"\n"
    rows = b"".join(one.source.data.removeprefix(head) for one in takens)
    return Taken(
        readings=tuple(reading for one in takens for reading in one.readings),
        source=Source(first.source.name, head + rows),
        instrument=first.instrument,
        notes=tuple(dict.fromkeys(note for one in takens for note in one.notes)),
    )


def instrument(live: Live, events: Sequence[Event]) -> str:
    """Return who the instrument says it is, and where it was asked."""
    opened = next((event for event in events if isinstance(event, Opened)), None)
    who = " ".join(opened.identity.split()) if opened is not None and opened.identity else "does not say what it is"
    room = LONGEST_INSTRUMENT - len(live.resource) - len(" at ")
    return f"{who[:room]} at {live.resource}"


def named(by_hand: str | None, found: str) -> str:
    """Return an instrument as it was found, after the name that somebody gave it."""
    return found if by_hand is None else f"{by_hand}: {found}"[:LONGEST_INSTRUMENT]


def notes(live: Live, events: Sequence[Event]) -> tuple[str, ...]:
    """Return in sentences what went otherwise than planned."""
    told = []
    end = ended(events)
    reads = [event for event in events if isinstance(event, Read)]
    values = sum(one.value is not None for one in reads)
    if end.why == "stopped":
        planned = f" of {live.plan.count}" if live.plan.count is not None else ""
        told.append(f"Reading was stopped by hand after {values}{planned} readings.")
    without = [one for one in reads if one.value is None]
    if without:
        told.append(f"{len(without)} of {len(reads)} answers held no value; the first: {without[0].said}")
    lost = sum(isinstance(event, reading.Said) and event.text.startswith("The link was lost") for event in events)
    if lost:
        told.append(f"The link was lost {'once' if lost == 1 else f'{lost} times'} while reading.")
    if end.missed:
        told.append(f"Readings left out because their turn was over before it could be asked: {end.missed}.")
    return tuple(told)
