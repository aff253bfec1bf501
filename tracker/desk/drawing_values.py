"""Values beside each other at one scale, a row each: their uncertainty as a bar, what they are held against as a line.

For the tests that are no course over anything: what goes into a machine, what a board drew before and after. Each takes
a run's own result as it is kept, so that a preview and a recorded run are drawn by the same function.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from tracker.bench.board_current import MUCH_MORE
from tracker.bench.figures import show, show_with_u
from tracker.desk.bench_words import time_text
from tracker.desk.dossier_figures import number
from tracker.desk.drawing import Drawing, Mark, Series

Result = Mapping[str, Any]
_POWERS = (
    ("loss_w", "losses of the supply"),
    ("board_w", "into the board"),
    ("real_w", "into the supply"),
)
_EXPANDED = 2.0  # the bars are twice the standard uncertainty, about 95 %: GUM 6.3.3
_BARS = "Bars: about 95 %."
_APART = 0.14  # of a row: what was before stands a little below what is now


@dataclass(frozen=True, slots=True)
class Before:
    """An earlier run of the same: its label and its own result."""

    run: str
    result: Result


def power_drawing(result: Result, before: Before | None = None) -> Drawing | None:
    """Return the powers of a machine beside each other, with those of an earlier run and the limit.

    Parameters
    ----------
    result : mapping
        As `PowerResult`, in watts. Apparent power is left out: no limit is for it, and it is no watts.
    before : Before, optional
    """
    rows = [(key, name) for key, name in _POWERS if number(result, key, "value") is not None]
    if not rows:
        return None
    earlier = [] if before is None else [key for key, _ in rows if number(before.result, key, "value") is not None]
    lift = _APART if earlier else 0.0
    series = [Series("now", "dots", tuple(_point(result, key, i + lift) for i, (key, _) in enumerate(rows)))]
    if before is not None and earlier:
        points = tuple(_point(before.result, key, i - lift) for i, (key, _) in enumerate(rows) if key in earlier)
        series.append(Series(f"before, {before.run}", "crosses", points))
    told = [f"{name} {_told(result, key)}" for key, name in reversed(rows)]
    sentence = f"{', '.join(told)}."
    sentence = sentence[:1].upper() + sentence[1:]
    marks, held = _limit(result)
    return Drawing(f"{sentence}{held} {_BARS}", "power / W", "", tuple(series), marks, tuple(name for _, name in rows))


def _limit(result: Result) -> tuple[tuple[Mark, ...], str]:
    """Return the limit as a line with its guard band, and in words what is held against it."""
    limit, guard = number(result, "conformity", "upper"), number(result, "conformity", "guard_band")
    if limit is None:
        return (), ""
    marks = [Mark("limit", "x", limit)]
    if guard:
        marks.append(Mark("guard band", "x", limit - guard, limit + guard))
    what = "into the supply" if number(result, "real_w", "value") is not None else "into the board"
    return tuple(marks), f" The limit of {show(limit, 'W')} is for what goes {what}."


def _point(result: Result, key: str, y: float) -> tuple[float, ...]:
    value, u = number(result, key, "value") or 0.0, number(result, key, "u") or 0.0
    return value, y, _EXPANDED * u


def _told(result: Result, key: str) -> str:
    return show_with_u(number(result, key, "value") or 0.0, number(result, key, "u"), "W")


def in_circuit_drawings(result: Result) -> tuple[Drawing, ...]:
    """Return how long a machine ran, and what its board drew before and after, where that was read.

    Parameters
    ----------
    result : mapping
        As `InCircuitResult`: seconds and amperes.
    """
    found = (_ran(result), _board(result))
    return tuple(one for one in found if one is not None)


def _ran(result: Result) -> Drawing | None:
    duration, least = number(result, "duration_s"), number(result, "least_duration_s")
    if not result.get("runs") or duration is None or least is None:
        return None
    told = f"It ran {time_text(duration)}; a pass needs {time_text(least)}."
    series = (Series("it ran", "line", ((0.0, 0.0), (duration / 60.0, 0.0))),)
    return Drawing(told, "time / min", "", series, (Mark("a pass needs", "x", least / 60.0),), ("it ran",))


def _board(result: Result) -> Drawing | None:
    ends = [(number(result, "board", key, "value"), number(result, "board", key, "se")) for key in _BOARD]
    points, told = [], []
    for y, ((value, se), word) in enumerate(zip(ends, _BOARD.values(), strict=True)):
        if value is None:
            return None
        points.append((1e3 * value, float(y), 1e3 * _EXPANDED * (se or 0.0)))
        told.append(f"{word} {show_with_u(value, se, 'A')}")
    much = points[1][0] * (1.0 + MUCH_MORE)
    sentence = f"Board current {', '.join(reversed(told))}. {_BARS}"
    marks = (Mark(f"{100 * MUCH_MORE:g} % more than before", "x", much),)
    return Drawing(
        sentence, "current / mA", "", (Series("reading", "dots", tuple(points)),), marks, tuple(_BOARD.values())
    )


_BOARD = {"after_a": "with the piece in it", "before_a": "before the change"}
"""From below: what was before stands above."""
