"""Where texts may stand in the annotated picture: rectangles, leaders, and whether they meet."""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.observations import Point, Quad


@dataclass(frozen=True, slots=True)
class Box:
    """An upright rectangle that is taken."""

    x0: float
    y0: float
    x1: float
    y1: float

    def grown(self, by: float) -> "Box":
        """Larger by so much on every side."""
        return Box(self.x0 - by, self.y0 - by, self.x1 + by, self.y1 + by)

    def meets(self, other: "Box", gap: float = 0.0) -> bool:
        """Overlap, a gap included."""
        return (
            self.x0 < other.x1 + gap
            and other.x0 < self.x1 + gap
            and self.y0 < other.y1 + gap
            and other.y0 < self.y1 + gap
        )


def leader_line(outline: Quad, box: Box) -> tuple[Point, Point]:
    """From the outline's point nearest to the box to the box's point nearest to it."""
    foot = nearest(outline, np.array([(box.x0 + box.x1) / 2, (box.y0 + box.y1) / 2]))
    head = float(np.clip(foot[0], box.x0, box.x1)), float(np.clip(foot[1], box.y0, box.y1))
    return (float(foot[0]), float(foot[1])), head


def crosses(line: tuple[Point, Point], box: Box) -> bool:
    """Whether a segment meets a rectangle (sampled at a third of the rectangle's smaller side)."""
    a, b = np.asarray(line[0]), np.asarray(line[1])
    fine = max(1.0, min(box.x1 - box.x0, box.y1 - box.y0) / 3)
    points = a + (b - a) * np.linspace(0, 1, int(np.hypot(*(b - a)) / fine) + 2)[:, None]
    inside = (points[:, 0] > box.x0) & (points[:, 0] < box.x1) & (points[:, 1] > box.y0) & (points[:, 1] < box.y1)
    return bool(inside.any())


def covers(box: Box, outline: Quad) -> bool:
    """Whether a rectangle covers a part of a convex outline; touching it is not covering."""
    corners = np.array([[box.x0, box.y0], [box.x1, box.y0], [box.x1, box.y1], [box.x0, box.y1]], np.float32)
    area, _ = cv2.intersectConvexConvex(corners, np.asarray(outline, np.float32))
    return area > 1.0


def bounds(outline: Quad) -> Box:
    """The upright rectangle around an outline."""
    corners = np.asarray(outline)
    (x0, y0), (x1, y1) = corners.min(axis=0), corners.max(axis=0)
    return Box(float(x0), float(y0), float(x1), float(y1))


def nearest(outline: Quad, point: NDArray[np.float64]) -> NDArray[np.float64]:
    """Point of the outline nearest to a point."""
    corners = np.asarray(outline, dtype=np.float64)
    best, least = corners[0], np.inf
    for k in range(4):
        a, b = corners[k], corners[(k + 1) % 4]
        along = b - a
        t = float(np.clip(np.dot(point - a, along) / max(1e-9, float(along @ along)), 0, 1))
        foot = a + t * along
        away = float(np.hypot(*(point - foot)))
        if away < least:
            best, least = foot, away
    return np.asarray(best)
