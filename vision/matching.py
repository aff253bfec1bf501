"""Which lines of sibling pieces are the same line, and each piece's lettering relative to the group's."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from difflib import SequenceMatcher
from itertools import pairwise
from statistics import median

import numpy as np
from numpy.typing import NDArray

from vision.observations import Lettering, LineLettering, Measure, NotMeasured, PieceView

ALIKE = 0.7
"""Part of the characters two readings of one line share at least (common practice, no source)."""
# Shapes that markings share (0 and O, 1 and I) are one character here: a reader's slip must not part two lines.
SHARED = str.maketrans("OQDIL", "00011")
EITHER = frozenset("0ODQ1IL2Z5S8B6G")
"""Letters and digits that a reader takes for each other."""

Value = Measure | NotMeasured


@dataclass(frozen=True, slots=True)
class Relative:
    """One quantity of one piece against its group.

    Parameters
    ----------
    offset : float
        Mean over shared lines of the difference from the line's group median (logarithm where `logarithmic`).
    u : float
        Standard uncertainty of it.
    value : float
        The quantity itself, its own unit.
    """

    offset: float
    u: float
    value: float


@dataclass(frozen=True, slots=True)
class MatchedLine:
    """One line of one piece in its slot."""

    slot: int
    text: str
    geometry: LineLettering


def match_lines(views: Sequence[PieceView]) -> list[list[MatchedLine]]:
    """Give every measured line a slot: lines of several pieces in one slot say the same thing.

    Two lines are the same where their readings are alike or have the same shape of letters and digits (date codes and
    lot codes differ between siblings). A piece fills a slot once.
    """
    slots: list[list[str]] = []
    result: list[list[MatchedLine]] = []
    for view in views:
        mine: list[MatchedLine] = []
        taken: set[int] = set()
        for geometry in view.lettering.lines if isinstance(view.lettering, Lettering) else ():
            text = _plain(view.lines[geometry.line].text)
            # With any member of the slot: one bad reading at its head must not part the others.
            scores = [(max(_likeness(text, m) for m in slots[k]), -k) for k in range(len(slots)) if k not in taken]
            likeness, slot = max(scores, default=(0.0, 0))
            if likeness < ALIKE:
                slots.append([])
                slot = -(len(slots) - 1)
            if text not in slots[-slot]:
                slots[-slot].append(text)
            taken.add(-slot)
            mine.append(MatchedLine(-slot, text, geometry))
        result.append(mine)
    return result


def _plain(text: str) -> str:
    """Upper case without spaces."""
    return "".join(text.upper().split())


def _likeness(a: str, b: str) -> float:
    """0 to 1; equal shape of four or more characters with a digit counts as alike."""
    ratio = SequenceMatcher(None, a.translate(SHARED), b.translate(SHARED), autojunk=False).ratio()
    if len(a) >= 4 and _of_one_shape(a, b) and any(c.isdigit() for c in a):
        ratio = max(ratio, 0.5 * ratio + 0.5, ALIKE)
    return ratio


def _of_one_shape(a: str, b: str) -> bool:
    """Whether letters and digits stand at the same places, one of them left out that is easily read as the other."""
    if len(a) != len(b):
        return False
    unlike = [x + y for x, y in zip(a, b, strict=True) if _kind(x) != _kind(y)]
    return not unlike or (len(unlike) == 1 and any(c in EITHER for c in unlike[0]))


def _kind(char: str) -> str:
    """Letter or digit."""
    return "9" if char.isdigit() else "A" if char.isalpha() else char


def relative(
    matched: Sequence[Sequence[MatchedLine]],
    pick: Callable[[LineLettering], tuple[float, float] | None],
    *,
    logarithmic: bool,
    same_length: bool = False,
    factors: Sequence[float] | None = None,
) -> list[Relative | None]:
    """Return each piece's quantity relative to the group's, line by line and averaged.

    Parameters
    ----------
    matched : sequence of sequences of MatchedLine
        One inner sequence a piece.
    pick : callable
        Gives (value, standard uncertainty) of a line, or None.
    logarithmic : bool
        Compare ratios instead of differences; non-positive values are left out.
    same_length : bool
        Compare only lines of equally many characters (a centred line starts where its length says).
    factors : sequence of float, optional
        One a piece, multiplied with its values first.
    """
    table: dict[tuple[int, int], dict[int, tuple[float, float]]] = {}
    for k, lines in enumerate(matched):
        for line in lines:
            picked = pick(line.geometry)
            if picked is None or (logarithmic and picked[0] <= 0):
                continue
            if factors is not None:
                picked = picked[0] * factors[k], picked[1] * factors[k]
            value, u = (np.log(picked[0]), picked[1] / picked[0]) if logarithmic else picked
            table.setdefault((line.slot, len(line.text) if same_length else 0), {})[k] = (float(value), u)
    return averaged(table, len(matched), logarithmic)


def pitches(matched: Sequence[Sequence[MatchedLine]]) -> list[Relative | None]:
    """Return each piece's distance between lines over character height, relative to the group's."""
    places: dict[int, list[float]] = {}
    for lines in matched:
        for line in lines:
            if isinstance(line.geometry.baseline, Measure):
                places.setdefault(line.slot, []).append(line.geometry.baseline.value)
    order = sorted((s for s in places if len(places[s]) > 1), key=lambda s: median(places[s]))
    table: dict[tuple[int, int], dict[int, tuple[float, float]]] = {}
    for k, lines in enumerate(matched):
        by_slot = {line.slot: line.geometry for line in lines}
        for upper, lower in pairwise(order):
            step = _step(by_slot.get(upper), by_slot.get(lower))
            if step is not None:
                table.setdefault((upper, lower), {})[k] = step
    return averaged(table, len(matched), True)


def _step(upper: LineLettering | None, lower: LineLettering | None) -> tuple[float, float] | None:
    """Logarithm of the step between two lines over the upper's height, with uncertainty; None for lines of one row."""
    if upper is None or lower is None:
        return None
    a, b, height = upper.baseline, lower.baseline, upper.character_height
    if not (isinstance(a, Measure) and isinstance(b, Measure) and isinstance(height, Measure)):
        return None
    step = b.value - a.value
    if step < 0.6 * height.value:
        return None
    return float(np.log(step / height.value)), float(np.hypot(np.hypot(a.u, b.u) / step, height.u / height.value))


