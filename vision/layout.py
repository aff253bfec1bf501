"""Where texts may stand in the annotated picture: rectangles, leaders, whether they meet, and where room is left."""

from collections.abc import Sequence
from dataclasses import dataclass, field

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


@dataclass(slots=True)
class Room:
    """What is taken of a picture, and where there is room.

    Parameters
    ----------
    width, height : int
        Of the picture, in pixels.
    size : int
        Of a letter, in pixels: how close texts may come and how finely is searched.
    taken, frames : list of Box
        Texts, and the rectangles around pieces.
    leaders : list of (Point, Point)
    """

    width: int
    height: int
    size: int
    taken: list[Box] = field(default_factory=list)
    frames: list[Box] = field(default_factory=list)
    leaders: list[tuple[Point, Point]] = field(default_factory=list)

    def first_free(
        self, tries: Sequence[tuple[float, float, float, float]], gap: float, off: Sequence[Quad] = ()
    ) -> Box | None:
        """The first rectangle (x, y, width, height) inside the picture that meets no text and none of some outlines."""
        for x, y, width, height in tries:
            box = Box(x, y, x + width, y + height)
            if x < 0 or y < 0 or box.x1 > self.width or box.y1 > self.height:
                continue
            if any(box.meets(other, gap) for other in self.taken) or any(covers(box, outline) for outline in off):
                continue
            return box
        return None

    def search(
        self,
        anchor: Point,
        width: float,
        height: float,
        reach: float,
        tied: Quad | None,
        *,
        off: Sequence[Quad] = (),
    ) -> Box | None:
        """The nearest free rectangle around a point, in growing rings.

        With `tied` given it also keeps off all pieces and leaders, and its own leader must cross no text.
        """
        step = 0.8 * self.size
        for radius in np.arange(0.0, reach + 0.5 * float(np.hypot(width, height)), step):
            turns = max(1, int(np.pi * radius / step))
            for angle in np.linspace(-np.pi / 2, 1.5 * np.pi, turns, endpoint=False):
                x = anchor[0] + radius * np.cos(angle) - width / 2
                y = anchor[1] + radius * np.sin(angle) - height / 2
                box = self.first_free([(float(x), float(y), width, height)], gap=0.3 * self.size, off=off)
                if box is not None and (tied is None or self.clear(box, tied)):
                    return box
        return None

    def clear(self, box: Box, tied: Quad) -> bool:
        """No piece or leader under the box, and no text under its leader."""
        if any(box.meets(frame) for frame in self.frames) or any(crosses(line, box) for line in self.leaders):
            return False
        line = leader_line(tied, box)
        return not any(crosses(line, other) for other in self.taken)


def as_box(rectangle: tuple[float, float, float, float]) -> Box:
    """The rectangle (x, y, width, height) as a box."""
    x, y, width, height = rectangle
    return Box(x, y, x + width, y + height)


def beside(outline: Quad, width: float, height: float) -> list[tuple[float, float, float, float]]:
    """Rectangles (x, y, width, height) of a size along an outline's sides, the one on its first corner first."""
    corners = np.asarray(outline, dtype=np.float64)
    middle = corners.mean(axis=0)
    found = []
    for k, t in ((k, t) for k in range(4) for t in (0.0, 0.25, 0.5, 0.75)):
        foot = corners[k] + t * (corners[(k + 1) % 4] - corners[k])
        away = foot - middle
        # A side may rise under the plate: pushed off it by up to a plate's height it stands clear.
        push = away / max(1e-9, float(np.hypot(*away))) * height
        for off in (0.0, 0.25, 0.5, 1.0):
            x, y = foot + off * push
            found += [(left, top, width, height) for left in (x, x - width) for top in (y - height, y)]
    best = corners[0] - [0.0, height]
    return sorted(found, key=lambda one: float(np.hypot(*(np.array(one[:2]) - best))))
