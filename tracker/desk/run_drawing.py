"""A kept run as a drawing, from its own readings and its own result."""

from typing import Any

import numpy as np

from tracker.desk.dossier_figures import number
from tracker.desk.drawing import Drawing, Look, Mark, Series
from tracker.records.models import BenchRun

Result = dict[str, Any]
_MOST = 3000


def run_drawing(run: BenchRun, result: Result) -> Drawing | None:
    """Return what a run's plot shows; None for the tests that have none, or several.

    Parameters
    ----------
    run : BenchRun
        With the readings its test needs.
    result : dict
        Its own result.
    """
    makers = {"current": _current, "clock": _clock, "soak": _soak}
    return makers[run.test](run, result) if run.test in makers else None


def _current(run: BenchRun, result: Result) -> Drawing:
    points = tuple(
        (one.clock_hz / 1e6, one.current_a * 1e3)
        if one.current_u_a is None
        else (one.clock_hz / 1e6, one.current_a * 1e3, 2e3 * one.current_u_a)  # expanded by k = 2: GUM 6.3.3
        for one in run.samples
        if one.clock_hz is not None and one.current_a is not None
    )
    series = [Series("reading", "dots", points)]
    static, slope = number(result, "fitted", "static_a", "value"), number(result, "fitted", "slope_a_per_hz", "value")
    if static is not None and slope is not None:
        widest = max(point[0] for point in points)
        series.append(
            Series("straight line", "dashed", ((0.0, 1e3 * static), (widest, 1e3 * (static + slope * widest * 1e6))))
        )
    marks = []
    limit, guard = number(result, "limit", "max_a"), number(result, "conformity", "guard_band")
    if limit is not None:
        marks.append(Mark("limit", "y", limit * 1e3))
        if guard:
            marks.append(Mark("guard band", "y", (limit - guard) * 1e3, (limit + guard) * 1e3))
    return Drawing("Supply current against clock", "clock / MHz", "current / mA", tuple(series), tuple(marks))


def _clock(run: BenchRun, result: Result) -> Drawing:
    tried: tuple[tuple[bool, str, Look, float], ...]
    tried = ((True, "passed", "dots", 1.0), (False, "failed", "crosses", 0.0))
    series = []
    for passed, name, look, y in tried:
        points = tuple((one.clock_hz / 1e6, y) for one in run.samples if one.clock_hz and one.passed is passed)
        if points:
            series.append(Series(name, look, points))
    marks = []
    lower, upper = number(result, "ceiling", "lower_hz"), number(result, "ceiling", "upper_hz")
    if lower is not None and upper is not None:
        marks.append(Mark("ceiling, 95 %", "x", lower / 1e6, upper / 1e6))
    for name, key in (("grade", "grade_hz"), ("grade with margin", "required_hz")):
        value = number(result, key)
        if value is not None:
            marks.append(Mark(name, "x", value / 1e6))
    told = "Clocks tried, and the ceiling they speak for"
    return Drawing(told, "clock / MHz", "", tuple(series), tuple(marks), ("failed", "passed"))


def _soak(run: BenchRun, result: Result) -> Drawing:
    kept = [one for one in run.samples if one.time_s is not None and one.temp_c is not None]
    kept = kept[:: -(-len(kept) // _MOST)]
    times = [(one.time_s or 0.0) / 60.0 for one in kept]
    series = [Series("temperature", "dots", tuple((t, one.temp_c or 0.0) for t, one in zip(times, kept, strict=True)))]
    ambient = [one.ambient_c if one.ambient_c is not None else run.ambient_c for one in kept]
    known = tuple((t, a) for t, a in zip(times, ambient, strict=True) if a is not None)
    if known:
        series.append(Series("ambient", "line", known))
    tau, final = number(result, "fitted", "time_constant", "value"), number(result, "fitted", "final", "value")
    start, base = number(result, "fitted", "start", "value"), number(result, "rise", "ambient_c")
    marks = []
    if tau and final is not None and start is not None and number(result, "rise", "temp_c") is not None:
        lift = (base or 0.0) if (result.get("fitted") or {}).get("above_ambient") else 0.0
        t = np.linspace(0.0, max(times) * 60.0, 120)
        curve = lift + start * np.exp(-t / tau) - final * np.expm1(-t / tau)
        points = tuple((float(a) / 60.0, float(b)) for a, b in zip(t, curve, strict=True))
        series.append(Series("first-order rise", "dashed", points))
        end, within = number(result, "rise", "temp_c") or 0.0, number(result, "rise", "within_k") or 0.0
        marks.append(Mark("final temperature, 95 %", "y", end - within, end + within))
    told = "Temperature against time, and the rise that fits it"
    return Drawing(told, "time / min", "temperature / C", tuple(series), tuple(marks))
