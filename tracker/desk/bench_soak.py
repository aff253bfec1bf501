"""Recording a heat soak: readings as typed or from a table, held against a limit; and what they say so far."""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from tracker.bench import soak, soak_verdict, thermometry
from tracker.bench.plots import soak_plot
from tracker.bench.soak_course import DEFAULT_AIM_K
from tracker.bench.soak_model import Array
from tracker.bench.soak_table import Sensors, SoakTable, in_order, soak_table
from tracker.bench.soak_verdict import Asked, SoakResult, Spot
from tracker.bench.tables import Source, overloaded
from tracker.bench.units import cited, quantity
from tracker.desk import bench_entry
from tracker.desk.bench_entry import Conditions, Typed
from tracker.desk.bench_record import Outcome, Recorded, find_subject, in_machine, record
from tracker.desk.fields import one_line
from tracker.desk.plotting import plot_kind, write_plot
from tracker.desk.workspace import Workspace
from tracker.errors import BadRequest
from tracker.records.models import BenchSample

_MANY = 0.1  # of the answers; common practice, no source
ROWS_KEPT = 10_000  # readings that become rows of their own; a longer table is kept whole as a file


_COLDEST_LIMIT_C = -55.0  # the lowest end of the usual operating ranges; common practice, no source


@dataclass(frozen=True, slots=True)
class SoakRequest:
    """A heat soak as typed.

    Parameters
    ----------
    pairs : tuple of str
        Readings 'TIME=TEMPERATURE', or 'TIME=TEMPERATURE, AMBIENT'.
    table : Path or None
    columns : tuple of str
        'QUANTITY=COLUMN' for columns of the table that are called otherwise.
    thermistor, cold_junction : str or None
        What turns a table's resistances or emfs into temperatures.
    limit, limit_temp, limit_source : str or None
        Most it may rise above ambient, hottest it may get, and where that was read.
    u, k, aim
        Standard uncertainty of a temperature difference, coverage factor, and how well the final rise is wanted.
    heat_on : str or None
        When the heat came on, by the clock of the readings; those before are left out.
    cold : bool
        Whether the part was at ambient when the heat came on.
    case : bool or None
        Whether the case was closed; None where that was not said.
    spots : tuple of str
        'WHAT=TEMPERATURE'.
    machine : str or None
    plot : Path or None
        Where to write a plot, .png or .svg.
    """

    pairs: tuple[str, ...] = ()
    table: Path | None = None
    columns: tuple[str, ...] = ()
    thermistor: str | None = None
    cold_junction: str | None = None
    limit: str | None = None
    limit_temp: str | None = None
    limit_source: str | None = None
    u: str | None = None
    k: float | None = None
    aim: str | None = None
    heat_on: str | None = None
    cold: bool = False
    case: bool | None = None
    spots: tuple[str, ...] = ()
    machine: str | None = None
    plot: Path | None = None
    typed: Typed = field(default_factory=Typed)


@dataclass(frozen=True, slots=True)
class Understood:
    """Everything of a request that was understood, before anything is recorded."""

    table: SoakTable
    source: Source | None
    asked: Asked
    held: Conditions
    ambient: Array | float | None
    spots: tuple[Spot, ...]


def run_soak(
    workspace: Workspace, label: str, request: SoakRequest, *, operator: str | None = None
) -> Recorded[SoakResult]:
    """Record a heat soak of a piece or a machine.

    Raises
    ------
    BadRequest
        The label or anything typed cannot be used; nothing was changed.
    """
    found = _understood(request)
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
    return _evaluated(_understood(request), request)


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
    found = _understood(request)
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


def _understood(request: SoakRequest) -> Understood:
    held = bench_entry.conditions(request.typed)
    table, source = _readings(request)
    if request.heat_on is not None:
        table = _from_heat_on(table, quantity(request.heat_on, "time"))
    ambient: Array | float | None = held.ambient_c
    if table.ambient_c is not None:
        if held.ambient_c is not None:
            raise BadRequest(
                "The ambient is in the readings, and --ambient states it as well.", "Leave one of them out."
            )
        held = replace(held, ambient_c=float(table.ambient_c.mean()))
        ambient = table.ambient_c
    return Understood(table, source, _asked(request), held, ambient, tuple(map(_spot, request.spots)))


