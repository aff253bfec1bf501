"""How readings that come live are shown while they come, and taken for a test."""

import sys
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

from tracker.cli.interrupt import stopping
from tracker.cli.live_plot import LivePlot
from tracker.cli.printing import note

if TYPE_CHECKING:
    from tracker.desk.live import Live, LiveRequest, Taken
    from tracker.desk.workspace import Workspace
    from tracker.instruments.reading import Event

T = TypeVar("T")


def shown(live: "Live") -> "list[Event]":
    """Read an instrument and show what it gives, on standard error; return all that came.

    A Ctrl-C ends the reading as if it were enough.
    """
    from tracker.desk.live import read as read_live

    with stopping() as stop:
        return _show(read_live(live, stop), live)


def _show(events: "Iterable[Event]", live: "Live") -> "list[Event]":
    from tracker.bench.figures import show
    from tracker.instruments.reading import Ended, Opened, Read, Said

    gathered: list[Event] = []
    plot, unit, values = LivePlot(), live.measured.unit, 0
    for event in events:
        gathered.append(event)
        if isinstance(event, Opened):
            plot.say(f"{event.identity or 'An instrument that does not say what it is'}; asked {event.query}")
            plot.say(f"Readings go to {live.path} as they come. Ctrl-C stops and keeps them.")
        elif isinstance(event, Said):
            plot.say(event.text)
        elif isinstance(event, Ended):
            plot.end(event.text)
        elif isinstance(event, Read) and event.value is None:
            plot.say(f"{event.time_s:.1f} s: {event.said}")
        elif isinstance(event, Read) and event.value is not None:
            values += 1
            plot.add(event.value)
            if plot.due() or (plot.on and values == live.plan.count):
                low, high = plot.range()
                planned = f" of {live.plan.count}" if live.plan.count else ""
                latest = f"{show(event.value, unit, 6)}  at {event.time_s:.1f} s, reading {values}{planned}"
                plot.draw(top=show(high, unit), bottom=show(low, unit), latest=latest)
    sys.stderr.flush()
    return gathered


def tell_kept(path: Path) -> None:
    """Say where the readings are, when what they were for did not come about."""
    if path.exists():
        note(f"The readings are kept in {path}; they can be used with --from.")


def with_current(workspace: "Workspace", request: "LiveRequest", log: Path | None, use: "Callable[[Taken], T]") -> T:
    """Read a current live and use it; a spooled table goes once it was used, and stays where that failed.

    Parameters
    ----------
    workspace : Workspace
    request : LiveRequest
    log : Path, optional
        The table the readings go to, which then stays; by default one in the workspace's spool.
    use : callable
        Gets the readings; what it returns is returned.
    """
    from tracker.desk import live as lives

    live = lives.ready(request, lives.spooled(workspace.folder) if log is None else log)
    taken = lives.current_taken(live, shown(live))
    try:
        used = use(taken)
    except BaseException:
        tell_kept(live.path)
        raise
    if log is None:
        lives.discard(live.path)
    return used
