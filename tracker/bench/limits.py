"""Which supply-current limit a measurement is held against, and at which clock rate."""

import re
from collections.abc import Sequence
from dataclasses import dataclass

from tracker.bench.figures import show
from tracker.knowledge.families import CurrentLimit, FamilyData

_STATIC = re.compile(r"\b(static|standby|quiescent)\b", re.IGNORECASE)
_ADDITION = re.compile(r"\badditional\b|\bper unit load\b", re.IGNORECASE)
_SAME_CLOCK = 0.01  # relative; two clock rates this near are the same rate; common practice, no source
_SAME_TEMP_C = 5.0  # an ambient this far above a limit's temperature still counts as that; common practice, no source
_SAME_SUPPLY = 0.02  # relative; common practice, no source
_USUAL_AMBIENT_C = 25.0


STATE_ONE = "state one with its source: --limit '10 mA' --limit-source 'data sheet, page 4'."


@dataclass(frozen=True, slots=True)
class Limit:
    """An upper limit of the supply current and where it holds.

    Parameters
    ----------
    max_a : float
    typ_a : float or None
    at_hz : float or None
        Clock rate at which the measured current is held against it: 0 for a static limit, None for whatever was run.
    what, source : str
    notes : tuple of str
        In sentences, how the measurement's conditions differ from the limit's.
    clock_assumed : bool
        The limit holds at a clock rate and none was stated: at a slower clock less would be allowed.
    """

    max_a: float
    typ_a: float | None
    at_hz: float | None
    what: str
    source: str
    notes: tuple[str, ...] = ()
    clock_assumed: bool = False


@dataclass(frozen=True, slots=True)
class NoLimit:
    """No limit can be applied, and why in a sentence; false, so that `if limit:` reads naturally."""

    reason: str

    def __bool__(self) -> bool:
        return False


def given(max_a: float, source: str, at_hz: float | None = None) -> Limit:
    """Return a limit that the operator states, with where it was read."""
    return Limit(max_a, None, at_hz, "stated limit", source)


def choose(
    family: FamilyData | None,
    clocks_hz: Sequence[float],
    *,
    supply_v: float | None = None,
    ambient_c: float | None = None,
) -> Limit | NoLimit:
    """Return the limit of a part family that a measurement can be held against.

    Parameters
    ----------
    family : FamilyData or None
        None for a part that is not known.
    clocks_hz : sequence of float
        The different clock rates measured; empty when none was stated.
    supply_v, ambient_c : float, optional
        Conditions of the measurement.

    Notes
    -----
    With readings at several clock rates the line gives the current at the limit's own clock rate (and, at zero, the
    static current). With readings at one rate a limit stated for the same or a higher rate applies, since the current
    rises with the clock; at a faster one the limit is raised in proportion. Where several lines of a data sheet apply
    (outputs high or low, grades) the largest limit is taken: a genuine part may meet that one.
    """
    if family is None:
        return NoLimit(f"No limit is known for the claimed part; {STATE_ONE}")
    rows = [row for row in family.currents if row.max_a is not None and not _ADDITION.search(row.what)]
    if not rows:
        return NoLimit(f"No supply-current limit is known for parts of the kind {family.name}; {STATE_ONE}")
    found = _applicable(rows, sorted(set(clocks_hz)))
    if isinstance(found, NoLimit):
        return found
    candidates, at_hz = found
    row = _at_temperature(candidates, _USUAL_AMBIENT_C if ambient_c is None else ambient_c)
    assert row.max_a is not None  # filtered above
    what = f"{family.name}: {row.what}, {row.condition}, {row.supply_v:g} V, {row.temp_c:g} C"
    stretch, scaled = _stretch(row, at_hz)
    return Limit(
        max_a=row.max_a * stretch,
        typ_a=None if _is_static(row) or row.typ_a is None else row.typ_a * stretch,
        at_hz=at_hz,
        what=what,
        source=row.source,
        notes=(*scaled, *_differences(row, clocks_hz, supply_v, ambient_c)),
        clock_assumed=not clocks_hz and row.clock_hz is not None,
    )


