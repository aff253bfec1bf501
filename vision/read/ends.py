"""Where a line of print really begins and ends: the detector's boxes clip thin and faint characters at either end."""

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.faces import crop_line
from vision.geometry import Corners, quad_sides
from vision.observations import Rgb

# All in the height of the line's box, common practice, no source: how far beyond an end characters are looked for, the
# widest gap before a further one, how much of the box the print takes up, and where print of another line or a logo
# would show above and below.
_BEYOND, _GAP = 1.6, 0.42
_BAND, _MARGINS = (0.22, 0.78), ((0.0, 0.05), (0.95, 1.0))
# A column is ink from this share of what the line's own columns have, and a sign with so much of that in the margins is
# taller than the line.
_INK, _TALLER = 0.45, 1.0
_NARROW, _WIDE = 0.08, 0.95  # a character's width
_AIR = 0.12


def to_the_ends(flat: Rgb, corners: Corners) -> Corners:
    """Return a line's box, longer where characters of its kind go on beyond its ends.

    Parameters
    ----------
    flat : ndarray of uint8, shape (height, width, 3), RGB
        The flattened top; print is lighter than the ground.
    corners : ndarray of float64, shape (4, 2)
        Clockwise from the line's upper left, in its pixels.

    Returns
    -------
    ndarray of float64, shape (4, 2)
    """
    long, high = quad_sides(corners)
    if high < 6 or long < 1.5 * high:
        return corners
    along = (corners[1] - corners[0] + corners[2] - corners[3]) / (2 * long)
    reach = _BEYOND * high * along
    strip = cv2.cvtColor(crop_line(flat, corners + np.array([-reach, reach, reach, -reach])), cv2.COLOR_RGB2GRAY)
    rest = np.asarray(cv2.GaussianBlur(strip.astype(np.float32), (0, 0), 0.05 * high), np.float32)
    tall, outside = rest.shape[0], round(_BEYOND * rest.shape[0])
    ink = _columns(rest, _BAND)
    within = ink[outside:-outside] if outside else ink
    usual = float(np.percentile(within, 75))
    margins = np.maximum(*(_columns(rest, band) for band in _MARGINS))
    taller = margins > _TALLER * usual
    dark = (ink > _INK * usual) | taller
    back = _reached(dark[:outside][::-1], taller[:outside][::-1], tall)
    on = _reached(dark[len(dark) - outside :], taller[len(dark) - outside :], tall)
    scale = high / tall
    moved = np.array([-back * along, on * along, on * along, -back * along])
    return np.asarray(corners + scale * moved, np.float64)


def _columns(rest: NDArray[np.float32], band: tuple[float, float]) -> NDArray[np.float64]:
    """How far each column's mean within a band of rows stands above the ground."""
    first = min(round(band[0] * len(rest)), len(rest) - 1)
    rows = rest[first : max(round(band[1] * len(rest)), first + 1)]
    means = rows.mean(axis=0)
    return np.asarray(means - np.percentile(means, 10), np.float64)


def _reached(ink: NDArray[np.bool_], taller: NDArray[np.bool_], high: int) -> float:
    """How far characters go on from an end, in pixels; for each column outwards, is it print, or higher than print."""
    end = 0
    edges = np.flatnonzero(np.diff(np.r_[False, ink, False].astype(np.int8)))
    for start, stop in edges.reshape(-1, 2):
        wide = stop - start
        if start - end > _GAP * high or wide > _WIDE * high or stop == len(ink) or taller[start:stop].any():
            break
        if wide >= _NARROW * high:
            end = int(stop)
    return end + _AIR * high if end else 0.0
