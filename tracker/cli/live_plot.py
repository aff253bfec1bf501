"""A plot of block characters, redrawn in place on a terminal, and nothing anywhere else."""

import shutil
import sys
import time
from collections import deque
from collections.abc import Sequence
from typing import TextIO

BLOCKS = " ▁▂▃▄▅▆▇█"
HEIGHT = 5
_STEPS = len(BLOCKS) - 1
_REDRAWS_PER_S = 5.0  # as fast as a person reads figures; drawing at every reading would cost more than reading
_MOST_COLUMNS = 100


def columns(values: Sequence[float], width: int, height: int) -> list[str]:
    """Return values as columns of blocks, the newest at the right.

    Parameters
    ----------
    values : sequence of float
        Finite; the last `width` are drawn.
    width, height : int
        In characters, 1 or more.

    Returns
    -------
    list of str
        `height` lines from the top; the lowest value has the least block, the highest fills its column. Values that
        are all the same stand at half the height.
    """
    shown = list(values)[-width:]
    if not shown:
        return [""] * height
    low, high = min(shown), max(shown)
    most = height * _STEPS
    if high > low:
        filled = [1 + round((value - low) / (high - low) * (most - 1)) for value in shown]
    else:
        filled = [most // 2] * len(shown)
    return [
        "".join(BLOCKS[min(max(fill - row * _STEPS, 0), _STEPS)] for fill in filled) for row in reversed(range(height))
    ]


class LivePlot:
    """The latest values on a terminal.

    Parameters
    ----------
    out : TextIO, optional
        Standard error by default. Lines are printed anywhere; the plot only where this is a terminal.
    """

    def __init__(self, out: TextIO | None = None) -> None:
        self._out = sys.stderr if out is None else out
        self._on = self._out.isatty()
        self._values: deque[float] = deque(maxlen=_MOST_COLUMNS)
        self._lines = 0
        self._drawn = 0.0

    @property
    def on(self) -> bool:
        """Whether anybody sees it."""
        return self._on

    def add(self, value: float) -> None:
        """Take a value; nothing is drawn yet."""
        self._values.append(value)

    def due(self) -> bool:
        """Return whether it is time to draw again."""
        return self._on and time.monotonic() - self._drawn >= 1.0 / _REDRAWS_PER_S

    def draw(self, *, top: str, bottom: str, latest: str) -> None:
        """Draw in place: the ends of the scale at the left, the latest value below."""
        if not self._on:
            return
        size = shutil.get_terminal_size()
        margin = max(len(top), len(bottom))
        width = max(min(size.columns - margin - 3, _MOST_COLUMNS), 1)
        rows = columns(self._values, width, HEIGHT)
        sides = [top, *([""] * (HEIGHT - 2)), bottom]
        lines = [f"{side:>{margin}} |{row}" for side, row in zip(sides, rows, strict=True)]
        lines.append(latest[: size.columns - 1])
        self._clear()
        self._out.write("\n".join(lines) + "\n")
        self._out.flush()
        self._lines = len(lines)
        self._drawn = time.monotonic()

    def say(self, text: str) -> None:
        """Print a line above the plot, which is drawn anew below it the next time."""
        self._clear()
        self._out.write(f"{text}\n")
        self._out.flush()
        self._drawn = 0.0

    def end(self, text: str) -> None:
        """Print a last line below the plot, which stays."""
        self._lines = 0
        self._out.write(f"{text}\n")
        self._out.flush()

    def _clear(self) -> None:
        if self._on and self._lines:
            self._out.write(f"\x1b[{self._lines}A\x1b[J")  # ECMA-48: cursor up, erase to the end of the page
            self._lines = 0

    def range(self) -> tuple[float, float]:
        """Return the lowest and the highest of the values drawn."""
        return min(self._values), max(self._values)