def _is_static(row: CurrentLimit) -> bool:
    return row.clock_hz is None and bool(_STATIC.search(row.what))


def _applicable(rows: Sequence[CurrentLimit], clocks: list[float]) -> tuple[list[CurrentLimit], float | None] | NoLimit:
    """Return the rows that apply and the clock rate to evaluate at."""
    clocked = [row for row in rows if row.clock_hz is not None]
    static = [row for row in rows if _is_static(row)]
    anyhow = [row for row in rows if row.clock_hz is None and not _is_static(row)]
    if not clocks:
        running = clocked + anyhow
        return (running, None) if running else (static, 0.0)
    if len(clocks) > 1 and clocked:
        nearest = min((row.clock_hz or 0.0 for row in clocked), key=lambda clock: abs(clock - clocks[-1]))
        return [row for row in clocked if row.clock_hz == nearest], nearest
    if clocks[-1] > 0:
        above = [row.clock_hz or 0.0 for row in clocked if (row.clock_hz or 0.0) >= clocks[-1] * (1 - _SAME_CLOCK)]
        if above:
            return [row for row in clocked if row.clock_hz == min(above)], clocks[-1]
        if anyhow:
            return anyhow, clocks[-1]
        if clocked:
            highest = max(row.clock_hz or 0.0 for row in clocked)
            return [row for row in clocked if row.clock_hz == highest], clocks[-1]
    if static and (len(clocks) > 1 or clocks[0] == 0):
        return static, 0.0
    if clocks == [0.0] and (clocked or anyhow):
        return clocked + anyhow, 0.0
    return NoLimit("The known limit is for a stopped clock; measure at 0 Hz as well, or at two clock rates.")


def _stretch(row: CurrentLimit, at_hz: float | None) -> tuple[float, tuple[str, ...]]:
    """Return by what factor a limit grows at a faster clock than it is stated for.

    With I = I0 + k f and neither number negative, I(f) is at most f/f0 times I(f0) for f above f0.
    """
    if not row.clock_hz or at_hz is None or at_hz <= row.clock_hz * (1 + _SAME_CLOCK):
        return 1.0, ()
    note = (
        f"The limit of {show(row.max_a or 0.0, 'A')} at {show(row.clock_hz, 'Hz')} was raised in proportion to the "
        "clock, which is the most that I = I0 + k f allows a part that meets it."
    )
    return at_hz / row.clock_hz, (note,)


def _at_temperature(rows: Sequence[CurrentLimit], ambient_c: float) -> CurrentLimit:
    """Return the largest limit among those stated for the ambient or the next temperature above it."""
    hot_enough = [row.temp_c for row in rows if row.temp_c >= ambient_c - _SAME_TEMP_C]
    temp_c = min(hot_enough) if hot_enough else max(row.temp_c for row in rows)
    return max((row for row in rows if row.temp_c == temp_c), key=lambda row: row.max_a or 0.0)


def _differences(
    row: CurrentLimit, clocks_hz: Sequence[float], supply_v: float | None, ambient_c: float | None
) -> tuple[str, ...]:
    notes = []
    if not clocks_hz:
        at = "the clock rate of its use" if row.clock_hz is None else show(row.clock_hz, "Hz")
        state = "with the clock stopped" if _is_static(row) else f"at {at}, where the limit holds"
        notes.append(f"No clock was stated; the reading is taken as one {state}.")
    if supply_v is None:
        notes.append(f"The supply voltage was not stated; the limit holds at {row.supply_v:g} V.")
    elif abs(supply_v - row.supply_v) > _SAME_SUPPLY * row.supply_v:
        notes.append(f"Measured at {supply_v:.4g} V; the limit holds at {row.supply_v:g} V.")
    if ambient_c is not None and ambient_c > row.temp_c + _SAME_TEMP_C:
        notes.append(f"Measured at {ambient_c:.4g} C; the limit holds up to {row.temp_c:g} C.")
    return tuple(notes)