def averaged(
    table: dict[tuple[int, int], dict[int, tuple[float, float]]], pieces: int, logarithmic: bool
) -> list[Relative | None]:
    """Offsets from the lines' medians, one a piece: the middle of its lines, each weighted by how many share it."""
    offsets: list[list[tuple[float, float, float, float]]] = [[] for _ in range(pieces)]
    for values in table.values():
        if len(values) < 2:
            continue
        centre = median([v for v, _ in values.values()])
        for k, (value, u) in values.items():
            offsets[k].append((value - centre, u, value, len(values) - 1.0))
    result: list[Relative | None] = []
    for mine in offsets:
        if not mine:
            result.append(None)
            continue
        offset, u, value, weight = np.array(mine).T
        weight = weight / weight.sum()
        middle = float(value @ weight)
        result.append(
            Relative(
                _middle(offset, weight),
                float(np.sqrt((u**2) @ weight**2)),
                float(np.exp(middle)) if logarithmic else middle,
            )
        )
    return result


def _middle(values: NDArray[np.float64], weights: NDArray[np.float64]) -> float:
    """Weighted mean of one or two values, weighted median of more: one line gone wrong must not move the piece."""
    if values.size < 3:
        return float(values @ weights)
    order = np.argsort(values)
    reached = np.cumsum(weights[order]) - 0.5 * weights[order]
    return float(np.interp(0.5, reached, values[order]))
