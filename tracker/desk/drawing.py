"""What a plot shows, as plain values: for the pages, which draw it themselves, and beside it the same as a table.

A drawing has two axes with their units and, on them, series of points, straight lines and bands. It holds nothing of
how it looks.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from tracker.bench.clock import ClockResult, Step
from tracker.bench.compare import Comparison
from tracker.bench.current import CurrentResult, Reading
from tracker.bench.figures import show_with_u
from tracker.bench.plots import thinned
from tracker.bench.soak_verdict import SoakResult

Look = Literal["dots", "crosses", "line", "dashed"]


@dataclass(frozen=True, slots=True)
class Series:
    """Points of one kind: (x, y), or (x, y, half an error bar) along y, or along x where y has words."""

    name: str
    look: Look
    points: tuple[tuple[float, ...], ...]


@dataclass(frozen=True, slots=True)
class Mark:
    """A line across the plot at one value of an axis, or a band from `at` to `to`."""

    name: str
    axis: Literal["x", "y"]
    at: float
    to: float | None = None


@dataclass(frozen=True, slots=True)
class Drawing:
    """A plot: the titles of its axes with their units, what is on it, and in words what it shows."""

    told: str
    x: str
    y: str
    series: tuple[Series, ...]
    marks: tuple[Mark, ...] = ()
    y_words: tuple[str, ...] = ()
    """Where the y axis has words instead of numbers: the words for 0, 1, ..."""


def in_numbers(drawing: Drawing, one: Series, point: tuple[float, ...]) -> tuple[str, str]:
    """Return a point as it stands in a table: digits by its bar; without one as it was read, a fitted one in short."""
    digits = 4 if one.look == "dashed" else 6
    x, y = (f"{value:.{digits}g}" for value in point[:2])
    bar = point[2] if len(point) > 2 else None
    if drawing.y_words:
        return x if bar is None else show_with_u(point[0], bar), drawing.y_words[round(point[1])]
    return x, y if bar is None else show_with_u(point[1], bar)


def soak_drawing(
    time_s: Sequence[float],
    temp_c: Sequence[float],
    ambient_c: Sequence[float] | float | None,
    found: SoakResult | None,
) -> Drawing:
    """Return the course of a heat soak: readings, ambient, the fitted rise carried on, and the final temperature.

    Parameters
    ----------
    time_s, temp_c : sequence of float
    ambient_c : sequence of float, float or None
    found : SoakResult or None
        None while there are too few readings.
    """
    t, temp = thinned(np.array(time_s, float), np.array(temp_c, float))
    series = [Series("temperature", "dots", _points(t / 60.0, temp))]
    if isinstance(ambient_c, Sequence):
        at, ambient = thinned(np.array(time_s, float), np.array(ambient_c, float))
        series.append(Series("ambient", "line", _points(at / 60.0, ambient)))
    elif ambient_c is not None:
        series.append(Series("ambient", "line", _points(np.array([0.0, t[-1] / 60.0]), np.full(2, ambient_c))))
    marks: list[Mark] = []
    if found is not None and found.rise is not None and found.fitted is not None:
        tau, start = found.fitted.time_constant.value, found.fitted.start.value
        base = found.rise.ambient_c if found.fitted.above_ambient and found.rise.ambient_c is not None else 0.0
        final = found.fitted.final.value
        ends = np.linspace(0.0, 1.25 * float(t[-1]), 120)
        curve = base + start * np.exp(-ends / tau) - final * np.expm1(-ends / tau)
        series.append(Series("first-order rise", "dashed", _points(ends / 60.0, curve)))
        final_c, within = found.rise.temp_c, found.rise.within_k
        marks.append(Mark("final temperature, 95 %", "y", final_c - within, final_c + within))
    told = f"{len(time_s)} readings in {float(t[-1]) / 60.0:.4g} min, the last {temp[-1]:.1f} C"
    return Drawing(told, "time / min", "temperature / C", tuple(series), tuple(marks))


def current_drawing(readings: Sequence[Reading], found: CurrentResult | None = None) -> Drawing:
    """Return readings of a supply current against their clocks, or one after the other where none is stated."""
    with_clock = all(one.clock_hz is not None for one in readings)
    points = tuple(
        ((one.clock_hz or 0.0) / 1e6 if with_clock else float(number), one.current_a * 1e3)
        for number, one in enumerate(readings, start=1)
    )
    series = [Series("reading", "dots", points)]
    marks = []
    if found is not None and found.limit is not None:
        guard = 0.0 if found.conformity is None else found.conformity.guard_band
        marks.append(Mark("limit", "y", found.limit.max_a * 1e3))
        if guard:
            limit = found.limit.max_a
            marks.append(Mark("guard band", "y", (limit - guard) * 1e3, (limit + guard) * 1e3))
    if found is not None and found.fitted is not None and with_clock:
        widest = max(point[0] for point in points)
        static, slope = found.fitted.static_a.value * 1e3, found.fitted.slope_a_per_hz.value * 1e9
        series.append(Series("straight line", "dashed", ((0.0, static), (widest, static + slope * widest))))
    told = f"{len(readings)} readings, {min(p[1] for p in points):.4g} to {max(p[1] for p in points):.4g} mA"
    return Drawing(told, "clock / MHz" if with_clock else "reading", "current / mA", tuple(series), tuple(marks))


def live_drawing(what: str, points: Sequence[tuple[float, float]]) -> Drawing:
    """Return readings as they come from an instrument, against the time.

    Parameters
    ----------
    what : 'current' or 'temperature'
    points : sequence of (seconds, amperes or degrees Celsius)
    """
    minutes = what == "temperature"
    shown = tuple((t / 60.0, v) if minutes else (t, v * 1e3) for t, v in points)
    y = "temperature / C" if minutes else "current / mA"
    return Drawing(
        f"{len(points)} readings", "time / min" if minutes else "time / s", y, (Series(what, "dots", shown),)
    )


def clock_drawing(steps: Sequence[Step], found: ClockResult | None) -> Drawing:
    """Return the clocks tried, those that worked above and those that failed below, and the ceiling's interval."""
    tried = ((True, "passed", "dots", 1.0), (False, "failed", "crosses", 0.0))
    series = tuple(
        Series(name, look, points)  # type: ignore[arg-type]
        for passed, name, look, y in tried
        if (points := tuple((one.clock_hz / 1e6, y) for one in steps if one.passed is passed))
    )
    marks = []
    if found is not None:
        ceiling = found.ceiling
        if ceiling.lower_hz is not None and ceiling.upper_hz is not None:
            marks.append(Mark("ceiling, 95 %", "x", ceiling.lower_hz / 1e6, ceiling.upper_hz / 1e6))
        if found.grade_hz is not None:
            marks.append(Mark("grade", "x", found.grade_hz / 1e6))
        if found.required_hz is not None and found.required_hz != found.grade_hz:
            marks.append(Mark("grade with margin", "x", found.required_hz / 1e6))
    count = sum(one.passed for one in steps)
    told = f"{count} of {len(steps)} steps passed"
    return Drawing(told, "clock / MHz", "", series, tuple(marks), ("failed", "passed"))


