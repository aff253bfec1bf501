"""Fit the four sides of a top to straight lines in the picture, and say how well they bound it.

A side is a line along which the picture changes at most places, with the top's own colour all the way on its inner
side. The share of places counts, not how strong the change is: a lead shines, the gap beside it hardly differs from
the top. Bounds are common practice, no source: set while looking at rendered and real photographs.
"""

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.geometry import Corners, apply, quad_sides

FloatImage = NDArray[np.float32]

_SHORT = 32  # pixels to which the short side of an outline is brought
_LONGEST = 7.0  # short sides; longer outlines are squeezed
_AIR, _END_AIR = 0.44, 0.6  # how far outside the outline its sides and its ends are looked for, in short sides
_DEEP = 0.25  # how far inside, in short sides
_NOISE, _LEAST_STEP, _OF_STRONGEST = 3.0, 2.0, 0.5
_ALIKE, _MOST_ALIKE, _SPREADS = (
    9.0,
    20.0,
    3.0,
)  # grey levels, or so many deviations, by which a place may differ from the top's colour
_NOTCH = 0.18  # half a notch's width, as a share of the end: 2 mm or so of 6.4
_BAND = 3  # rows in which likeness is averaged


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """A fitted outline.

    Parameters
    ----------
    corners : ndarray of float64, shape (4, 2)
        Clockwise, the first side is a long one.
    shown : tuple of float
        Share of each side along which an edge shows: long, short, long, short.
    within, beyond : tuple of float
        Share of the places inside (the worst band), just outside of each side that have the top's colour.
    even : float
        Share of the inside that has the top's colour.
    """

    corners: Corners
    shown: tuple[float, ...]
    within: tuple[float, ...]
    beyond: tuple[float, ...]
    even: float


def fit(image: FloatImage, corners: Corners, rounds: int = 2) -> Fit | None:
    """Move the sides of an outline to the picture's lines, none of them turned.

    Parameters
    ----------
    image : ndarray of float32, shape (height, width, 3)
        CIELAB as OpenCV scales it to 8 bits.
    corners : ndarray of float64, shape (4, 2)
        A rough outline.
    rounds : int
        Each starts from what the one before it found.
    """
    found: Fit | None = None
    for _ in range(rounds):
        found = _fit_once(image, corners)
        if found is None:
            return None
        if np.abs(found.corners - corners).max() < 0.5:
            break
        corners = found.corners
    return found


def _patch(image: FloatImage, corners: Corners) -> tuple[FloatImage, Corners, int, int]:
    """The outline brought upright with air around it, the homography to the picture, and the air in pixels."""
    first, second = quad_sides(corners)
    if first < second:
        corners, first, second = np.roll(corners, -1, axis=0), second, first
    long = round(_SHORT * min(first / second, _LONGEST))
    ax, ay = round(_END_AIR * _SHORT), round(_AIR * _SHORT)
    box = np.array([[ax, ay], [ax + long, ay], [ax + long, ay + _SHORT], [ax, ay + _SHORT]]) - 0.5
    back = cv2.getPerspectiveTransform(box.astype(np.float32), corners.astype(np.float32))
    size = long + 2 * ax, _SHORT + 2 * ay
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    flat = cv2.warpPerspective(image, back, size, flags=flags, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(flat, np.float32), back.astype(np.float64), ax, ay


def _fit_once(image: FloatImage, corners: Corners) -> Fit | None:
    flat, back, ax, ay = _patch(image, corners)
    rows, columns = flat.shape[:2]
    core = flat[ay + 6 : rows - ay - 6, ax + 6 : columns - ax - 6].reshape(-1, 3)
    colour = np.median(core[::2], axis=0)
    off = _largest(cv2.absdiff(flat, np.broadcast_to(colour.astype(np.float32), flat.shape)))
    spread = float(np.median(off[ay + 6 : rows - ay - 6, ax + 6 : columns - ax - 6]))
    like = (off < np.clip(_SPREADS * spread, _ALIKE, _MOST_ALIKE)).astype(np.float32)
    down = _steps(flat)
    across = _steps(np.ascontiguousarray(flat.transpose(1, 0, 2)))
    mx, my = ax + 3, ay + 2  # corners are rounded and marks stand at the ends
    top = _side(down[:, mx : columns - mx], like[:, mx : columns - mx], ay)
    bottom = _side(down[::-1, mx : columns - mx], like[::-1, mx : columns - mx], ay)
    places = beside_the_notch(np.arange(my, rows - my))
    left = _side(across[:, places], like.T[:, places], ax)
    right = _side(across[::-1, places], like.T[::-1, places], ax)
    x0, x1, y0, y1 = left[0] - 0.5, columns - 0.5 - right[0], top[0] - 0.5, rows - 0.5 - bottom[0]
    if min(x1 - x0, y1 - y0) < 0.4 * _SHORT:
        return None
    moved = apply(back, np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]]))
    sides = (top, right, bottom, left)
    return Fit(
        moved,
        tuple(s[1] for s in sides),
        tuple(s[2] for s in sides),
        tuple(s[3] for s in sides),
        float(like[int(y0) + 1 : int(y1), int(x0) + 1 : int(x1)].mean()),
    )


