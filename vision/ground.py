"""The top away from its print: which pixels are bare, and their luminance over the light that fell there."""

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from vision.light import FloatImage, Mask, linear_luminance, robust_sd, smooth_within
from vision.observations import Face, Line, NotMeasured

WORKING_SHORT = 300
"""Faces are reduced to this many pixels on the short side: 0.02 mm a pixel on a 6.4 mm body; never enlarged."""
SMALLEST_SHORT = 60
"""Below this a scratch of a fiftieth of the body is about one pixel wide and says nothing."""
MARGIN = 0.06
"""Left out along the rim, body units: bevel, its shadow, and the outline's own error (common practice, no source)."""
AROUND_PRINT = 0.03
"""Left out around each line box, body units (common practice, no source)."""
STANDS_OUT = 5.0
"""Robust deviations at which something is print, notch or dimple and not texture (common practice, no source)."""
LEAST_PIXELS = 1500
"""Fewer bare pixels give no texture worth a number (common practice, no source)."""


@dataclass(frozen=True, slots=True, eq=False)
class Ground:
    """The bare body of one face.

    Parameters
    ----------
    relative : ndarray of float32, shape (height, width)
        Luminance over the smooth light, minus one; 0 outside `bare`.
    luminance : ndarray of float32, same shape
        Linear luminance, reduced to the working size.
    bare : ndarray of bool, same shape
        True where the body is bare.
    short : float
        Short side in working pixels.
    scale : float
        Working pixels per face pixel, at most 1.
    """

    relative: FloatImage
    luminance: FloatImage
    bare: Mask
    short: float
    scale: float


def bare_ground(face: Face, lines: Sequence[Line]) -> Ground | NotMeasured:
    """Find the bare body and divide its luminance by the light.

    Parameters
    ----------
    face : Face
    lines : sequence of Line
        Everything read on it; their boxes are left out, and so is whatever else stands out like print.

    Returns
    -------
    Ground or NotMeasured
    """
    rows, columns = face.image.shape[:2]
    native = float(min(rows, columns))
    if native < SMALLEST_SHORT:
        return NotMeasured(f"the top is only {native:.0f} pixels across, {SMALLEST_SHORT} are needed for its texture")
    scale = min(1.0, WORKING_SHORT / native)
    luminance = linear_luminance(face.image)
    if scale < 1.0:
        size = (round(columns * scale), round(rows * scale))
        luminance = cv2.resize(luminance, size, interpolation=cv2.INTER_AREA).astype(np.float32)
    short = float(min(luminance.shape))
    bare = _away_from_print(luminance.shape, lines, scale, short)
    bare = _without_outstanding(luminance, bare, short)
    if int(bare.sum()) < LEAST_PIXELS:
        return NotMeasured("print, glare or dimples cover too much of the top")
    light = smooth_within(luminance, bare, short / 12)
    relative = np.where(bare, luminance / light - 1.0, 0.0).astype(np.float32)
    return Ground(relative, luminance, bare, short, scale)


def _away_from_print(shape: tuple[int, ...], lines: Sequence[Line], scale: float, short: float) -> Mask:
    """Everything but the rim and the line boxes."""
    bare = np.zeros(shape, dtype=np.uint8)
    rim = max(2, round(MARGIN * short))
    bare[rim : shape[0] - rim, rim : shape[1] - rim] = 1
    print_mask = np.zeros(shape, dtype=np.uint8)
    for line in lines:
        points = np.round(np.asarray(line.face_outline, dtype=np.float64) * scale).astype(np.int32)
        cv2.fillPoly(print_mask, [points.reshape(-1, 1, 2)], 1)
    reach = 2 * max(1, round(AROUND_PRINT * short)) + 1
    printed: Mask = cv2.dilate(print_mask, np.ones((reach, reach), np.uint8)) > 0
    return (bare > 0) & ~printed


def _without_outstanding(luminance: FloatImage, bare: Mask, short: float) -> Mask:
    """Leave out logos, unread print, notch, dimples: what stands far out of the texture; and clipped light."""
    if int(bare.sum()) < LEAST_PIXELS:
        return bare
    for sigma in (short / 150, short / 25):
        light = smooth_within(luminance, bare, short / 6)
        relative = (luminance / light - 1.0).astype(np.float32)
        smooth = smooth_within(relative, bare, max(0.7, sigma))
        centre, spread = float(np.median(smooth[bare])), robust_sd(smooth[bare])
        outstanding = (np.abs(smooth - centre) > STANDS_OUT * max(spread, 1e-4)) & bare
        reach = 2 * max(1, round(1.5 * sigma + short / 100)) + 1
        grown = cv2.dilate(outstanding.astype(np.uint8), np.ones((reach, reach), np.uint8)) > 0
        bare = bare & ~grown
    clipped = cv2.dilate((luminance > 0.95).astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
    return bare & ~clipped
