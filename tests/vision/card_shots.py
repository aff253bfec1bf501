"""Photos of a printed inspection card whose camera, light and blur are known: the program's own page, projected.

The camera is a pinhole K [R | t] written out here; nothing of `vision` takes part in making a photo.
"""

import io
from dataclasses import dataclass, replace
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from tracker.desk.card import pages_of, sheet_of
from tracker.dossier.card import PAPERS, png
from vision.card_layout import Layout, layout

Array = NDArray[np.float64]
Rgb = NDArray[np.uint8]
DPI = 304.8
"""Twelve pixels a mm."""


@cache
def raster(kind: str, *, lot: str = "L0002", page: int = 1, pieces: int = 16) -> NDArray[np.uint8]:
    """The A4 page in grey."""
    plan = layout(kind)
    made = png(sheet_of(lot, plan), pages_of(lot, "CV6522AP", pieces, plan), paper="a4", dpi=DPI)
    return np.asarray(Image.open(io.BytesIO(made[page - 1])).convert("L"))


def field_at(plan: Layout) -> Array:
    """Where the field's upper left corner is on the A4 page, mm: field and notes are centred on it."""
    width, height = PAPERS["a4"]
    return np.array([(width - plan.width) / 2, (height - max(plan.height, plan.notes.y + plan.notes.height)) / 2])


@dataclass(frozen=True)
class Shot:
    """One photo: `turn` and `tilt` in degrees, `lens` the focal length over the long side, `size` width and height."""

    kind: str = "large"
    turn: float = 0.0
    tilt: float = 15.0
    towards: float = 30.0
    px_per_mm: float = 8.0
    lens: float = 0.8
    size: tuple[int, int] | None = None
    aside: tuple[float, float] = (0.0, 0.0)
    blur: float = 0.8
    noise: float = 2.0
    uneven: float = 0.5
    gains: tuple[float, float, float] = (1.0, 1.0, 1.0)
    exposure: float = 0.8
    seed: int = 1

    @property
    def plan(self) -> Layout:
        return layout(self.kind)

    @property
    def pixels(self) -> tuple[int, int]:
        if self.size is not None:
            return self.size
        # Room for the card as it is turned, and for what perspective adds.
        across, along = abs(np.cos(np.radians(self.turn))), abs(np.sin(np.radians(self.turn)))
        width, height = self.plan.width, self.plan.height
        room = 1.25 * self.px_per_mm * np.array([width * across + height * along, width * along + height * across])
        return int(room[0]), int(room[1])

    @property
    def focal(self) -> float:
        return self.lens * max(self.pixels)

    def pose(self) -> tuple[Array, Array, Array]:
        """K, R and t of card mm (z towards the table), the card's middle (less `aside`) in the photo's middle."""
        angle, tilt = np.radians(self.towards), np.radians(self.tilt)
        axis = np.array([np.cos(angle), np.sin(angle), 0.0])
        rotation = cv2.Rodrigues(axis * tilt)[0] @ cv2.Rodrigues(np.array([0.0, 0.0, np.radians(self.turn)]))[0]
        middle = np.array([self.plan.width / 2 + self.aside[0], self.plan.height / 2 + self.aside[1], 0.0])
        shift = -rotation @ middle + [0, 0, self.focal / self.px_per_mm]
        width, height = self.pixels
        camera = np.array([[self.focal, 0, width / 2 - 0.5], [0, self.focal, height / 2 - 0.5], [0, 0, 1]])
        return camera, rotation, shift

    def homography(self) -> Array:
        """From card mm to photo pixels (whole numbers are pixel centres)."""
        camera, rotation, shift = self.pose()
        return camera @ np.column_stack([rotation[:, 0], rotation[:, 1], shift])

    def height_mm(self) -> float:
        """How high the camera is above the card."""
        _, rotation, shift = self.pose()
        return float(abs((rotation.T @ shift)[2]))

    def project(self, points: Array) -> Array:
        """Photo pixels of card mm (n, 2) or, with a height above the card, (n, 3)."""
        camera, rotation, shift = self.pose()
        solid = np.hstack([points, np.zeros((len(points), 1))]) if points.shape[1] == 2 else points * [1, 1, -1]
        put = (solid @ rotation.T + shift) @ camera.T
        return np.asarray(put[:, :2] / put[:, 2:])

    def take(self, page: NDArray[np.uint8] | None = None, covers: tuple[Array, ...] = ()) -> Rgb:
        """The photo; `covers` are dark patches, corners in card mm, that lie on the card."""
        page = raster(self.kind) if page is None else page
        res = DPI / 25.4
        x, y = field_at(self.plan) * res - 0.5
        to_page = np.array([[res, 0, x], [0, res, y], [0, 0, 1]])
        twice = np.array([[2, 0, 0.5], [0, 2, 0.5], [0, 0, 1]])
        width, height = self.pixels
        whole = twice @ self.homography() @ np.linalg.inv(to_page)
        code = cv2.warpPerspective(page, whole, (2 * width, 2 * height), flags=cv2.INTER_LINEAR, borderValue=110)
        for cover in covers:
            spots = np.round((self.project(cover) * 2 + 0.5) * 16).astype(np.int32)
            cv2.fillConvexPoly(code, spots, 60, cv2.LINE_AA, 4)
        return self._exposed(cv2.resize(code, (width, height), interpolation=cv2.INTER_AREA))

    def _exposed(self, code: NDArray[np.uint8]) -> Rgb:
        rng = np.random.default_rng(self.seed)
        value = np.arange(256) / 255
        light = np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)  # IEC 61966-2-1
        light = light.astype(np.float32)[code][..., None]
        height, width = code.shape
        y, x = np.mgrid[0:height, 0:width].astype(np.float32)
        slope = np.radians(40)
        across = (x / width - 0.5) * np.cos(slope) + (y / height - 0.5) * np.sin(slope)
        lamp = self.exposure * (1 - self.uneven * (0.5 + across / 1.5))
        light = light * lamp[..., None].astype(np.float32) * np.array(self.gains, np.float32)
        light = cv2.GaussianBlur(light, (0, 0), self.blur)
        tone = np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 1e-9) ** (1 / 2.4) - 0.055)
        grain = rng.standard_normal(tone.shape, np.float32) * np.float32(self.noise)
        return (tone * 255 + grain).clip(0, 255).round().astype(np.uint8)


def any_shot(seed: int, **changes: object) -> Shot:
    """A shot with everything drawn at random within what a hand does."""
    rng = np.random.default_rng(seed)
    gains = rng.uniform(0.75, 1.0, 3)
    shot = Shot(
        kind=("large", "small")[seed % 2],
        turn=float(rng.uniform(0, 360)),
        tilt=float(rng.uniform(0, 28)),
        towards=float(rng.uniform(0, 360)),
        lens=float(rng.uniform(0.7, 1.2)),
        blur=float(rng.uniform(0.6, 1.4)),
        uneven=float(rng.uniform(0.1, 0.7)),
        gains=(float(gains[0]), float(gains[1]), float(gains[2])),
        seed=seed,
    )
    return replace(shot, **changes)  # type: ignore[arg-type]


def grid(plan: Layout) -> Array:
    """Points all over the card, mm."""
    xs, ys = np.linspace(2, plan.width - 2, 9), np.linspace(2, plan.height - 2, 11)
    return np.array([(x, y) for y in ys for x in xs])


def over(plan: Layout, place: int) -> Array:
    """A dark patch that covers most of a marker."""
    return np.array(plan.markers[place].shrunk(-1.0).corners, float)
