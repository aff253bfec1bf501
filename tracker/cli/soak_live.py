"""A heat soak whose temperatures are read live, with a word each minute on whether it may stop."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from tracker.cli.bench_common import mind
from tracker.cli.printing import note
from tracker.errors import BadRequest

if TYPE_CHECKING:
    from tracker.bench.soak_verdict import SoakResult
    from tracker.cli.live_show import Remark
    from tracker.desk.bench_record import Recorded
    from tracker.desk.bench_soak_entry import SoakRequest
    from tracker.desk.live import Live
    from tracker.desk.workspace import Workspace
    from tracker.instruments.reading import Event

DEFAULT_EVERY = "2 s"  # parts and boards take minutes; common practice, no source
SAY_EVERY_S = 60.0


@dataclass(frozen=True, slots=True)
class SoakFlags:
    """What was said about reading live."""

    resource: str | None = None
    every: str | None = None
    duration: str | None = None
    query: str | None = None
    log: Path | None = None
    stop_early: bool = False

    def given(self) -> bool:
        """Return whether anything was said that only goes with reading live."""
        return self.stop_early or (self.every, self.duration, self.query, self.log) != (None,) * 4


def soak_read_live(
    workspace: "Workspace",
    request: "SoakRequest",
    flags: SoakFlags,
    run: "Callable[[SoakRequest], Recorded[SoakResult]]",
) -> "Recorded[SoakResult]":
    """Read the temperatures of a soak live and record it.

    Raises
    ------
    BadRequest
        Readings came another way as well, or anything that was said cannot be used.
    """
    from tracker.cli.live_show import with_table
    from tracker.desk.bench_soak import so_far
    from tracker.desk.live import LiveRequest, complete, ended, instrument, named

    if flags.resource is None:
        raise BadRequest("Nothing says what to read.", "Name the instrument with --read.")
    if request.pairs or request.table is not None:
        raise BadRequest("--read goes with neither --at nor --from.", "Give the readings in one way.")
    so_far(replace(request, pairs=("0 s=20 C",)))  # what else was typed is looked at before anybody waits for readings
    mind("soak")
    note("Time counts from the first reading: switch the heat on when it comes.")
    asked = LiveRequest(
        flags.resource,
        what="temperature",
        every=DEFAULT_EVERY if flags.every is None else flags.every,
        duration=flags.duration,
        query=flags.query,
    )

    def use(live: "Live", events: "list[Event]") -> "Recorded[SoakResult]":
        complete(ended(events), live)
        who = named(request.typed.instrument, instrument(live, events))
        return run(replace(request, table=live.path, typed=replace(request.typed, instrument=who)))

    return with_table(workspace, asked, flags.log, use, lambda live: _remark(request, live, flags.stop_early))


def _remark(request: "SoakRequest", live: "Live", stop_early: bool) -> "Remark":
    from tracker.desk.bench_soak import so_far

    due = SAY_EVERY_S

    def remark(time_s: float) -> tuple[str, bool]:
        nonlocal due
        if time_s < due:
            return "", False
        due = (time_s // SAY_EVERY_S + 1.0) * SAY_EVERY_S
        try:
            found = so_far(replace(request, table=live.path)).stop
        except BadRequest as error:
            return f"{time_s / 60.0:.0f} min: {error.what}", False
        return f"{time_s / 60.0:.0f} min: {found.sentence}", stop_early and found.may_stop

    return remark