def _points(x: np.ndarray, y: np.ndarray) -> tuple[tuple[float, ...], ...]:
    return tuple((round(float(a), 6), round(float(b), 6)) for a, b in zip(x, y, strict=True) if math.isfinite(a + b))


def comparison_drawing(found: Comparison) -> Drawing | None:
    """Return how each quantity stands in per cent of the first run that has it; None where none is a share of it."""
    looks: tuple[Look, ...] = ("dots", "crosses")
    series: list[Series] = []
    for row in found.rows:
        first = next(i for i, figure in enumerate(row.figures) if figure is not None)
        points: list[tuple[float, ...]] = [(float(first + 1), 100.0)]
        for i, change in enumerate(row.differences):
            if change is None or change.share is None or row.unit == "C":
                continue  # a temperature has no meaningful zero to be a share of
            at = float(i + 1), round(100.0 * (1.0 + change.share), 3)
            if change.share_lower is None or change.share_upper is None:
                points.append(at)
            else:
                points.append((*at, round(50.0 * (change.share_upper - change.share_lower), 3)))
        if len(points) > 1:
            series.append(Series(row.name, looks[len(series) % 2], tuple(points)))
    if not series:
        return None
    count = "1 quantity" if len(series) == 1 else f"{len(series)} quantities"
    told = f"{count} over {len(found.labels)} runs, each in per cent of the first run that has it"
    return Drawing(told, "run, in the order of the table", "per cent of the first", tuple(series))