def _readings(request: SoakRequest) -> tuple[SoakTable, Source | None]:
    if request.pairs and request.table is not None:
        raise BadRequest("--at and --from do not go together.", "Give the readings in one way.")
    if request.table is not None:
        thermistor = None if request.thermistor is None else thermometry.thermistor(request.thermistor)
        junction = None if request.cold_junction is None else quantity(request.cold_junction, "temperature")
        table = soak_table(request.table, Sensors(thermistor, junction), request.columns)
        return table, table.source
    if request.columns:
        raise BadRequest("--column goes with --from.", "It says which column of a table is what.")
    if request.thermistor is not None or request.cold_junction is not None:
        raise BadRequest(
            "--thermistor and --cold-junction go with --from.", "They turn a table's readings into degrees."
        )
    if not request.pairs:
        raise BadRequest(
            "There is no reading.",
            "Give --at, --from, --read or --prompt, which asks for one after the other; --how prints the steps.",
        )
    return _typed(request.pairs), None


def _from_heat_on(table: SoakTable, heat_on_s: float) -> SoakTable:
    """Return the readings from the moment the heat came on, their times counted from there."""
    keep = table.time_s >= heat_on_s
    if not keep.any():
        raise BadRequest(f"The heat came on at {heat_on_s:g} s, after the last reading.", "Check --heat-on.")
    left_out = int((~keep).sum())
    note = () if not left_out else (f"{left_out} readings before the heat came on are left out.",)
    return SoakTable(
        table.time_s[keep] - heat_on_s,
        table.temp_c[keep],
        None if table.ambient_c is None else table.ambient_c[keep],
        table.source,
        (*table.notes, *note),
    )


def _typed(pairs: Sequence[str]) -> SoakTable:
    """Return readings that were typed one by one."""
    found = [reading(*bench_entry.pair(text, "10 min=41.5 C")) for text in pairs]
    with_ambient = [ambient for _, _, ambient in found if ambient is not None]
    if with_ambient and len(with_ambient) < len(found):
        raise BadRequest("Some readings have an ambient and some have none.", "State it with each, or use --ambient.")
    table = SoakTable(
        np.array([time for time, _, _ in found]),
        np.array([temp for _, temp, _ in found]),
        np.array(with_ambient) if with_ambient else None,
        Source("", b""),
        (),
    )
    return in_order(table, "reading")


def reading(time: str, temperature: str) -> tuple[float, float, float | None]:
    """Return seconds, degrees Celsius and, if it follows a comma, the ambient in degrees Celsius.

    Raises
    ------
    BadRequest
        A text that is no time or no temperature.
    """
    temp, comma, ambient = temperature.partition(",")
    return (
        quantity(time, "time"),
        quantity(temp, "temperature"),
        quantity(ambient, "temperature") if comma else None,
    )


def _asked(request: SoakRequest) -> Asked:
    limited = request.limit is not None or request.limit_temp is not None
    if request.limit_source is not None and not limited:
        raise BadRequest("--limit-source goes with --limit or --limit-temp.", "State the limit as well.")
    source = request.limit_source
    named = bench_entry.UNSOURCED if source is None else one_line(source, "source of the limit", 500)
    return Asked(
        limit_k=_difference(request.limit, "limit"),
        limit_c=None if request.limit_temp is None else _hottest(request.limit_temp),
        limit_source=named if limited else None,
        u_k=_difference(request.u, "uncertainty"),
        k=bench_entry.coverage(request.k),
        aim_k=_difference(request.aim, "aim") or DEFAULT_AIM_K,
        cold=request.cold,
    )


def _hottest(text: str) -> float:
    """Return the hottest that is allowed, in degrees Celsius; '45 K' is more likely a rise under the wrong flag."""
    found = quantity(text, "temperature")
    if found < _COLDEST_LIMIT_C:
        raise BadRequest(
            f"{cited(text)} is {found:.1f} C, colder than parts are worked at.",
            "State the hottest it may get in C or F; the most it may rise above ambient goes with --limit.",
        )
    return found


def _difference(text: str | None, name: str) -> float | None:
    if text is None:
        return None
    found = quantity(text, "temperature difference")
    if found == 0:
        raise BadRequest(f"The {name} cannot be 0.", "State it in kelvin: '0.5 K'.")
    return found


def _spot(text: str) -> Spot:
    what, temperature = bench_entry.pair(text, "regulator=61 C")
    return Spot(one_line(what, "component"), quantity(temperature, "temperature"))


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
