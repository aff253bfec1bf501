"""One measured value beside those of known-good pieces and siblings: how far off, and whether it can be told apart.

It decides nothing: limits do. Siblings may all be bad, and an exemplar is one piece of a maker's spread.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median

from tracker.bench.compare import Figure, difference
from tracker.bench.figures import show, show_with_u

SPREAD = 0.3
"""How far genuine pieces of one part lie apart, as a share of their current (standard deviation): makers' typical and
greatest figures differ by a factor of two; common practice, no source."""
_FEW = 2  # siblings below which their middle says nothing
_UNLIKE = 2.0  # standard deviations; about 95 %, JCGM 100:2008, 6.3.3


@dataclass(frozen=True, slots=True)
class Other:
    """Another piece's value at the same clock, and its standard uncertainty in the same unit."""

    label: str
    value: float
    u: float


def sentences(value: float, u: float, unit: str, exemplars: Sequence[Other], siblings: Sequence[Other]) -> list[str]:
    """Return what a value is beside others, in sentences.

    Parameters
    ----------
    value, u : float
        The piece's own, with its standard uncertainty, in `unit`.
    exemplars, siblings : sequence of Other
    """
    told = [_beside(value, u, unit, one) for one in exemplars]
    if len(siblings) >= _FEW:
        told.append(_among(value, u, unit, siblings))
    return told


def _beside(value: float, u: float, unit: str, other: Other) -> str:
    found = difference(Figure("", other.value, other.u, unit), Figure("", value, u, unit))
    share = "" if found.share is None else f" ({100 * found.share:+.0f} %)"
    start = f"Exemplar {other.label} draws {show_with_u(other.value, other.u, unit)}"
    if not found.told_apart:
        return f"{start}; this piece cannot be told from it."
    verb = "more" if found.value > 0 else "less"
    beyond = "" if not _unlike(value, other.value, u, other.u) else ", beyond how far genuine pieces lie apart"
    return f"{start}; this piece draws {show(abs(found.value), unit, 3)} {verb}{share}{beyond}."


def _among(value: float, u: float, unit: str, siblings: Sequence[Other]) -> str:
    middle = median(other.value for other in siblings)
    typical_u = median(other.u for other in siblings)
    start = f"{len(siblings)} siblings draw {show(middle, unit, 3)} in the middle"
    if _unlike(value, middle, u, typical_u):
        return f"{start}; this piece is unlike them: it draws {show(value, unit, 3)}."
    return f"{start}; this piece is like them."


def _unlike(value: float, other: float, u: float, u_other: float) -> bool:
    width = math.hypot(SPREAD * max(abs(other), abs(value)), math.hypot(u, u_other))
    return abs(value - other) > _UNLIKE * width
