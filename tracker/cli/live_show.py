"""How readings that come live are shown while they come, and taken for a test."""

import sys
from collections.abc import Callable, Iterable, Sequence
from contextlib import closing
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


Remark = Callable[[float], tuple[str, bool]]
"""Gets the seconds so far; returns what is to be said about the readings so far ('' for nothing), and whether it is
enough."""


def shown(live: "Live", remark: Remark | None = None) -> "list[Event]":
    """Read an instrument and show what it gives, on standard error; return all that came.

    A Ctrl-C ends the reading as if it were enough; so does a remark.
    """
    from tracker.desk.live import read as read_live
    from tracker.instruments.reading import Ended

    with stopping() as stop, closing(read_live(live, stop)) as events:
        gathered = _show(events, live, remark)
    if not isinstance(gathered[-1], Ended):
        gathered.append(Ended("enough", "It was enough."))
    return gathered


def _show(events: "Iterable[Event]", live: "Live", remark: Remark | None) -> "list[Event]":
    """Show events as they come, up to the last or to a remark that says that it is enough."""
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
            said, enough = remark(event.time_s) if remark is not None else ("", False)
            if said:
                (plot.end if enough else plot.say)(said)
            if enough:
                break
    sys.stderr.flush()
    return gathered


def tell_kept(path: Path) -> None:
    """Say where the readings are, when what they were for did not come about."""
    if path.exists():
        note(f"The readings are kept in {path}; they can be used with --from.")


def _tell_left_over(paths: "Sequence[Path]") -> None:
    if paths:
        more = f" and {len(paths) - 1} more beside it" if len(paths) > 1 else ""
        note(
            f"Readings that are not recorded, of an earlier try or of another bench at work: {paths[0]}{more}. "
            "`lotproof verify` says what they hold; a test takes them with --from."
        )


def with_current(workspace: "Workspace", request: "LiveRequest", log: Path | None, use: "Callable[[Taken], T]") -> T:
    """Read a current live and use it; see `with_table`."""
    from tracker.desk.live import current_taken

    return with_table(workspace, request, log, lambda live, events: use(current_taken(live, events)))


def with_table(
    workspace: "Workspace",
    request: "LiveRequest",
    log: Path | None,
    use: "Callable[[Live, list[Event]], T]",
    remark: "Callable[[Live], Remark] | None" = None,
) -> T:
    """Read live and use what was read; a spooled table goes once it was used, and stays where that failed.

    Parameters
    ----------
    workspace : Workspace
    request : LiveRequest
    log : Path, optional
        The table the readings go to, which then stays; by default one in the workspace's spool.
    use : callable
        Gets where and what was read; what it returns is returned.
    remark : callable, optional
        Gets where it is read; returns what is said while it goes on.
    """
    from tracker.desk import spool
    from tracker.desk.live import ready

    live = ready(request, spool.spooled(workspace.folder) if log is None else log)
    _tell_left_over(spool.left_over(workspace.folder))
    events = shown(live, None if remark is None else remark(live))
    try:
        used = use(live, events)
    except BaseException as error:
        if str(live.path) not in str(error):  # else it says so itself
            tell_kept(live.path)
        raise
    if log is None:
        spool.discard(live.path)
    return used
