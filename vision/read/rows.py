"""Boxes of print as rows: which stand on one line, and which signs beside a line are no part of it.

The bounds here are common practice, no source: set by eye on photographs of chips.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from vision.geometry import Corners, axis_box, quad_sides
from vision.observations import Rgb
from vision.read import ctc
from vision.read.reconcile import glyphs


@dataclass(frozen=True, slots=True)
class Found:
    """A line seen on an upright face: its corners in face pixels and its pictures' distributions."""

    corners: Corners
    score: float
    distributions: tuple[ctc.Distribution, ...]
    confidence: float
    text: str
    front: Rgb | None = None
    """Its picture with what stands before it, where it may hold a sign that the reader mistakes."""


def _same_line(left: Corners, right: Corners) -> bool:
    """Whether two boxes stand beside each other on one baseline."""
    a, b = axis_box(left), axis_box(right)
    height_a, height_b = quad_sides(left)[1], quad_sides(right)[1]
    smaller = min(height_a, height_b)
    if max(height_a, height_b) > 1.6 * smaller:
        return False
    shared = min(a[3], b[3]) - max(a[1], b[1])
    gap = max(a[0], b[0]) - min(a[2], b[2])
    return shared > 0.68 * smaller and -0.35 * height_a < gap < 4.0 * smaller


def joined(corners: Sequence[Corners]) -> Corners:
    """The box around boxes on one line, along the line's own direction."""
    points = np.vstack(corners)
    across = sum((c[1] - c[0] + c[2] - c[3] for c in corners), np.zeros(2))
    across = across / np.linalg.norm(across)
    down = np.array([-across[1], across[0]])
    u, v = points @ across, points @ down
    ends = [(u.min(), v.min()), (u.max(), v.min()), (u.max(), v.max()), (u.min(), v.max())]
    return np.array([a * across + b * down for a, b in ends])


def rows_of(found: Sequence[Found]) -> list[list[Found]]:
    """Group boxes into printed lines, top to bottom, each left to right."""
    rows: list[list[Found]] = []
    for line in sorted(found, key=lambda f: axis_box(f.corners)[0]):
        home = next((row for row in rows if _same_line(row[-1].corners, line.corners)), None)
        if home is None:
            rows.append([line])
        else:
            home.append(line)
    return sorted(rows, key=lambda row: float(row[0].corners[:, 1].mean()))


def without_marks(row: Sequence[Found]) -> list[Found]:
    """Drop the row's single glyphs that stand apart or differ in size: logos, dimples and neighbouring signs."""
    if len(row) < 2:
        return list(row)
    kept = []
    for index, line in enumerate(row):
        others = [o for i, o in enumerate(row) if i != index and len(glyphs(o.text)) >= 3]
        if len(glyphs(line.text)) <= 2 and others:
            near = min(others, key=lambda o: _gap(o.corners, line.corners))
            heights = quad_sides(near.corners)[1], quad_sides(line.corners)[1]
            if line.confidence < 0.6 or _gap(near.corners, line.corners) > 0.9 * min(heights):
                continue
            if max(heights) > 1.35 * min(heights):
                continue
        kept.append(line)
    return kept


def _gap(one: Corners, other: Corners) -> float:
    a, b = axis_box(one), axis_box(other)
    return max(a[0], b[0]) - min(a[2], b[2])
