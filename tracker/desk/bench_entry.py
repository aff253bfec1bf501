"""What was typed at the bench, turned into readings, steps, checks and conditions before anything is kept."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from tracker.bench import limits, readings
from tracker.bench.clock import Step
from tracker.bench.current import Reading
from tracker.bench.in_circuit import Check
from tracker.bench.limits import Limit
from tracker.bench.tables import Source
from tracker.bench.units import cited, quantity, written
from tracker.desk.fields import one_line
from tracker.errors import BadRequest

UNSOURCED = "stated by the operator, who named no source"


@dataclass(frozen=True, slots=True)
class Typed:
    """The conditions of a run as they were typed; None where nothing was."""

    supply: str | None = None
    ambient: str | None = None
    jig: str | None = None
    instrument: str | None = None
    remark: str | None = None


@dataclass(frozen=True, slots=True)
class Conditions:
    """The conditions of a run: volts, degrees Celsius, and what it was done with."""

    supply_v: float | None
    ambient_c: float | None
    jig: str | None
    instrument: str | None
    remark: str | None


def conditions(typed: Typed) -> Conditions:
    """Return the checked conditions.

    Raises
    ------
    BadRequest
        A quantity without a unit or of the wrong kind, or a text that cannot be kept.
    """
    return Conditions(
        supply_v=None if typed.supply is None else quantity(typed.supply, "voltage"),
        ambient_c=None if typed.ambient is None else quantity(typed.ambient, "temperature"),
        jig=None if typed.jig is None else one_line(typed.jig, "jig"),
        instrument=None if typed.instrument is None else one_line(typed.instrument, "instrument"),
        remark=None if typed.remark is None else one_line(typed.remark, "remark", 2000),
    )


def current_readings(
    currents: Sequence[str],
    clock: str | None,
    pairs: Sequence[str],
    table: Path | None,
    u: str | None,
    columns: Sequence[str] = (),
) -> tuple[tuple[Reading, ...], Source | None]:
    """Return the readings of a supply-current run, from flags, from 'CLOCK=CURRENT' pairs or from a table.

    Parameters
    ----------
    currents, clock
        Readings at one clock rate.
    pairs
        Readings at several, each 'CLOCK=CURRENT'.
    table
        A CSV file `clock_hz,current_a[,u_a]`; where it has no clock, `clock` is that of all its readings.
    u
        Standard uncertainty of every reading; not together with a `u_a` column.
    columns
        Which column of the table is what: 'clock=F'.

    Raises
    ------
    BadRequest
        None of the three ways was used, or more than one, or a text cannot be used.
    """
    _one_way({"--current": bool(currents), "--at": bool(pairs), "--from": table is not None})
    _columns_of(table, columns)
    if clock is not None and pairs:
        raise BadRequest("--clock goes with --current, --from and --read.", "With --at each reading has its own clock.")
    u_a = uncertainty(u)
    clock_hz = None if clock is None else quantity(clock, "clock")
    if table is not None:
        found, source = readings.current_table(table, columns, clock_hz)
        return with_u(found, u_a), source
    if currents:
        return tuple(_reading(text, clock_hz, u_a) for text in currents), None
    return tuple(_reading(right, quantity(left, "clock"), u_a) for left, right in _pairs(pairs, "1 MHz=12.1 mA")), None


def uncertainty(u: str | None) -> float | None:
    """Return a stated standard uncertainty in amperes, or None.

    Raises
    ------
    BadRequest
        It is no current, or 0.
    """
    u_a = None if u is None else quantity(u, "current")
    if u_a == 0:
        raise BadRequest("An uncertainty of 0 cannot be.", "State what the instrument's maker does, or leave it out.")
    return u_a


def clock_uncertainty(u: str | None) -> float | None:
    """Return a stated standard uncertainty of the clock in hertz, or None.

    Raises
    ------
    BadRequest
        It is no clock rate, or 0.
    """
    u_hz = None if u is None else quantity(u, "clock")
    if u_hz == 0:
        raise BadRequest("An uncertainty of 0 cannot be.", "State what the clock's maker does, or leave it out.")
    return u_hz


def with_clock_u(found: tuple[Reading, ...], u_hz: float | None) -> tuple[Reading, ...]:
    """Return readings whose clocks are known to a stated standard uncertainty.

    Raises
    ------
    BadRequest
        A reading without a clock, or one that states its own.
    """
    if u_hz is None:
        return found
    if any(reading.clock_hz is None for reading in found):
        raise BadRequest("--clock-u goes with readings whose clock is stated.", "State the clock as well.")
    if any(reading.clock_u_hz is not None for reading in found):
        raise BadRequest("The table states uncertainties of the clock, and so does --clock-u.", "Leave one out.")
    return tuple(replace(reading, clock_u_hz=u_hz) for reading in found)


def clock_steps(
    pairs: Sequence[str], table: Path | None, columns: Sequence[str] = ()
) -> tuple[tuple[Step, ...], Source | None]:
    """Return the steps of a clock run, from 'CLOCK=pass' or 'CLOCK=fail' pairs or from a table `clock_hz,passed`.

    Raises
    ------
    BadRequest
        As in `current_readings`.
    """
    _one_way({"--at": bool(pairs), "--from": table is not None})
    _columns_of(table, columns)
    if table is not None:
        return readings.clock_table(table, columns)
    return tuple(
        Step(quantity(left, "clock"), readings.outcome(right)) for left, right in _pairs(pairs, "2 MHz=pass")
    ), None


def checks(pairs: Sequence[str]) -> tuple[Check, ...]:
    """Return a checklist from 'WHAT=pass' or 'WHAT=fail' pairs.

    Raises
    ------
    BadRequest
        A pair is written otherwise.
    """
    return tuple(
        Check(one_line(left, "check"), readings.outcome(right)) for left, right in _pairs(pairs, "all keys=pass")
    )


def stated_limit(limit: str | None, source: str | None, clock: str | None) -> Limit | None:
    """Return the limit the operator states, or None.

    Raises
    ------
    BadRequest
        Its source or clock without a limit, or a limit of 0.
    """
    if limit is None:
        if source is not None or clock is not None:
            raise BadRequest("--limit-source and --limit-clock go with --limit.", "State the limit as well.")
        return None
    max_a = quantity(limit, "current")
    if max_a == 0:
        raise BadRequest("A limit of 0 cannot be met by anything that is measured.", "State the data sheet's.")
    named = UNSOURCED if source is None else one_line(source, "source of the limit", 500)
    return limits.given(max_a, named, None if clock is None else quantity(clock, "clock"))


def _one_way(used: dict[str, bool]) -> None:
    names = [name for name, there in used.items() if there]
    if not names:
        raise BadRequest("There is no reading.", f"Give {' or '.join(used)}.")
    if len(names) > 1:
        raise BadRequest(f"{' and '.join(names)} do not go together.", "Give the readings in one way.")


def _columns_of(table: Path | None, columns: Sequence[str]) -> None:
    if columns and table is None:
        raise BadRequest("--column goes with --from only.", "It says which column of the table is what.")


def _pairs(texts: Sequence[str], example: str) -> list[tuple[str, str]]:
    return [pair(text, example) for text in texts]


def _reading(text: str, clock_hz: float | None, u_a: float | None) -> Reading:
    found = written(text, "current")
    return Reading(found.value, clock_hz, u_a, found.step)


def with_u(found: tuple[Reading, ...], u_a: float | None) -> tuple[Reading, ...]:
    """Return the readings with a standard uncertainty in amperes; as they are where it is None.

    Raises
    ------
    BadRequest
        They have uncertainties of their own.
    """
    if u_a is None:
        return found
    if any(reading.u_a is not None for reading in found):
        raise BadRequest("The table states uncertainties, and so does --u.", "Leave one of them out.")
    return tuple(replace(reading, u_a=u_a) for reading in found)


def coverage(k: float | None) -> float | None:
    """Return a stated coverage factor as it is, or None.

    Raises
    ------
    BadRequest
        It is not above 0, or not finite: a guard band would have no width or point the wrong way.
    """
    if k is not None and not (math.isfinite(k) and k > 0):
        raise BadRequest(f"The coverage factor k must be a number above 0, not {k:g}.", "2 is usual.")
    return k


def pair(text: str, example: str) -> tuple[str, str]:
    """Return both sides of 'LEFT=RIGHT', neither of them empty; `example` shows how it should be written.

    Raises
    ------
    BadRequest
        It is written otherwise.
    """
    left, equals, right = text.rpartition("=")
    if not equals or not left.strip() or not right.strip():
        raise BadRequest(f"{cited(text)} is not a pair with = between its parts.", f"Write it as in '{example}'.")
    return left.strip(), right.strip()
