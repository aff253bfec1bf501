"""Bring an outline that is nearly right onto the edges of its top, each side by itself, at the photo's own resolution.

Both ends of each side move until most of the picture's changes lie on it, the top's colour inside and another outside.
Bounds are common practice, no source: set while looking at rendered and real photographs.
"""

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.geometry import Corners, apply, axis_box, meet, quad_overlap, quad_sides
from vision.observations import Rgb
from vision.side_lines import beside_the_notch

FloatImage = NDArray[np.float32]

_SHORT, _LONGEST = 110, 800  # most pixels of the short and long side
_REACH = 0.11  # how far a side's ends move, in short sides
_PLACES = 96  # at which a side is looked at
_NOISE, _LEAST_STEP, _OF_STRONGEST = 3.0, 2.0, 0.5
_ALIKE, _SPREADS = 9.0, 3.0
_BAND = 0.035  # how far inside and outside likeness to the top counts, in short sides
_LIKE_IN, _LIKE_OUT = 0.8, 0.5
_MOVE, _TURN = 0.6, 0.5  # what a move, and a turn, by the whole reach has to gain
_END = 0.8  # a side shorter than this share of the other is an end
_STILL_THE_SAME = 0.75


def on_its_edges(image: Rgb, corners: Corners) -> Corners:
    """Return the outline with its sides on the edges nearest to them.

    Parameters
    ----------
    image : ndarray of uint8, shape (height, width, 3), RGB
    corners : ndarray of float64, shape (4, 2)
        Clockwise, nearly right.
    """
    flat, back, air = _patch(image, corners)
    rows, columns = flat.shape[:2]
    short = rows - 2 * air
    if short < 2 * air:
        return corners
    core = flat[air + short // 5 : rows - air - short // 5, air + short // 5 : columns - air - short // 5]
    colour = np.median(core.reshape(-1, 3)[:: max(1, core.size // 12000)], axis=0).astype(np.float32)
    off = cv2.absdiff(flat, np.broadcast_to(colour, flat.shape)).max(axis=2)
    spread = float(np.median(off[air:-air, air:-air]))
    like = (off < max(_ALIKE, _SPREADS * spread)).astype(np.float32)
    lines = []
    for way in range(4):
        # np.rot90 brings the right side to the top, and so on around.
        side, same = np.rot90(flat, way), np.rot90(like, way)
        width = side.shape[1]
        end = width - 2 * air < _END * (side.shape[0] - 2 * air)
        first, last = _side(side, same, air, end)
        points = np.array([[air - 0.5, first - 0.5], [width - air - 0.5, last - 0.5]])
        lines.append(_turned_back(points, way, rows, columns))
    top, right, bottom, left = lines
    crossings = [meet(*pair) for pair in ((left, top), (top, right), (right, bottom), (bottom, left))]
    found = apply(back, np.array(crossings))
    if not np.isfinite(found).all() or not cv2.isContourConvex(found.astype(np.float32)):
        return corners
    return found if quad_overlap(found, corners) > _STILL_THE_SAME else corners


def _patch(image: Rgb, corners: Corners) -> tuple[FloatImage, Corners, int]:
    """The outline upright with air around it as CIELAB, the homography to the photo, and the air in pixels."""
    first, second = quad_sides(corners)
    scale = min(1.0, _SHORT / min(first, second), _LONGEST / max(first, second))
    wide, high = max(8, round(first * scale)), max(8, round(second * scale))
    air = max(3, round((_REACH + _BAND) * min(wide, high)))
    x0, y0, x1, y1 = axis_box(corners)
    left, top = max(0, int(x0 - 2 * air / scale)), max(0, int(y0 - 2 * air / scale))
    part = image[top : int(y1 + 2 * air / scale), left : int(x1 + 2 * air / scale)]
    if scale < 1.0:
        part = cv2.resize(part, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA).astype(np.uint8)
    target = np.array([[0, 0], [wide, 0], [wide, high], [0, high]], np.float32) + np.float32(air - 0.5)
    to_photo = cv2.getPerspectiveTransform(target, corners.astype(np.float32)).astype(np.float64)
    to_part = np.array([[scale, 0, (0.5 - left) * scale - 0.5], [0, scale, (0.5 - top) * scale - 0.5], [0, 0, 1]])
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    size = wide + 2 * air, high + 2 * air
    flat = cv2.warpPerspective(part, to_part @ to_photo, size, flags=flags, borderMode=cv2.BORDER_REPLICATE)
    smooth = cv2.GaussianBlur(flat, (0, 0), 0.8)
    return cv2.cvtColor(smooth, cv2.COLOR_RGB2LAB).astype(np.float32), to_photo, air


def _side(side: FloatImage, like: FloatImage, air: int, end: bool) -> tuple[float, float]:
    """Where the side at the top of a picture runs: rows of its edge at its left and right end."""
    reach, band = round(_REACH / (_REACH + _BAND) * air), max(1, air - round(_REACH / (_REACH + _BAND) * air))
    rows = np.arange(air - reach, air + reach + 1)
    columns = np.linspace(air, side.shape[1] - air - 1, _PLACES + 6).astype(np.intp)[3:-3]
    if end:
        columns = beside_the_notch(columns)
    strip = side[: air + reach + band + 3, columns]
    steps = cv2.absdiff(strip[1:], strip[:-1]).max(axis=2)  # row k - 1: the edge above row k
    edge = steps[rows - 1]
    core = side[air + reach + band : air + reach + band + 4 * reach, columns]
    noise = float(np.median(cv2.absdiff(core[1:], core[:-1]).max(axis=2))) if len(core) > 2 else 0.0
    shows = np.minimum(edge / np.maximum(_OF_STRONGEST * edge.max(axis=0), max(_LEAST_STEP, _NOISE * noise)), 1.0)
    total = np.vstack(
        [np.zeros((1, len(columns)), np.float32), np.cumsum(like[: air + reach + band + 3, columns], axis=0)]
    )
    inside = (total[rows + band] - total[rows]) / band
    outside = (total[rows] - total[rows - band]) / band
    worth = shows + _LIKE_IN * inside - _LIKE_OUT * outside
    share = (columns - columns[0]) / (columns[-1] - columns[0])
    first, last = (v.ravel() for v in np.mgrid[: len(rows), : len(rows)])
    place = np.round(first[:, None] + (last - first)[:, None] * share).astype(np.intp)
    value = worth[place, np.arange(len(columns))].mean(axis=1)
    value -= _MOVE * np.abs((first + last) / 2 - reach) / (2 * reach) + _TURN * np.abs(last - first) / (4 * reach)
    best = int(np.argmax(value))
    # The line was looked at between the first and the last column; it goes on to the corners.
    slope = (rows[last[best]] - rows[first[best]]) / (columns[-1] - columns[0])
    start = rows[first[best]] - slope * (columns[0] - air)
    return float(start), float(start + slope * (side.shape[1] - 2 * air))


def _turned_back(points: Corners, way: int, rows: int, columns: int) -> Corners:
    """Points of a picture turned by so many quarter turns with np.rot90, in the picture as it was."""
    x, y = points[:, 0], points[:, 1]
    if way == 0:
        return points
    if way == 1:
        return np.stack([columns - 1 - y, x], axis=1)
    if way == 2:
        return np.stack([columns - 1 - x, rows - 1 - y], axis=1)
    return np.stack([y, rows - 1 - x], axis=1)
