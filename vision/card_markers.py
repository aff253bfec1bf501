"""The card's fiducials: their patterns for the printer, and their corners in a photo."""

from dataclasses import dataclass
from functools import cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.card_layout import MARKER_MODULES, PLACES
from vision.geometry import Corners
from vision.observations import Rgb

SEARCH_SIDE = 1600
"""Long side of the picture in which markers are sought: a marker of an A4 sheet is then about 70 pixels wide."""
LEAST_PIXELS = 20
"""Smaller markers cannot be read: 2.5 pixels a module (common practice, no source)."""
_QUICK, _THOROUGH = (15, 15), (7, 37)
"""Sizes of the window for the local threshold, pixels: one pass is enough to see that there is a card, three to see
markers that are small, large or in bad light."""


Grey = NDArray[Any]


@dataclass(frozen=True, slots=True, eq=False)
class Marker:
    """One marker in a photo.

    Parameters
    ----------
    number : int
        In the dictionary.
    corners : ndarray of float64, shape (4, 2)
        Photo pixels (whole numbers are pixel centres), clockwise from the corner that is printed upper left.
    """

    number: int
    corners: Corners


@cache
def _dictionary() -> Any:
    return cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_6X6_1000)


def pattern(number: int) -> tuple[tuple[bool, ...], ...]:
    """Return a marker's modules row by row, True where it is black; MARKER_MODULES by MARKER_MODULES."""
    image = cv2.aruco.generateImageMarker(_dictionary(), number, MARKER_MODULES, borderBits=1)
    return tuple(tuple(bool(module == 0) for module in row) for row in np.asarray(image))


def find_markers(image: Rgb) -> list[Marker]:
    """Return the markers in a photo, their corners refined at the photo's own resolution.

    Parameters
    ----------
    image : ndarray of uint8, shape (height, width, 3), RGB

    Returns
    -------
    list of Marker
        By number; the same number may occur more than once.

    Notes
    -----
    Garrido-Jurado et al. 2014, 'Automatic generation and detection of highly reliable fiducial markers under
    occlusion', Pattern Recognition 47, 2280-2292, as OpenCV has it; corners by the gradients' orthogonality (Foerstner
    & Guelch 1987), as in OpenCV's cornerSubPix.
    """
    scale = min(1.0, SEARCH_SIDE / max(image.shape[:2]))
    small = image if scale == 1.0 else cv2.resize(image, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    grey = cv2.cvtColor(small, cv2.COLOR_RGB2GRAY)
    found = _detected(grey, _QUICK)
    if not found:
        return []
    if len(found) < PLACES:
        found = _merged(found + _detected(grey, _THOROUGH))
    full = grey if scale == 1.0 else cv2.cvtColor(image, cv2.COLOR_RGB2GRAY)
    # A pixel's centre keeps its place in the scaled picture up to half a pixel of either.
    placed = [Marker(m.number, (m.corners + 0.5) / scale - 0.5) for m in found]
    return [Marker(m.number, _refined(full, m.corners)) for m in placed]


def _detected(grey: Grey, windows: tuple[int, int]) -> list[Marker]:
    how = cv2.aruco.DetectorParameters()
    how.adaptiveThreshWinSizeMin, how.adaptiveThreshWinSizeMax = windows
    how.adaptiveThreshWinSizeStep = 15
    how.minMarkerPerimeterRate = 4 * LEAST_PIXELS / max(grey.shape)
    corners, numbers, _ = cv2.aruco.ArucoDetector(_dictionary(), how).detectMarkers(grey)
    names = np.asarray(numbers).ravel() if len(corners) else ()  # none at all is None
    return [Marker(int(n), np.asarray(c, float).reshape(4, 2)) for n, c in zip(names, corners, strict=True)]


def _merged(found: list[Marker]) -> list[Marker]:
    """Leave out what both passes saw: the same number at the same place."""
    kept: list[Marker] = []
    for marker in found:
        side = np.linalg.norm(marker.corners[1] - marker.corners[0])
        middle = marker.corners.mean(axis=0)
        if not any(
            m.number == marker.number and np.linalg.norm(m.corners.mean(axis=0) - middle) < side / 2 for m in kept
        ):
            kept.append(marker)
    return sorted(kept, key=lambda m: (m.number, *m.corners.mean(axis=0)))


def _refined(grey: Grey, corners: Corners) -> Corners:
    """Corners to a fraction of a pixel, where they stay near."""
    sides = np.linalg.norm(np.roll(corners, -1, axis=0) - corners, axis=1)
    module = float(sides.min()) / MARKER_MODULES
    # Within half a module there is no other edge than the corner's own two.
    window = int(np.clip(0.55 * module, 2, 15))
    start = corners.astype(np.float32).reshape(-1, 1, 2)
    low = np.floor(corners.min(axis=0)).astype(int) - 3 * window
    high = np.ceil(corners.max(axis=0)).astype(int) + 3 * window + 1
    x, y = np.maximum(low, 0)
    part = np.ascontiguousarray(grey[y : high[1], x : high[0]])
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 60, 0.005)
    offset = np.array([x, y], np.float32)
    moved = cv2.cornerSubPix(part, start - offset, (window, window), (-1, -1), stop)
    fine = np.asarray(moved, float).reshape(4, 2) + offset
    near = np.linalg.norm(fine - corners, axis=1) <= max(2.0, 0.6 * module)
    return np.where(near[:, None], fine, corners)
