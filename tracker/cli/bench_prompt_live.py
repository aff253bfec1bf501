"""A supply-current run at several clocks: somebody sets each clock and writes it, and the instrument is read there."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import typer

from tracker.cli.bench_prompt import Form, Rows, current_rows, enter
from tracker.cli.live_show import tell_kept
from tracker.errors import BadRequest

if TYPE_CHECKING:
    from tracker.bench.current import CurrentResult
    from tracker.desk.bench import CurrentRequest
    from tracker.desk.bench_record import Recorded
    from tracker.desk.live import LiveRequest, Taken
    from tracker.desk.workspace import Workspace


@dataclass(frozen=True, slots=True)
class _Set:
    """The readings at one clock."""

    clock: str
    taken: "Taken"


def prompted_live(
    workspace: "Workspace",
    label: str,
    request: "CurrentRequest",
    asked: "LiveRequest",
    run: "Callable[[CurrentRequest], Recorded[CurrentResult]]",
) -> "Recorded[CurrentResult]":
    """Read a current live at each clock that is written, and record all of it as one run.

    Raises
    ------
    BadRequest
        Nobody is there to be asked, or what was said with the verb cannot be used.
    """
    from tracker.desk import live as lives
    from tracker.desk import spool
    from tracker.desk.bench import preview_current

    paths: list[Path] = []

    def clock_now(sets: Sequence[_Set]) -> str | None:
        return sets[-1].clock if sets else asked.clock

    def question(sets: Sequence[_Set]) -> str:
        clock = clock_now(sets)
        return f"Clock {len(sets) + 1}" + (f" (Enter: {clock})" if clock else "")

    def entry(words: str, sets: Sequence[_Set]) -> _Set:
        clock = words or clock_now(sets)
        if not clock:
            raise BadRequest("The clock was not said.", "Write it with its unit: '4 MHz', '0 Hz' when stopped.")
        return _read(workspace, replace(asked, clock=clock), clock, paths)

    def whole(sets: Sequence[_Set]) -> "CurrentRequest":
        return replace(request, clock=None, taken=lives.merged([one.taken for one in sets]))

    def result(sets: Sequence[_Set]) -> Rows:
        return current_rows(preview_current(workspace, label, whole(sets)))

    form = Form(
        test="current",
        how="Set a clock and write it, '4 MHz'; the instrument is then read there. Enter alone reads again.",
        question=question,
        entry=entry,
        result=result,
        shown=lambda one: f"{len(one.taken.readings)} readings at {one.clock}",
        empty=True,
    )
    try:
        recorded = run(whole(enter(form)))
    except typer.Abort:  # asked whether to keep what was read, and declined
        for path in paths:
            spool.discard(path)
        raise
    except BaseException:
        for path in paths:
            tell_kept(path)
        raise
    for path in paths:
        spool.discard(path)
    return recorded


def _read(workspace: "Workspace", asked: "LiveRequest", clock: str, paths: list[Path]) -> _Set:
    from tracker.cli.live_show import shown
    from tracker.desk import live as lives
    from tracker.desk import spool

    live = lives.ready(asked, spool.spooled(workspace.folder))
    taken = lives.current_taken(live, shown(live))
    paths.append(live.path)
    return _Set(clock, taken)
