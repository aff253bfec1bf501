"""Recording a heat soak: its readings held against a limit; and what they say so far."""

from dataclasses import dataclass, replace

import numpy as np

from tracker.bench import soak, soak_verdict
from tracker.bench.plots import soak_plot
from tracker.bench.soak_verdict import SoakResult
from tracker.bench.tables import Source, overloaded
from tracker.desk.bench_record import Outcome, Recorded, find_subject, in_machine, record
from tracker.desk.bench_soak_entry import SoakRequest, Understood, understood
from tracker.desk.plotting import plot_kind, write_plot
from tracker.desk.workspace import Workspace
from tracker.errors import BadRequest
from tracker.records.models import BenchSample

_MANY = 0.1  # of the answers; common practice, no source
ROWS_KEPT = 10_000  # readings that become rows of their own; a longer table is kept whole as a file


def run_soak(
    workspace: Workspace, label: str, request: SoakRequest, *, operator: str | None = None
) -> Recorded[SoakResult]:
    """Record a heat soak of a piece or a machine.

    Raises
    ------
    BadRequest
        The label or anything typed cannot be used; nothing was changed.
    """
    found = understood(request)
    result = _evaluated(found, request)
    least = soak.needed(request.cold and found.ambient is not None)
    if len(found.table.time_s) < least:
        raise BadRequest(
            f"A heat soak needs at least {least} readings; there {_are(len(found.table.time_s))}.", "Go on measuring."
        )
    picture = _picture(found, result, request, label)
    samples, thinned = _samples(found)
    fitted = result.fitted.cautions if result.fitted is not None else ()
    housing = () if request.case is not None else ("Whether the case was closed was not said: --case or --open.",)
    hint = () if result.hint is None else (result.hint,)
    notes = (*found.table.notes, *hint, *fitted, *thinned, *housing)
    with workspace.act(operator, "bench", "") as act:
        subject = find_subject(act.session, label)
        if request.machine is not None:
            subject = in_machine(act.session, subject, request.machine)
        recorded = record(act, subject, Outcome("soak", result, notes, found.held, samples, found.source))
    if request.plot is not None and picture is not None:
        write_plot(request.plot, picture)
    return recorded


def _picture(found: Understood, result: SoakResult, request: SoakRequest, label: str) -> bytes | None:
    """Return the plot that was asked for."""
    if request.plot is None:
        return None
    table, ambient = found.table, found.ambient
    steady = np.full(len(table.time_s), ambient) if isinstance(ambient, float) else ambient
    return soak_plot(
        table.time_s,
        table.temp_c,
        steady,
        result.fitted if result.rise is not None else None,
        kind=plot_kind(request.plot),
        title=f"{label}: heat soak",
        limit_c=found.asked.limit_c,
    )


def so_far(request: SoakRequest) -> SoakResult:
    """Return what a soak says so far, without recording anything.

    Raises
    ------
    BadRequest
        Something typed cannot be used.
    """
    return _evaluated(understood(request), request)


@dataclass(frozen=True, slots=True)
class CourseSoFar:
    """The readings of a soak so far, and what they say; None while they are fewer than `needed`.

    Parameters
    ----------
    time_s, temp_c : tuple of float
    ambient_c : tuple of float, float or None
        With each reading, one for all, or not known.
    result : SoakResult or None
    needed : int
    """

    time_s: tuple[float, ...]
    temp_c: tuple[float, ...]
    ambient_c: tuple[float, ...] | float | None
    result: SoakResult | None
    needed: int


def course_so_far(request: SoakRequest) -> CourseSoFar:
    """Return the readings of a soak and what they say so far, without recording anything.

    Raises
    ------
    BadRequest
        Something typed cannot be used.
    """
    found = understood(request)
    needed = soak.needed(request.cold and found.ambient is not None)
    ambient = found.ambient
    return CourseSoFar(
        time_s=tuple(map(float, found.table.time_s)),
        temp_c=tuple(map(float, found.table.temp_c)),
        ambient_c=ambient if ambient is None or isinstance(ambient, float) else tuple(map(float, ambient)),
        result=_evaluated(found, request) if len(found.table.time_s) >= needed else None,
        needed=needed,
    )


def _evaluated(found: Understood, request: SoakRequest) -> SoakResult:
    housing = None if request.case is None else "case" if request.case else "open"
    result = soak_verdict.evaluate(
        found.table.time_s, found.table.temp_c, found.ambient, found.asked, housing=housing, spots=found.spots
    )
    return result if found.source is None else _beyond_range(result, found.source)


def _beyond_range(result: SoakResult, source: Source) -> SoakResult:
    """Return a result that does not pass on its cooler readings alone, the others being beyond the meter's range.

    A temperature does not leap out of the range and back, so a few overloads in between are a probe that came off;
    many, or the last ones, may be the part.
    """
    over, rows = overloaded(source.data, source.name)
    if result.verdict != "pass" or not over or (len(over) < _MANY * rows and over[-1] < rows):
        return result
    told = (
        f"{len(over)} of {rows} answers were overloads: the temperature was beyond the meter's range then, or its "
        "probe came off, so the readings that are left do not show that it keeps within the limit."
    )
    return replace(result, verdict="undecided", reasons=(told, *result.reasons))


def _samples(found: Understood) -> tuple[tuple[BenchSample, ...], tuple[str, ...]]:
    """Return the readings as rows, the spots after them, and a note where not every reading became one."""
    table = found.table
    every = -(-len(table.time_s) // ROWS_KEPT)
    kept = range(0, len(table.time_s), every)
    rows = [
        BenchSample(
            position=position,
            time_s=float(table.time_s[i]),
            temp_c=float(table.temp_c[i]),
            ambient_c=None if table.ambient_c is None else float(table.ambient_c[i]),
        )
        for position, i in enumerate(kept, start=1)
    ]
    rows += [
        BenchSample(position=position, temp_c=spot.temp_c, text=spot.what)
        for position, spot in enumerate(found.spots, start=len(rows) + 1)
    ]
    if every == 1:
        return tuple(rows), ()
    note = f"One reading in {every} has a row of its own; the table with all {len(table.time_s)} is kept as a file."
    return tuple(rows), (note,)


def _are(number: int) -> str:
    return "is 1" if number == 1 else f"are {number}"
