"""A kept bench run drawn again for the dossier, from its own readings and its own result."""

from collections.abc import Callable, Sequence
from typing import Any

from tracker.bench import curve_table
from tracker.bench.curve_table import Point
from tracker.bench.plots import soak_plot
from tracker.bench.run_plots import ClockDrawn, CurrentDrawn, CurrentPoint, clock_plot, current_plot
from tracker.bench.soak import Soak
from tracker.bench.soak_interval import Final
from tracker.bench.uncertainty import Estimate
from tracker.desk.curve_plot import curves_picture
from tracker.desk.dossier_figures import number
from tracker.records.models import BenchRun

Result = dict[str, Any]


def plot(run: BenchRun, result: Result, exemplars: Sequence[BenchRun] = ()) -> tuple[str, bytes] | None:
    """Return what a run's plot shows, in words, and the plot as SVG; None where there is nothing to draw.

    Parameters
    ----------
    run : BenchRun
    result : dict
        Its own result.
    exemplars : sequence of BenchRun
        Those its pin curves were held against.
    """
    drawers: dict[str, Callable[[BenchRun, Result], tuple[str, bytes] | None]] = {
        "current": _current,
        "clock": _clock,
        "soak": _soak,
    }
    if run.test == "curve":
        return _curves(run, result, exemplars)
    return drawers[run.test](run, result) if run.test in drawers else None


def _current(run: BenchRun, result: Result) -> tuple[str, bytes] | None:
    at_hz = number(result, "at_hz")
    points = [
        CurrentPoint(clock, one.current_a, one.current_u_a or number(result, "u_a"))
        for one in run.samples
        if one.current_a is not None and (clock := one.clock_hz if one.clock_hz is not None else at_hz) is not None
    ]
    if not points:
        return None
    static, slope = number(result, "fitted", "static_a", "value"), number(result, "fitted", "slope_a_per_hz", "value")
    drawn = CurrentDrawn(
        points=points,
        line=None if static is None or slope is None else (static, slope),
        limit_a=number(result, "limit", "max_a"),
        limit_at_hz=number(result, "limit", "at_hz"),
        guard_a=number(result, "conformity", "guard_band") or 0.0,
    )
    said = "Supply current against clock; the hatched band around the limit is the guard band, where nothing is decided"
    return said, current_plot(drawn)


def _clock(run: BenchRun, result: Result) -> tuple[str, bytes] | None:
    steps = [(one.clock_hz, one.passed) for one in run.samples if one.clock_hz and one.passed is not None]
    if not steps:
        return None
    drawn = ClockDrawn(
        steps=steps,
        ceiling_hz=number(result, "ceiling", "value_hz"),
        lower_hz=number(result, "ceiling", "lower_hz"),
        upper_hz=number(result, "ceiling", "upper_hz"),
        grade_hz=number(result, "grade_hz"),
        required_hz=number(result, "required_hz"),
    )
    return "Clocks tried, and the ceiling they speak for", clock_plot(drawn)


def _soak(run: BenchRun, result: Result) -> tuple[str, bytes] | None:
    readings = [one for one in run.samples if one.time_s is not None and one.temp_c is not None]
    if len(readings) < 2:
        return None
    ambient = [one.ambient_c if one.ambient_c is not None else run.ambient_c for one in readings]
    known = [one for one in ambient if one is not None]
    picture = soak_plot(
        [one.time_s for one in readings if one.time_s is not None],
        [one.temp_c for one in readings if one.temp_c is not None],
        known if len(known) == len(readings) else None,
        _fitted(result),
        kind="svg",
        limit_c=_limit_c(result),
    )
    return "Temperature against time, and the rise that fits it", picture


def _limit_c(result: Result) -> float | None:
    """Return the hottest it may get; a limit of the rise becomes a temperature at the ambient it was held against."""
    ambient = number(result, "rise", "ambient_c")
    limits = []
    for one, unit in zip(result.get("conformity") or (), result.get("limit_units") or (), strict=False):
        upper = number(one, "upper")
        if upper is not None and (unit == "C" or ambient is not None):
            limits.append(upper if unit == "C" else upper + (ambient or 0.0))
    return min(limits, default=None)


def _fitted(result: Result) -> Soak | None:
    """Return the fit as it was recorded; None where there was none."""
    fitted = result.get("fitted")
    if result.get("rise") is None or not isinstance(fitted, dict):
        return None
    ends = {name: Estimate(**fitted[name]) for name in ("rise", "time_constant", "start")}
    finals = {name: Final(**fitted[name]) for name in ("final", "above_start")}
    return Soak(**(fitted | ends | finals | {"cautions": tuple(fitted["cautions"])}))


def _curves(run: BenchRun, result: Result, exemplars: Sequence[BenchRun]) -> tuple[str, bytes] | None:
    points = _points(run)
    if not points:
        return None
    stands = {str(one["pin"]): str(one["stand"]) for one in result.get("pins") or ()}
    known = [curve_table.curves(_points(one)) for one in exemplars]
    picture = curves_picture(curve_table.curves(points), known, stands, "svg")
    return "Current against voltage of the pins that differ most, or of the first ones", picture


def _points(run: BenchRun) -> list[Point]:
    return [
        Point(one.text or "", one.voltage_v, one.current_a)
        for one in run.samples
        if one.voltage_v is not None and one.current_a is not None
    ]
