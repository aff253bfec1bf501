"""Plots of supply current against clock and of clock steps, for the page: told apart by shape, not by colour alone."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from tracker.bench.figures import show
from tracker.bench.plots import Kind, saved

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

INK, SOFT, WARM = "0.1", "0.55", "tab:red"
_K95 = 2.0  # error bars are of one expanded uncertainty: GUM 6.3.3


@dataclass(frozen=True, slots=True)
class CurrentPoint:
    """A current in amperes at a clock in hertz, with its standard uncertainty or None."""

    clock_hz: float
    current_a: float
    u_a: float | None


@dataclass(frozen=True, slots=True)
class CurrentDrawn:
    """Supply current against clock.

    Parameters
    ----------
    points : sequence of CurrentPoint
        At least one.
    line : (static in amperes, slope in amperes per hertz) or None
    limit_a, limit_at_hz : float or None
        Most it may draw, and the clock at which it is held against that.
    guard_a : float
        Width of the guard band on either side of the limit.
    """

    points: Sequence[CurrentPoint]
    line: tuple[float, float] | None = None
    limit_a: float | None = None
    limit_at_hz: float | None = None
    guard_a: float = 0.0


@dataclass(frozen=True, slots=True)
class ClockDrawn:
    """Clock steps and what they say; hertz.

    Parameters
    ----------
    steps : sequence of (clock, passed)
        At least one.
    ceiling_hz, lower_hz, upper_hz : float or None
        The ceiling and its 95 % interval.
    grade_hz, required_hz : float or None
        The claimed grade, bare and with its margin.
    """

    steps: Sequence[tuple[float, bool]]
    ceiling_hz: float | None = None
    lower_hz: float | None = None
    upper_hz: float | None = None
    grade_hz: float | None = None
    required_hz: float | None = None


def current_plot(drawn: CurrentDrawn, *, kind: Kind = "svg", title: str = "") -> bytes:
    """Return supply current against clock, with its line, its limit and the guard band."""
    figure, axes = _canvas(title)
    clocks = [one.clock_hz / 1e6 for one in drawn.points]
    currents = [one.current_a * 1e3 for one in drawn.points]
    bars = [_K95 * (one.u_a or 0.0) * 1e3 for one in drawn.points]
    axes.errorbar(clocks, currents, yerr=bars, fmt="o", color=INK, capsize=3, label="readings, with U = 2 u")
    widest = 1.15 * max(*clocks, (drawn.limit_at_hz or 0.0) / 1e6, 1e-9)
    if drawn.line is not None:
        static, slope = drawn.line
        ends = [1e3 * static, 1e3 * (static + slope * widest * 1e6)]
        axes.plot([0, widest], ends, "--", color=INK, linewidth=1, label="straight line")
    if drawn.limit_a is not None:
        limit, guard = drawn.limit_a * 1e3, drawn.guard_a * 1e3
        axes.axhspan(limit - guard, limit + guard, facecolor="none", edgecolor=SOFT, hatch="////", linewidth=0)
        axes.axhline(limit, color=WARM, linestyle="-.", linewidth=1.5, label=f"limit, {show(drawn.limit_a, 'A')}")
    axes.set_xlim(0, widest)
    highest = max(*(c + b for c, b in zip(currents, bars, strict=True)), _top(drawn))
    axes.set_ylim(0, 1.15 * (highest or 1.0))
    axes.set_xlabel("clock, MHz")
    axes.set_ylabel("supply current, mA")
    axes.legend(fontsize=8)
    return saved(figure, kind)


def _top(drawn: CurrentDrawn) -> float:
    return 0.0 if drawn.limit_a is None else 1e3 * (drawn.limit_a + drawn.guard_a)


def clock_plot(drawn: ClockDrawn, *, kind: Kind = "svg", title: str = "") -> bytes:
    """Return every clock tried, passes above and failures below, with the ceiling's interval and the claimed grade."""
    figure, axes = _canvas(title, height=2.6, right=0.75)
    passed = [clock / 1e6 for clock, works in drawn.steps if works]
    failed = [clock / 1e6 for clock, works in drawn.steps if not works]
    axes.plot(passed, [1] * len(passed), "o", color=INK, markersize=8, label="works")
    axes.plot(failed, [0] * len(failed), "x", color=INK, markersize=8, markeredgewidth=2, label="fails")
    known = [one / 1e6 for one in (drawn.grade_hz, drawn.required_hz, drawn.lower_hz, drawn.upper_hz) if one]
    if drawn.lower_hz is not None and drawn.upper_hz is not None:
        ends = drawn.lower_hz / 1e6, drawn.upper_hz / 1e6
        axes.axvspan(*ends, facecolor="none", edgecolor=SOFT, hatch="////", linewidth=0, label="ceiling, 95 %")
    if drawn.ceiling_hz is not None:
        axes.axvline(drawn.ceiling_hz / 1e6, color=INK, linewidth=1)
    if drawn.grade_hz is not None:
        axes.axvline(drawn.grade_hz / 1e6, color=WARM, linestyle="-.", label=f"grade, {show(drawn.grade_hz, 'Hz')}")
    if drawn.required_hz is not None:
        label = f"with margin, {show(drawn.required_hz, 'Hz')}"
        axes.axvline(drawn.required_hz / 1e6, color=WARM, linestyle=":", label=label)
    low, high = min(passed + failed + known), max(passed + failed + known)
    air = 0.08 * (high - low or high)
    axes.set_xlim(max(0.0, low - air), high + air)
    axes.set_ylim(-0.5, 1.5)
    axes.set_yticks([0, 1], ["fails", "works"])
    axes.set_xlabel("clock, MHz")
    axes.legend(fontsize=8, loc="center left", bbox_to_anchor=(1.01, 0.5), frameon=False)
    return saved(figure, kind)


def _canvas(title: str, *, height: float = 3.2, right: float = 0.97) -> tuple["Figure", "Axes"]:
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(7.0, height), dpi=100)
    FigureCanvasAgg(figure)
    axes = figure.add_axes((0.1, 0.5 / height, right - 0.1, 1 - 0.72 / height))
    axes.set_title(title, fontsize=10)
    axes.grid(visible=True, alpha=0.3)
    return figure, axes
