"""One line of print laid over another one: the homography that makes the two pictures most alike.

Enhanced correlation (Evangelidis & Psarakis 2008) finds it to a tenth of a pixel from a start within half a stroke. The
start comes from the line as a whole, tried in several sizes, and from its cells, followed one by one.
"""

from contextlib import suppress
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.light import FloatImage
from vision.matching import MatchedLine
from vision.observations import Measure
from vision.tops import Top
from vision.track import tracked

Matrix = NDArray[np.float64]

SIZES = tuple(round(0.82 * 1.03**k, 3) for k in range(14))
"""Sizes tried before refining, against what the boxes say."""
LEAST_ALIKE = 0.35
"""A line that correlates less than this with the pattern was not found again (common practice, no source)."""
GOOD = 0.7
"""One that correlates so well needs no second try (common practice, no source)."""
STRETCHED = 1.45
"""A map that stretches more than this has gone astray."""
PERSPECTIVE = 1.3
"""And one that makes one end so much larger than the other (common practice, no source)."""


def laid_over(
    pattern: FloatImage, corner: tuple[int, int], source: Top, top: Top, lines: tuple[MatchedLine, MatchedLine]
) -> Matrix | None:
    """Return the homography from a pattern's pixels to a top's; None where the line is not found again.

    Parameters
    ----------
    pattern : ndarray of float32
        A line cut out of `source`.
    corner : (int, int)
        Where its upper left pixel was.
    source, top : Top
    lines : (MatchedLine, MatchedLine)
        The line on either.
    """
    if top is source:
        return np.array([[1.0, 0.0, corner[0]], [0.0, 1.0, corner[1]], [0.0, 0.0, 1.0]])
    sample, line = lines
    start = _start(pattern, top, source.boxes[sample.geometry.line], line, sample)
    if start is None:
        return None
    window, away = _window(top.image, start, pattern.shape)
    start[:, 2] -= away
    near = tracked(pattern, window, start.astype(np.float64), max(4, len(sample.text)))
    alike, found = (0.0, None) if near is None else _refined(pattern, window, near)
    if alike < GOOD:
        again, other = _refined(pattern, window, _affine(pattern, window, start))
        alike, found = max((alike, found), (again, other), key=lambda one: one[0])
    if found is None or alike < LEAST_ALIKE:
        return None
    return np.array([[1, 0, away[0]], [0, 1, away[1]], [0, 0, 1]]) @ found


def _affine(pattern: FloatImage, window: FloatImage, start: NDArray[np.float32]) -> Matrix:
    """Softened: strokes some pixels off their place pull still."""
    find: Any = cv2.findTransformECC  # its stub knows no call with a filter size
    criteria = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 25, 1e-3)
    with suppress(cv2.error):
        _, start = find(pattern, window, start.copy(), cv2.MOTION_AFFINE, criteria, None, 7)
    return np.vstack([start, [0, 0, 1]]).astype(np.float64)


def _refined(pattern: FloatImage, window: FloatImage, near: Matrix) -> tuple[float, Matrix | None]:
    """The best homography near one, and the correlation there; (0, None) where it goes astray."""
    find: Any = cv2.findTransformECC
    kinds = cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT
    whole = near.astype(np.float32)
    try:
        _, whole = find(pattern, window, whole, cv2.MOTION_HOMOGRAPHY, (kinds, 20, 1e-3), None, 5)
        alike, whole = find(pattern, window, whole, cv2.MOTION_HOMOGRAPHY, (kinds, 15, 1e-4), None, 1)
    except cv2.error:
        return 0.0, None
    found = np.asarray(whole, np.float64) / float(whole[2, 2])
    sizes = sizes_of(found, pattern.shape)
    high, right = pattern.shape[0] - 1.0, pattern.shape[1] - 1.0
    ends = [float(np.hypot(*(at(found, x, high) - at(found, x, 0.0)))) for x in (0.0, right)]
    if max(*sizes, 1 / max(1e-6, min(sizes))) > STRETCHED or max(ends) > PERSPECTIVE * max(1e-6, min(ends)):
        return 0.0, None
    return float(alike), found


