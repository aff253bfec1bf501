"""The numbers behind a bench run's verdict, as a person reads them: value, uncertainty, limit and its source."""

import json
import math
from collections.abc import Iterator
from typing import Any

from tracker.bench.figures import percent, show, show_in, show_with_u
from tracker.records.models import BenchRun

Result = dict[str, Any]
Figures = Iterator[tuple[str, str | None]]


def figures(test: str, result: Result) -> Figures:
    """Yield (name, value) of what a result rests on; None where it has no such value."""
    makers = {"current": _current, "clock": _clock, "soak": _soak}
    if test in makers:
        yield from makers[test](result)


def _current(result: Result) -> Figures:
    current, at_hz = number(result, "current_a"), number(result, "at_hz")
    if current is not None:
        at = f" at {show(at_hz, 'Hz')}" if at_hz is not None else ""
        yield "measured", show_with_u(current, number(result, "u_a"), "A") + at
    yield "uncertainty", _text(result, "u_source")
    limit = number(result, "limit", "max_a")
    if limit is not None:
        yield "limit", f"{show(limit, 'A')}: {_text(result, 'limit', 'what')} ({_text(result, 'limit', 'source')})"
    yield "meets the limit", _probability(result, "conformity", "probability")
    static, slope = number(result, "fitted", "static_a", "value"), number(result, "fitted", "slope_a_per_hz", "value")
    if static is not None and slope is not None:
        u_static, u_slope = number(result, "fitted", "static_a", "se"), number(result, "fitted", "slope_a_per_hz", "se")
        at_rest = show_with_u(static, u_static, "A")
        a_mhz = show_with_u(slope * 1e6, None if u_slope is None else u_slope * 1e6, "A")
        yield "straight line", f"{at_rest} without clock, and {a_mhz} more a MHz"


def _clock(result: Result) -> Figures:
    ceiling = number(result, "ceiling", "value_hz")
    lower, upper = number(result, "ceiling", "lower_hz"), number(result, "ceiling", "upper_hz")
    if ceiling is not None:
        if lower and upper:
            value, low, high = show_in((ceiling, lower, upper), lower, upper, "Hz")
            yield "ceiling", f"{value}, 95 % interval {low} to {high}"
        else:
            yield "ceiling", show(ceiling, "Hz")
    grade = number(result, "grade_hz")
    if grade is not None:
        yield "grade", f"{show(grade, 'Hz')} ({_text(result, 'grade_source')})"
    required = number(result, "required_hz")
    if required is not None:
        yield "must reach", f"{show(required, 'Hz')} ({_text(result, 'correction', 'sentence')})"
        yield "reaches it", _probability(result, "probability")


def _soak(result: Result) -> Figures:
    rise, lower, upper = (number(result, "rise", name) for name in ("value_k", "lower_k", "upper_k"))
    if rise is not None:
        between = ""
        if lower and upper:
            low, high = show_in((lower, upper), lower, upper, "K")
            between = f", 95 % interval {low} to {high} from the readings alone"
        yield "final rise above ambient", show_with_u(rise, number(result, "rise", "u_k"), "K") + between
    final = number(result, "rise", "temp_c")
    if final is not None:
        yield "final temperature", f"{final:.4g} °C"
    tau = number(result, "fitted", "time_constant", "value")
    if tau is not None:
        yield "time constant", show_with_u(tau, number(result, "fitted", "time_constant", "se"), "s")
    for one, unit in zip(result.get("conformity") or (), result.get("limit_units") or (), strict=False):
        upper = number(one, "upper")
        if upper is not None:
            what = "K above ambient" if unit == "K" else "°C"
            source, met = _text(result, "limit_source"), _probability(one, "probability")
            yield "limit", f"{upper:.4g} {what} ({source}), met {met}"
    yield "uncertainty", _text(result, "u_source")
    yield "model", _text(result, "model")
    for spot in result.get("spots") or ():
        yield str(spot.get("what")), f"{spot.get('temp_c'):.4g} °C"


def _probability(result: Any, *path: str) -> str | None:
    found = number(result, *path)
    return None if found is None else f"with a probability of {percent(found)}"


def _text(result: Any, *path: str) -> str | None:
    for name in path:
        result = result.get(name) if isinstance(result, dict) else None
    return result if isinstance(result, str) and result else None


def number(value: Any, *path: str) -> float | None:
    """Return a finite number at a path of a result; None where there is none."""
    for name in path:
        value = value.get(name) if isinstance(value, dict) else None
    usable = isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
    return float(value) if usable else None


def parsed(run: BenchRun) -> Result:
    """Return a run's own result; nothing where it cannot be read."""
    try:
        result = json.loads(run.result)
    except ValueError:
        return {}
    return result if isinstance(result, dict) else {}
