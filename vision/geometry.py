"""Plane geometry of quadrilaterals: overlap, areas, ordering, crossing; nothing here knows of chips."""

from math import hypot

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.observations import Homography, Quad

Corners = NDArray[np.float64]
Box = tuple[float, float, float, float]


def axis_box(corners: Corners) -> Box:
    """Return (x0, y0, x1, y1) of the axis-parallel box around points of shape (n, 2)."""
    low, high = corners.min(axis=0), corners.max(axis=0)
    return float(low[0]), float(low[1]), float(high[0]), float(high[1])


def quad_area(corners: Corners) -> float:
    """Return the area of a simple quadrilateral, shape (4, 2), in square pixels: half its diagonals' cross product."""
    (ax, ay), (bx, by), (cx, cy), (dx, dy) = corners.tolist()
    return float(abs((cx - ax) * (dy - by) - (cy - ay) * (dx - bx)) / 2)


def quad_sides(corners: Corners) -> tuple[float, float]:
    """Return mean lengths of the sides (first to second corner, second to third corner)."""
    (ax, ay), (bx, by), (cx, cy), (dx, dy) = corners.tolist()
    across = hypot(bx - ax, by - ay) + hypot(cx - dx, cy - dy)
    down = hypot(cx - bx, cy - by) + hypot(dx - ax, dy - ay)
    return across / 2, down / 2


def box_overlap(one: Box, other: Box, *, of_smaller: bool = False) -> float:
    """Return intersection over union of two axis-parallel boxes, or over the smaller one's area."""
    width, height = min(one[2], other[2]) - max(one[0], other[0]), min(one[3], other[3]) - max(one[1], other[1])
    if width <= 0 or height <= 0:
        return 0.0
    areas = [(b[2] - b[0]) * (b[3] - b[1]) for b in (one, other)]
    both = width * height
    return both / max(min(areas) if of_smaller else sum(areas) - both, 1e-9)


def quad_overlap(one: Corners, other: Corners, *, of_smaller: bool = False) -> float:
    """Return intersection over union of two convex quadrilaterals, or over the smaller one's area."""
    both, _ = cv2.intersectConvexConvex(one.astype(np.float32), other.astype(np.float32))
    areas = quad_area(one), quad_area(other)
    return float(both / max(min(areas) if of_smaller else sum(areas) - both, 1e-9))


def clockwise(corners: Corners) -> Corners:
    """Return four points in clockwise order as seen (y down), starting at the one nearest the upper left."""
    centre = corners.mean(axis=0)
    order = np.argsort(np.arctan2(corners[:, 1] - centre[1], corners[:, 0] - centre[0]))
    ordered = corners[order]
    return np.roll(ordered, -int(np.argmin(ordered.sum(axis=1))), axis=0)


def outward(start: Corners, end: Corners, centre: Corners) -> Corners:
    """Return the unit vector across a side, shape (2,), that points away from a quadrilateral's centre."""
    across = np.array([end[1] - start[1], start[0] - end[0]])
    across = across / (np.linalg.norm(across) + 1e-9)
    return np.asarray(-across if np.dot((start + end) / 2 - centre, across) < 0 else across)


def depth_inside(corners: Corners, point: Corners) -> float:
    """Return how deep a point, shape (2,), lies in a quadrilateral, shape (4, 2), in pixels; outside it is negative."""
    return cv2.pointPolygonTest(corners.astype(np.float32), (float(point[0]), float(point[1])), True)


def meet(one: Corners, other: Corners) -> Corners:
    """Return where two lines cross, each given by two points, shape (2, 2); not finite for parallel ones."""
    (p, q), (r, s) = one, other
    a, b = q - p, s - r
    cross = a[0] * b[1] - a[1] * b[0]
    if abs(cross) < 1e-6:
        return np.full(2, np.nan)
    t = ((r[0] - p[0]) * b[1] - (r[1] - p[1]) * b[0]) / cross
    return np.asarray(p + t * a)


def squarish(corners: Corners, bound: float = 0.12) -> bool:
    """Return whether a quadrilateral could be a rectangle seen at a tilt: no corner's cosine exceeds the bound."""
    return worst_corner(corners) < bound


def nearly_parallelogram(corners: Corners, most_degrees: float) -> bool:
    """Return whether opposite sides of a quadrilateral differ in direction by no more than an angle in degrees.

    A flat rectangle photographed from a hand's distance is close to one: its sides converge by a few degrees only.
    """
    edges = np.roll(corners, -1, axis=0) - corners
    directions = np.arctan2(edges[:, 1], edges[:, 0])
    turned = np.abs((directions[:2] - directions[2:] + np.pi / 2) % np.pi - np.pi / 2)
    return bool(np.degrees(turned).max() <= most_degrees)


def worst_corner(corners: Corners) -> float:
    """Return the largest cosine among a quadrilateral's corners: 0 for a rectangle."""
    edges = np.roll(corners, -1, axis=0) - corners
    edges = edges / np.maximum(np.linalg.norm(edges, axis=1, keepdims=True), 1e-9)
    return float(np.abs((edges * np.roll(edges, 1, axis=0)).sum(axis=1)).max())


def grown(corners: Corners, ends: float, edges: float) -> Corners:
    """Return a line's box with air at its ends and along its edges, as fractions of its height.

    Parameters
    ----------
    corners : ndarray of float64, shape (4, 2)
        Clockwise from the line's upper left.
    """
    height = quad_sides(corners)[1]
    across = corners[1] - corners[0] + corners[2] - corners[3]
    down = corners[3] - corners[0] + corners[2] - corners[1]
    across = across / (np.linalg.norm(across) + 1e-9) * ends * height
    down = down / (np.linalg.norm(down) + 1e-9) * edges * height
    return np.asarray(corners + np.array([-across - down, across - down, across + down, down - across]))


def apply(homography: Homography, points: Corners) -> Corners:
    """Map points of shape (n, 2) through a 3 by 3 homography."""
    lifted = np.hstack([points, np.ones((len(points), 1))]) @ homography.T
    return np.asarray(lifted[:, :2] / lifted[:, 2:])


def as_quad(corners: Corners) -> Quad:
    """Return four points as plain tuples rounded to a hundredth of a pixel."""
    a, b, c, d = ((round(float(x), 2), round(float(y), 2)) for x, y in corners)
    return a, b, c, d
