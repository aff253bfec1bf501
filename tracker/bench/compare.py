"""Runs side by side: what a change to a machine did, with an interval on every difference and percentage.

Differences combine uncertainties as independent (JCGM 100:2008, 5.1.2). Two readings of one meter share its gain
error, which largely cancels in their ratio; taking it in full errs on the wide side. The interval of a percentage is
Fieller's (E. C. Fieller 1954, 'Some problems in interval estimation', J. R. Stat. Soc. B 16, 175-185): exact for
normal readings, and open where the first run's value is not clearly different from zero.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from scipy import special  # not stats, whose import takes most of a second

CONFIDENCE = 0.95
_K = float(special.ndtri(0.5 + CONFIDENCE / 2))
INDEPENDENT = (
    "Differences treat the runs' uncertainties as independent; readings of one meter share part of their error, so the "
    "intervals are rather too wide than too narrow."
)


@dataclass(frozen=True, slots=True)
class Figure:
    """One quantity of one run: its value and standard uncertainty in `unit`; `u` is None where it is not known."""

    name: str
    value: float
    u: float | None
    unit: str


@dataclass(frozen=True, slots=True)
class Side:
    """One run as a column: its label, what it was, and its figures."""

    label: str
    title: str
    figures: tuple[Figure, ...]


@dataclass(frozen=True, slots=True)
class Difference:
    """A run's value less the first run's, and as a share of the first run's, each with a 95 % interval.

    Parameters
    ----------
    value : float
    u, lower, upper : float or None
        None where an uncertainty is not known.
    share : float or None
        (value / first value); None where the first is 0. 0.1 is 10 % more.
    share_lower, share_upper : float or None
        Fieller's interval; None where it is open or an uncertainty is not known.
    """

    value: float
    u: float | None
    lower: float | None
    upper: float | None
    share: float | None
    share_lower: float | None
    share_upper: float | None

    @property
    def told_apart(self) -> bool:
        """Whether the interval of the difference leaves out zero."""
        return self.lower is not None and self.upper is not None and (self.lower > 0 or self.upper < 0)


@dataclass(frozen=True, slots=True)
class Row:
    """One quantity over all runs; None where a run has none. Differences are against the first run that has it."""

    name: str
    unit: str
    figures: tuple[Figure | None, ...]
    differences: tuple[Difference | None, ...]


@dataclass(frozen=True, slots=True)
class Comparison:
    """Runs side by side."""

    labels: tuple[str, ...]
    titles: tuple[str, ...]
    rows: tuple[Row, ...]
    confidence: float = CONFIDENCE
    rule: str = INDEPENDENT


def compare(sides: Sequence[Side]) -> Comparison:
    """Lay runs side by side.

    Parameters
    ----------
    sides : sequence of Side
        In the order they are shown; the first is what the others are held against.

    Returns
    -------
    Comparison
        Quantities in the order in which they first appear.
    """
    names = list(dict.fromkeys((figure.name, figure.unit) for side in sides for figure in side.figures))
    return Comparison(
        tuple(side.label for side in sides),
        tuple(side.title for side in sides),
        tuple(_row(n, u, sides) for n, u in names),
    )


def _row(name: str, unit: str, sides: Sequence[Side]) -> Row:
    figures = tuple(
        next((figure for figure in side.figures if (figure.name, figure.unit) == (name, unit)), None) for side in sides
    )
    first = next(i for i, figure in enumerate(figures) if figure is not None)
    base = figures[first]
    assert base is not None
    differences = tuple(
        None if figure is None or i == first else difference(base, figure) for i, figure in enumerate(figures)
    )
    return Row(name, unit, figures, differences)


def difference(base: Figure, other: Figure) -> Difference:
    """Return how a quantity changed from one run to another, both in the same unit."""
    change = other.value - base.value
    share = None if base.value == 0 else change / base.value
    if base.u is None or other.u is None:
        return Difference(change, None, None, None, share, None, None)
    u = math.hypot(base.u, other.u)
    ends = _fieller(base.value, base.u, other.value, other.u)
    lower, upper = (None, None) if ends is None else (ends[0] - 1, ends[1] - 1)
    return Difference(change, u, change - _K * u, change + _K * u, share, lower, upper)


def _fieller(a: float, u_a: float, b: float, u_b: float) -> tuple[float, float] | None:
    """Return the 95 % interval of b / a for independent normal a and b, or None where a may well be zero."""
    if abs(a) <= _K * u_a:
        return None
    g = (_K * u_a / a) ** 2
    ratio = b / a
    spread = _K / abs(a) * math.sqrt(u_b**2 + ratio**2 * u_a**2 - g * u_b**2)
    return (ratio - spread) / (1 - g), (ratio + spread) / (1 - g)
