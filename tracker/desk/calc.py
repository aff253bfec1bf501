"""The bench computations on a file or a few numbers, without a workspace."""

from collections.abc import Sequence
from pathlib import Path

from tracker.bench import clock, conformity, current, life, readings, sampling, units
from tracker.bench.clock import Ceiling
from tracker.bench.conformity import Conformity
from tracker.bench.current import CurrentLine
from tracker.bench.life import Life
from tracker.bench.sampling import Interval, Plan


def current_file(path: Path, columns: Sequence[str] = ()) -> tuple[CurrentLine, tuple[str, ...]]:
    """Return the line I = I0 + k f through a table `clock_hz,current_a[,u_a]`, and what is odd about its rows."""
    found, source = readings.current_table(path, columns)
    return current.fit(found), source.notes


def clock_file(path: Path, columns: Sequence[str] = ()) -> tuple[Ceiling, tuple[str, ...]]:
    """Return the clock ceiling from a table `clock_hz,passed`, and what is odd about its rows."""
    found, source = readings.clock_table(path, columns)
    return clock.find(found), source.notes


def conforms(value: float, u: float, lower: float | None, upper: float | None, k: float) -> Conformity:
    """Return probability of conformity and guard-banded verdict of one value."""
    return conformity.verdict(value, u, lower=lower, upper=upper, k=k)


def sampling_plan(lot: int, bad_fraction: str, confidence: str, allowed: int) -> Plan:
    """Return the smallest sample; the two shares as text, '0.1' or '10 %'."""
    share = units.fraction(bad_fraction, "the bad fraction")
    return sampling.plan(lot, share, units.fraction(confidence, "the confidence"), allowed=allowed)


def failure_interval(failed: int, tested: int, confidence: str) -> Interval:
    """Return the exact interval for the fraction that fails; the confidence as text."""
    return sampling.interval(failed, tested, units.fraction(confidence, "the confidence"))


def life_factor(from_text: str, to_text: str, ea_text: str | None) -> Life:
    """Return the life factor; a bare number is degrees Celsius, and electronvolts for the activation energy."""
    from_c = units.written(from_text, "temperature", bare_unit="C").value
    to_c = units.written(to_text, "temperature", bare_unit="C").value
    if ea_text is None:
        return life.factor(from_c, to_c)
    return life.factor(from_c, to_c, ea_ev=units.written(ea_text, "energy", bare_unit="eV").value)
