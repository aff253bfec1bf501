"""What is asked of a heat soak: readings as typed or from a table, the limit, and what they were taken with."""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from tracker.bench import thermometry
from tracker.bench.soak_course import DEFAULT_AIM_K
from tracker.bench.soak_model import Array
from tracker.bench.soak_table import Sensors, SoakTable, in_order, soak_table
from tracker.bench.soak_verdict import Asked, Spot
from tracker.bench.tables import Source
from tracker.bench.units import cited, quantity
from tracker.desk import bench_entry
from tracker.desk.bench_entry import Conditions, Typed
from tracker.desk.fields import one_line
from tracker.errors import BadRequest

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


def understood(request: SoakRequest) -> Understood:
    """Return what a request says, every value checked.

    Raises
    ------
    BadRequest
        Anything typed, or the table, cannot be used.
    """
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
