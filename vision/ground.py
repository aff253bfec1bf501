"""The top away from its print: which pixels are bare, and their luminance over the light that fell there."""

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from vision.body import Body, find_body
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
PRINT_PART = 0.5
"""An old mark is fainter than this part of the present print; what is stronger is print no reader took for text."""
STRONG_PRINT = 0.25
"""Part of a line box that stands out (strokes and what lies close to them) where the print does (common practice)."""
LEAST_PIXELS = 1500
"""Fewer bare pixels give no texture worth a number (common practice, no source)."""


@dataclass(frozen=True, slots=True, eq=False)
class Ground:
    """The bare body of one face.

    Parameters
    ----------
    relative : ndarray of float32, shape (height, width)
        Luminance over the smooth light, minus one; 0 outside `between`.
    luminance : ndarray of float32, same shape
        Linear luminance, reduced to the working size.
    bare : ndarray of bool, same shape
        True where the body is bare.
    between : ndarray of bool, same shape
        Where an old mark may show: `bare`, and the ground between characters of lines whose print stands out well.
    print_level : float
        Ink over ground minus one of the strongest line, unsigned; 0 without lines.
    short : float
        Short side in working pixels.
    scale : float
        Working pixels per face pixel, at most 1.
    """

    relative: FloatImage
    luminance: FloatImage
    bare: Mask
    between: Mask
    print_level: float
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
    body = find_body(luminance)
    within = _within(luminance.shape, body)
    plain = _without_outstanding(luminance, within, body.short)
    boxes, strong = _line_boxes(luminance.shape, lines, scale, body.short, within & ~plain)
    level = _print_level(luminance, lines, scale)
    bare, between = plain & ~boxes, plain & ~(boxes & ~strong)
    if int(bare.sum()) < LEAST_PIXELS:
        return NotMeasured("print, glare or dimples cover too much of the top")
    light = smooth_within(luminance, between, body.short / 12)
    relative = np.where(between, luminance / light - 1.0, 0.0).astype(np.float32)
    return Ground(relative, luminance, bare, between, level, body.short, scale)


def _within(shape: tuple[int, ...], body: Body) -> Mask:
    """The top without its rim."""
    mask = np.zeros(shape, dtype=bool)
    rim = max(2.0, MARGIN * body.short)
    mask[round(body.y0 + rim) : round(body.y1 - rim), round(body.x0 + rim) : round(body.x1 - rim)] = True
    return mask


def _line_boxes(
    shape: tuple[int, ...], lines: Sequence[Line], scale: float, short: float, outstanding: Mask
) -> tuple[Mask, Mask]:
    """Line boxes with what lies close around them, and those of them whose print stands out well enough by itself."""
    boxes, strong = np.zeros(shape, dtype=np.uint8), np.zeros(shape, dtype=np.uint8)
    reach = 2 * max(1, round(AROUND_PRINT * short)) + 1
    for line in lines:
        one = np.zeros(shape, dtype=np.uint8)
        points = np.round(np.asarray(line.face_outline, dtype=np.float64) * scale).astype(np.int32)
        cv2.fillPoly(one, [points.reshape(-1, 1, 2)], 1)
        printed = float(outstanding[one > 0].mean()) if one.any() else 0.0
        one = cv2.dilate(one, np.ones((reach, reach), np.uint8)).astype(np.uint8)
        boxes |= one
        if printed > STRONG_PRINT:
            strong |= one
    return boxes > 0, strong > 0


def _print_level(luminance: FloatImage, lines: Sequence[Line], scale: float) -> float:
    """Ink over ground minus one of the strongest line, unsigned; 0 without lines."""
    levels = [0.0]
    for line in lines:
        corners = np.asarray(line.face_outline, dtype=np.float64) * scale
        (x0, y0), (x1, y1) = np.maximum(corners.min(axis=0), 0), np.maximum(corners.max(axis=0), 0)
        box = luminance[int(y0) : int(y1) + 1, int(x0) : int(x1) + 1]
        if not line.sideways and box.size >= 50:
            low, middle, high = (float(v) for v in np.percentile(box, (4, 50, 96)))
            levels.append(max(high / middle - 1.0, 1.0 - low / middle))
    return max(levels)


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