def beside_the_notch(places: NDArray[np.intp]) -> NDArray[np.intp]:
    """Return places along an end without its middle, where a notch may be cut in."""
    count = len(places)
    return np.concatenate([places[: round((0.5 - _NOTCH) * count)], places[round((0.5 + _NOTCH) * count) :]])


def _steps(flat: FloatImage) -> FloatImage:
    """Change of brightness or colour from the row before to the row after each edge between rows; first and last: 0.

    Row k tells of the edge between pixel rows k - 1 and k.
    """
    out = np.zeros(flat.shape[:2], np.float32)
    pairs = flat[1:] + flat[:-1]
    out[2:-1] = _largest(cv2.absdiff(pairs[2:], pairs[:-2])) / 2
    return out


def _largest(image: NDArray[Any]) -> FloatImage:
    first, second, third = cv2.split(image)
    return np.asarray(np.maximum(np.maximum(first, second), third), np.float32)


def _side(steps: FloatImage, like: FloatImage, air: int) -> tuple[float, float, float, float]:
    """Place of the side at the top of a picture, and how much of it shows; likeness inside it and outside."""
    last = air + round(_DEEP * _SHORT)
    noise = float(np.median(steps[last : last + _SHORT // 3]))
    seen = steps[: last + 1]
    shows = np.minimum(seen / np.maximum(_OF_STRONGEST * seen.max(axis=0), max(_LEAST_STEP, _NOISE * noise)), 1.0)
    share = shows.mean(axis=1)
    # An edge a little aslant lies in two rows.
    beside = np.maximum(share[2:], share[:-2])
    share[1:-1] = np.maximum(
        share[1:-1], np.minimum(0.5 * (share[1:-1] + beside) + 0.25 * np.minimum(share[1:-1], beside), 1.0)
    )
    body = like[: last + 8].mean(axis=1)
    total = np.concatenate([[0.0], np.cumsum(body)])
    band = (total[_BAND:] - total[:-_BAND]) / _BAND
    least = np.minimum.accumulate(band[::-1])[::-1]
    y = np.arange(_BAND + 2, last + 1)
    within = least[np.minimum(y + 1, len(least) - 1)]
    low, high = np.maximum(y - 6, 0), y - 1
    beyond = (total[high] - total[low]) / (high - low)
    worth = share[y] + 1.6 * np.minimum(within, 0.8) - 0.6 * beyond - 0.35 * np.abs(y - air) / _SHORT
    k = int(np.argmax(worth))
    return float(y[k]), float(share[y[k]]), float(within[k]), float(beyond[k])
