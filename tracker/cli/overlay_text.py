"""Several courses over one axis of time, drawn with letters for a terminal."""

from collections.abc import Sequence
from string import ascii_lowercase
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from tracker.bench.traces import Trace

_BOTH = "*"


def overlay(traces: "Sequence[tuple[str, Trace]]", width: int = 72, height: int = 14) -> list[str]:
    """Return courses as lines of text: one letter each, a star where two meet, axes in minutes and kelvin.

    Parameters
    ----------
    traces : sequence of (str, Trace)
        At most 26.
    width, height : int
        Of the field inside the axes, in characters.
    """
    kept = [(title, trace) for title, trace in traces[: len(ascii_lowercase)] if trace.time_s]
    if not kept:
        return []
    longest = max(trace.time_s[-1] for _, trace in kept) or 1.0
    values = [value for _, trace in kept for value in trace.rise_k]
    low, high = min(*values, 0.0), max(values)
    span = (high - low) or 1.0
    field = [[" "] * width for _ in range(height)]
    for letter, (_, trace) in zip(ascii_lowercase, kept, strict=False):
        for time, value in zip(trace.time_s, trace.rise_k, strict=True):
            column = round(time / longest * (width - 1))
            row = round((high - value) / span * (height - 1))
            there = field[row][column]
            field[row][column] = letter if there in (" ", letter) else _BOTH
    labels = {0: f"{high:.1f}", height - 1: f"{low:.1f}"}
    lines = [f"{labels.get(i, ''):>7} |{''.join(row)}".rstrip() for i, row in enumerate(field)]
    lines.append(" " * 8 + "+" + "-" * width)
    lines.append(f"{'K':>7}  0{f'{longest / 60:.0f} min':>{width - 1}}")
    return [*lines, *(f"{letter:>7}  {title}" for letter, (title, _) in zip(ascii_lowercase, kept, strict=False))]
