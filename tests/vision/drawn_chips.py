"""Pictures of plain chips at a known place, drawn with exact corners; and the overlap of outlines by Shapely."""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from shapely import Polygon

from vision.observations import Rgb

Corners = NDArray[np.float64]
Colour = tuple[int, int, int]


@dataclass(frozen=True)
class Chip:
    """One chip: its middle, how far it is turned (degrees, clockwise as seen), its body and what it carries."""

    at: tuple[float, float] = (450.0, 320.0)
    turn: float = 0.0
    body: tuple[float, float] = (420.0, 130.0)
    top: Colour = (45, 45, 48)
    bars: Colour | None = (210, 210, 205)
    """Two rows of bars in place of print, in this colour."""
    leads: bool = True

    def placed(self, points: object) -> Corners:
        """Points on the chip, from its middle, as points of the picture."""
        angle = np.radians(self.turn)
        turn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
        return np.asarray(np.asarray(points, float) @ turn + self.at)

    def corners(self) -> Corners:
        return self.placed(np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) / 2 * self.body)

    def rows(self) -> list[Corners]:
        """Where the rows of print stand."""
        if self.bars is None:
            return []
        return [self.placed([(-118, y - 17), (126, y - 17), (126, y + 17), (-118, y + 17)]) for y in (-26, 26)]


def drawn(*chips: Chip, ground: Colour = (150, 120, 85), size: tuple[int, int] = (900, 640), seed: int = 1) -> Rgb:
    """A photo of chips on a mottled ground, a little soft and grainy."""
    rng = np.random.default_rng(seed)
    width, height = size
    picture = np.full((height, width, 3), ground, np.float64)
    picture += cv2.GaussianBlur(rng.normal(0, 25, (height, width)), (0, 0), 2)[..., None]
    for chip in chips:
        _draw(picture, chip)
    picture = cv2.GaussianBlur(picture, (0, 0), 1.0) + rng.normal(0, 3, picture.shape)
    return picture.clip(0, 255).astype(np.uint8)


def _draw(picture: NDArray[np.float64], chip: Chip) -> None:
    def fill(points: object, colour: Colour) -> None:
        cv2.fillConvexPoly(picture, np.round(chip.placed(points) * 16).astype(np.int32), colour, cv2.LINE_AA, 4)

    length, width = chip.body
    for index in range(7 if chip.leads else 0):
        x = (index - 3) * length / 7.4
        for side in (-width / 2, width / 2):
            out = side + np.copysign(26, side)
            fill([(x - 8, side), (x + 8, side), (x + 8, out), (x - 8, out)], (190, 190, 188))
    fill(
        [(-length / 2, -width / 2), (length / 2, -width / 2), (length / 2, width / 2), (-length / 2, width / 2)],
        chip.top,
    )
    if chip.bars is not None:
        for x, y in ((x, y) for y in (-26, 26) for x in range(-112, 113, 14)):
            fill([(x, y - 14), (x + 4, y - 14), (x + 4, y + 14), (x, y + 14)], chip.bars)


def iou(one: object, other: object) -> float:
    """Intersection over union of two quadrilaterals, by Shapely."""
    a, b = Polygon(np.asarray(one, float)), Polygon(np.asarray(other, float))
    return float(a.intersection(b).area / a.union(b).area)