def _window(image: FloatImage, start: NDArray[np.float32], shape: tuple[int, ...]) -> tuple[FloatImage, Matrix]:
    """The part of a top that a pattern may come to lie on, and its upper left: less to work on."""
    x, y = float(start[0, 2]), float(start[1, 2])
    wide, high = float(start[0, 0]) * shape[1], float(start[1, 1]) * shape[0]
    left, upper = max(0, int(x - 0.6 * high)), max(0, int(y - 0.6 * high))
    return image[upper : int(y + 1.6 * high), left : int(x + wide + 0.6 * high)], np.array([left, upper], np.float64)


def at(matrix: Matrix, x: float, y: float) -> Matrix:
    """Return where a homography takes a point, shape (2,)."""
    found = matrix @ np.array([x, y, 1.0])
    return np.asarray(found[:2] / found[2])


def sizes_of(matrix: Matrix, shape: tuple[int, ...]) -> tuple[float, float]:
    """Return how much longer and higher a pattern of this shape becomes, along its middle lines."""
    high, wide = shape[0] - 1, shape[1] - 1
    along = at(matrix, wide, 0.5 * high) - at(matrix, 0, 0.5 * high)
    down = at(matrix, 0.5 * wide, high) - at(matrix, 0.5 * wide, 0)
    return float(np.hypot(*along)) / wide, float(np.hypot(*down)) / high


def _start(
    pattern: FloatImage, top: Top, sample_box: tuple[float, ...], line: MatchedLine, sample: MatchedLine
) -> NDArray[np.float32] | None:
    """Where and how large the pattern is best found near the line's own box, by correlation alone.

    Half the size is enough for it, and softer: strokes a pixel off their place still meet.
    """
    x0, y0, x1, y1 = top.boxes[line.geometry.line]
    tall = _ratio(line.geometry.character_height, sample.geometry.character_height)
    wide = (x1 - x0) / max(1.0, sample_box[2] - sample_box[0]) if line.text == sample.text else 1.0
    reach = 0.35 * (y1 - y0) + 3
    # The box may be clipped or generous: the pattern must fit into what is searched.
    extra_x = max(0.0, pattern.shape[1] * max(SIZES) - (x1 - x0)) / 2
    extra_y = max(0.0, pattern.shape[0] * max(tall, 1.0) - (y1 - y0)) / 2
    left, upper = max(0, int(x0 - reach - extra_x)), max(0, int(y0 - reach - extra_y))
    window = top.image[upper : int(y1 + reach + extra_y) + 1, left : int(x1 + reach + extra_x) + 1]
    small = cv2.resize(window, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    best, found = LEAST_ALIKE, None
    for across in dict.fromkeys((1.0, round(tall, 2))):
        for along in dict.fromkeys((*SIZES, round(float(np.clip(wide, 0.75, 1.33)), 2))):
            size = (max(4, round(0.5 * pattern.shape[1] * along)), max(4, round(0.5 * pattern.shape[0] * across)))
            if small.shape[0] < size[1] or small.shape[1] < size[0]:
                continue
            scaled = cv2.resize(pattern, size, interpolation=cv2.INTER_AREA)
            _, alike, _, place = cv2.minMaxLoc(cv2.matchTemplate(small, scaled, cv2.TM_CCOEFF_NORMED))
            if alike > best:
                best = alike
                found = (
                    2 * size[0] / pattern.shape[1],
                    2 * size[1] / pattern.shape[0],
                    2 * place[0] + left,
                    2 * place[1] + upper,
                )
    if found is None:
        return None
    return np.array([[found[0], 0, found[2]], [0, found[1], found[3]]], np.float32)


def _ratio(one: object, other: object) -> float:
    """Ratio of two measures, 1 where either is lacking, within what an outline may be off."""
    if isinstance(one, Measure) and isinstance(other, Measure) and other.value > 0:
        return float(np.clip(one.value / other.value, 0.75, 1.33))
    return 1.0
