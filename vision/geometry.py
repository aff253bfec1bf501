"""Plane geometry of quadrilaterals: overlap, areas, ordering, fitting; nothing here knows of chips."""

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


def _line_through(points: Corners) -> tuple[Corners, Corners]:
    vx, vy, x, y = cv2.fitLine(points.astype(np.float32), cv2.DIST_HUBER, 0, 0.01, 0.01).ravel()
    return np.array([x, y], float), np.array([vx, vy], float)


def _crossing(one: tuple[Corners, Corners], other: tuple[Corners, Corners]) -> Corners | None:
    matrix = np.stack([one[1], -other[1]], axis=1)
    if abs(np.linalg.det(matrix)) < 0.2:
        return None
    return np.asarray(one[0] + np.linalg.solve(matrix, other[0] - one[0])[0] * one[1])


def side_fit(contour: Corners, rectangle: Corners) -> Corners:
    """Refine a rectangle around a contour to a general quadrilateral by fitting a line to each side's points.

    Parameters
    ----------
    contour : ndarray of float64, shape (n, 2)
    rectangle : ndarray of float64, shape (4, 2)

    Returns
    -------
    ndarray of float64, shape (4, 2)
        Clockwise; the rectangle itself where a side cannot be fitted or the fit strays from it.
    """
    rectangle = clockwise(rectangle)
    ends = np.roll(rectangle, -1, axis=0)
    lines = []
    distances = np.stack([_distance(contour, a, b) for a, b in zip(rectangle, ends, strict=True)])
    for index, (start, end) in enumerate(zip(rectangle, ends, strict=True)):
        length = float(np.linalg.norm(end - start))
        position = (contour - start) @ (end - start) / max(length, 1e-9) ** 2
        near = (distances.argmin(axis=0) == index) & (position > 0.08) & (position < 0.92)
        if near.sum() < 8:
            return rectangle
        lines.append(_line_through(contour[near]))
    crossings = [_crossing(lines[i - 1], lines[i]) for i in range(4)]
    if any(c is None for c in crossings):
        return rectangle
    fitted = np.array([c for c in crossings if c is not None])
    return (
        fitted
        if quad_overlap(fitted, rectangle) > 0.75 and squarish(fitted, max(0.12, worst_corner(rectangle) + 0.05))
        else rectangle
    )


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


def _distance(points: Corners, start: Corners, end: Corners) -> Corners:
    along = (end - start) / max(float(np.linalg.norm(end - start)), 1e-9)
    relative = points - start
    return np.asarray(np.abs(relative[:, 0] * along[1] - relative[:, 1] * along[0]))


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
