"""What a series of live readings comes to: how many, their mean, spread and range."""

import statistics
from collections.abc import Sequence
from dataclasses import dataclass

from tracker.desk import live as lives
from tracker.desk.live import Live
from tracker.errors import BadRequest
from tracker.instruments import scpi
from tracker.instruments.reading import Event, Opened, Read


@dataclass(frozen=True, slots=True)
class Summary:
    """A series of readings.

    Parameters
    ----------
    mean, sd, lowest, highest : float or None
        In `unit`; None where there are too few. `sd` is the standard deviation of one reading.
    seconds : float
        From the first answer to the last.
    without_value : int
        Answers that held no value.
    ended : 'enough' or 'stopped'
    """

    instrument: str
    what: str
    query: str
    source: str
    unit: str
    n: int
    seconds: float
    mean: float | None
    sd: float | None
    lowest: float | None
    highest: float | None
    without_value: int
    missed: int
    ended: str
    notes: tuple[str, ...]
    path: str


def summarise(live: Live, events: Sequence[Event]) -> Summary:
    """Return what the readings come to.

    Raises
    ------
    BadRequest
        They broke off, or there was no answer at all; the sentence says where they are.
    """
    opened = next((event for event in events if isinstance(event, Opened)), None)
    ended = lives.ended(events)
    if opened is None:
        raise BadRequest(ended.text, "Nothing was read.")
    lives.complete(ended, live)
    reads = [event for event in events if isinstance(event, Read)]
    values = [one.value for one in reads if one.value is not None]
    return Summary(
        instrument=lives.instrument(live, events),
        what=live.measured.name,
        query=opened.query,
        source="stated by the operator" if live.query else scpi.SOURCE,
        unit=live.measured.unit,
        n=len(values),
        seconds=reads[-1].time_s if reads else 0.0,
        mean=statistics.fmean(values) if values else None,
        sd=statistics.stdev(values) if len(values) > 1 else None,
        lowest=min(values, default=None),
        highest=max(values, default=None),
        without_value=len(reads) - len(values),
        missed=ended.missed,
        ended=ended.why,
        notes=lives.notes(live, events),
        path=str(live.path),
    )
