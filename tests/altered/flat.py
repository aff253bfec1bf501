"""One chip's top lifted out of a photo, its print told from its ground, and put back where it was."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[Any]
SCALE = 2
"""Flat pixels a photo pixel: edits are drawn finer than the photo and averaged down again."""


@dataclass(frozen=True, eq=False)
class Mark:
    """One printed line: what it says and where its characters stand, corners (4, 2) clockwise from the upper left."""

    text: str
    quad: Array


@dataclass(frozen=True, eq=False)
class Chip:
    """One chip of a photo: its part, the corners (4, 2) of its flat top from the marking's upper left, its print."""

    part: str
    outline: Array
    marks: tuple[Mark, ...]
    logos: tuple[Array, ...] = ()


@dataclass(frozen=True, eq=False)
class Base:
    """A photo of genuine chips."""

    name: str
    origin: str
    image: NDArray[np.uint8]
    chips: tuple[Chip, ...]
    groups: tuple[tuple[int, ...], ...] = field(default=())


class Top:
    """The flat top of one chip, SCALE times as fine as the photo, as float32 RGB 0 to 255."""

    def __init__(self, photo: NDArray[np.uint8], chip: Chip) -> None:
        self.photo, self.chip = photo, chip
        corners = chip.outline.astype(np.float32)
        self.columns = round(SCALE * 0.5 * (_away(corners[0], corners[1]) + _away(corners[3], corners[2])))
        self.rows = round(SCALE * 0.5 * (_away(corners[0], corners[3]) + _away(corners[1], corners[2])))
        frame = np.array([[0, 0], [self.columns, 0], [self.columns, self.rows], [0, self.rows]], np.float32) - 0.5
        self.to_flat = cv2.getPerspectiveTransform(corners, frame)
        size = (self.columns, self.rows)
        self.image: Array = cv2.warpPerspective(
            photo.astype(np.float32), self.to_flat, size, flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE
        )
        self.boxes = [self._box(mark.quad) for mark in chip.marks]
        self.printed = self._printed([*self.boxes, *(self._box(logo) for logo in chip.logos)])
        self.ground = self._ground()

    @property
    def short(self) -> float:
        """Short side in flat pixels."""
        return float(min(self.rows, self.columns))

    @property
    def length(self) -> float:
        """Long side in flat pixels."""
        return float(max(self.rows, self.columns))

    def _box(self, quad: Array) -> tuple[int, int, int, int]:
        """Box (x0, y0, x1, y1) of a quad of the photo."""
        points = cv2.perspectiveTransform(quad.reshape(-1, 1, 2).astype(np.float32), self.to_flat).reshape(-1, 2)
        low = np.clip(np.floor(points.min(axis=0)), 0, (self.columns - 2, self.rows - 2))
        high = np.clip(np.ceil(points.max(axis=0)), low + 2, (self.columns, self.rows))
        return int(low[0]), int(low[1]), int(high[0]), int(high[1])

    def _printed(self, boxes: Sequence[tuple[int, int, int, int]]) -> Array:
        """Where print lies, with its blurred rim, bool (rows, columns)."""
        grey = self.image.mean(axis=2)
        found = np.zeros(grey.shape, np.uint8)
        for x0, y0, x1, y1 in boxes:
            pad = max(2, (y1 - y0) // 6)
            window = (slice(max(0, y0 - pad), y1 + pad), slice(max(0, x0 - pad), x1 + pad))
            found[window] = 1
        reach, gap = 2 * max(1, round(0.015 * self.short)) + 1, 2 * round(0.06 * self.short) + 1
        # A sliver of ground between two lines would be lit by both; it counts as print.
        closed = cv2.morphologyEx(found, cv2.MORPH_CLOSE, np.ones((gap, gap), np.uint8))
        self.bare = cv2.dilate(closed, np.ones((reach, reach), np.uint8)) == 0
        return found > 0

    def _ground(self) -> Array:
        """The ground as it would look without print: its slow light, and texture borrowed from beside the print."""
        weight = self.bare.astype(np.float32)
        slow = np.zeros_like(self.image)
        norm = np.full(weight.shape, 1e-4, np.float32)
        for sigma, share in ((0.05, 1.0), (0.15, 0.02), (0.6, 0.0005)):
            # The nearest bare ground rules; wider means only fill where none is near.
            norm += share * _blurred(weight, sigma * self.short)
            slow += share * _blurred(self.image * weight[..., None], sigma * self.short)
        slow /= norm[..., None]
        self.slow = slow
        rest = self.image - slow
        filled, known = rest.copy(), self.bare.copy()
        rng = np.random.default_rng(int(self.image[0, 0, 0] * 100) + self.columns)
        for _ in range(60):
            if known.all():
                break
            down, right = (int(v) for v in rng.integers(-self.rows // 2, self.rows // 2, 2))
            source = np.roll(rest, (down, right), axis=(0, 1))
            free = np.roll(self._inner(), (down, right), axis=(0, 1)) & ~known
            filled[free] = source[free]
            known |= free
        filled[~known] = 0
        return np.where(self.bare[..., None], self.image, slow + filled)

    def _inner(self) -> Array:
        """Bare ground away from the rim and from what stands out (dimples, notches)."""
        inner = self.bare.copy()
        rim = round(0.1 * self.short)
        inner[:rim], inner[-rim:], inner[:, :rim], inner[:, -rim:] = False, False, False, False
        grey = np.abs((self.image - self.slow).mean(axis=2))
        spread = 1.4826 * float(np.median(grey[inner])) if inner.any() else 1.0
        inner &= cv2.GaussianBlur(grey, (0, 0), 2.0) < 2.5 * spread
        return inner

    @property
    def ink(self) -> Array:
        """What the print adds to the ground, float32 (rows, columns, 3), 0 beside it."""
        layer = (self.image - self.ground) * self.printed[..., None]
        # Ground texture that differs from what was borrowed for it is no ink.
        strength = cv2.GaussianBlur(np.abs(layer.mean(axis=2)), (0, 0), 1.2)
        noise = self.noise
        return layer * np.clip((strength - noise) / max(noise, 0.5), 0, 1)[..., None]

    @property
    def noise(self) -> float:
        """Robust deviation of the bare ground's fine texture, grey levels."""
        rest = (self.image - self.slow).mean(axis=2)[self._inner()]
        return 1.4826 * float(np.median(np.abs(rest - np.median(rest)))) if rest.size > 50 else 1.0

    def level(self) -> Array:
        """Colour the print adds at its strongest, RGB."""
        ink = self.ink[self.printed]
        grey = ink.mean(axis=1)
        sign = 1.0 if abs(np.percentile(grey, 97)) >= abs(np.percentile(grey, 3)) else -1.0
        strong = sign * grey >= np.percentile(sign * grey, 93)
        return np.asarray(np.median(ink[strong], axis=0), np.float32)

    def softness(self) -> float:
        """Gaussian sigma of the print's edges, flat pixels: level over steepest slope over sqrt(2 pi)."""
        grey = self.image.mean(axis=2)
        across, down = (cv2.Sobel(grey, cv2.CV_32F, x, 1 - x, ksize=3) / 8 for x in (1, 0))
        steep = float(np.percentile(np.hypot(across, down)[self.printed], 95))
        sigma = float(abs(self.level().mean())) / max(steep, 0.1) / float(np.sqrt(2 * np.pi))
        return float(np.clip(sigma, 0.7 * SCALE, 2.0 * SCALE))

    def put_back(self, edited: Array) -> NDArray[np.uint8]:
        """Return the photo with this top edited; pixels outside the top, and unedited ones, stay as they are."""
        change = cv2.GaussianBlur(edited.astype(np.float32) - self.image, (0, 0), 0.4 * SCALE)
        size = (self.photo.shape[1], self.photo.shape[0])
        back = cv2.warpPerspective(change, np.linalg.inv(self.to_flat), size, flags=cv2.INTER_LINEAR)
        whole = np.rint(np.clip(self.photo.astype(np.float32) + back, 0, 255))
        return np.where(np.abs(back).max(axis=2, keepdims=True) < 0.25, self.photo, whole.astype(np.uint8))


def _blurred(image: Array, sigma: float) -> Array:
    """Gaussian blur, a wide one on a reduced picture."""
    step = max(1, int(sigma // 4))
    height, width = image.shape[:2]
    small = cv2.resize(image, (max(1, width // step), max(1, height // step)), interpolation=cv2.INTER_AREA)
    return cv2.resize(cv2.GaussianBlur(small, (0, 0), sigma / step), (width, height), interpolation=cv2.INTER_LINEAR)


def _away(a: Array, b: Array) -> float:
    return float(np.linalg.norm(b - a))
