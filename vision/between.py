"""What stands between the characters: an old mark under a new one lies mostly where the new one does.

Siblings laid over each other by their print share print, logo, dimples and light. Taken off, what is left on one top
alone is its own: no more here than there, or strokes in some places where the siblings have none.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.light import FloatImage, Mask, robust_sd
from vision.stand_ins import stand_ins

RIM = 0.1
"""Left out along the edges, body units: there a slightly other outline shows."""
STRONG, NOISY = 0.22, 1.5
"""What siblings show more strongly than this part of their print, or than so many deviations of its noise, is print."""
RESIDUE = 0.06
"""Part of the print that a slightly other focus leaves beside it when the siblings' is taken off (common practice)."""
SOFT = 0.8
"""Gaussian sigma, rows: a third of a stroke of small print."""
WINDOW = (0.45, 0.22)
"""Two or three characters of one row, body units; tried along and across."""
COVERED = 0.25
"""Part of a window that must be free of print."""
MOST = 9.0
"""A grain of dust counts no more than three deviations."""
QUIET, BUSY = 30, 90
"""An old mark of one or two rows fills a tenth to a half of a top; a third at least is quiet (common practice)."""
LEAST_POWER = 0.6
"""Added to the powers, in variances of the noise, so that an empty window of a soft picture has no great ratio."""
LEAST_FREE = 300

Powers = tuple[tuple[NDArray[np.float32], Mask], ...]


@dataclass(frozen=True, slots=True, eq=False)
class LaidTop:
    """A top laid over the pattern's.

    Parameters
    ----------
    image : ndarray of float32, shape (rows, columns)
        Luminance over the light minus one.
    inside : ndarray of bool, same shape
        Where it shows the top within its rim, without lines that its siblings do not have.
    """

    image: FloatImage
    inside: Mask


def unevenness(members: Sequence[int], laid: Callable[[int], LaidTop], rows: int) -> dict[int, float]:
    """Return how much busier the busy parts of each top are than its quiet ones, against its siblings there.

    Parameters
    ----------
    members : sequence of int
        The pieces; three or more.
    laid : callable
        Gives a piece's top laid over the pattern by its print: of a large group only a few are held at a time.
    rows : int
        Short side of a body there.

    Returns
    -------
    dict of int to float
        Logarithm of how the ratio of a top's power to its siblings' varies over windows, between two percentiles;
        pieces too much covered are left out.
    """
    kept = {k: laid(k) for k in stand_ins(members)}
    usual = {k: p for k, top in kept.items() if (p := _powers(top, _without(kept, k), rows)) is not None}
    found = {}
    for k in members:
        own = usual.get(k) if k in kept else _powers(laid(k), _without(kept, k), rows)
        others = [p for j, p in usual.items() if j != k]
        if own is None or len(others) < 2:
            continue
        values = [_variation(own[way], [p[way] for p in others]) for way in range(2)]
        known = [v for v in values if v is not None]
        if known:
            found[k] = max(known)
    return found


def _without(tops: Mapping[int, LaidTop], k: int) -> list[LaidTop]:
    return [top for j, top in tops.items() if j != k]


def _variation(own: tuple[NDArray[np.float32], Mask], others: list[tuple[NDArray[np.float32], Mask]]) -> float | None:
    """Of the logarithm of own power over the others', between two percentiles."""
    usual = np.median([power for power, _ in others], axis=0)
    enough = own[1] & (np.sum([use for _, use in others], axis=0) >= min(2, len(others)))
    if enough.sum() < 100:
        return None
    ratio = np.log((own[0][enough] + LEAST_POWER) / (usual[enough] + LEAST_POWER))
    quiet, busy = np.percentile(ratio, (QUIET, BUSY))
    return float(busy - quiet)


def _powers(top: LaidTop, others: list[LaidTop], rows: int) -> Powers | None:
    """Power of what one top alone shows, in variances of its noise, in windows along and across."""
    usual, shown = _usual(others)
    valid = top.inside & shown
    if valid.sum() < 500:
        return None
    own, level = top.image, float(np.percentile(np.abs(usual[valid]), 98))
    print_ = np.abs(usual) > max(STRONG * level, NOISY * robust_sd(usual[valid]))
    free = valid & (cv2.dilate(print_.astype(np.uint8), np.ones((3, 3), np.uint8)) == 0)
    if free.sum() < max(LEAST_FREE, 0.1 * valid.sum()):
        return None
    gain = float((own[valid] * usual[valid]).sum() / max(float((usual[valid] ** 2).sum()), 1e-9))
    gain = max(gain, 0.2)
    return _windows(own - np.float32(gain) * usual, free, rows, RESIDUE * level * gain)


def _usual(tops: list[LaidTop]) -> tuple[FloatImage, Mask]:
    """The middle of several tops where at least two of them show, and where that is."""
    count = np.sum([top.inside for top in tops], axis=0)
    # Sorted with the hidden ones last, the middle of what is left is an average of two of the first.
    order = np.sort([np.where(top.inside, top.image, np.float32(np.inf)) for top in tops], axis=0)
    low, high = np.maximum(count - 1, 0) // 2, np.maximum(count, 1) // 2
    pair = [np.take_along_axis(order, which[None], axis=0)[0] for which in (low, high)]
    shown = count >= min(2, len(tops))
    return np.where(shown, 0.5 * (pair[0] + pair[1]), 0).astype(np.float32), shown


def _windows(rest: FloatImage, free: Mask, rows: int, residue: float) -> Powers | None:
    """Mean power of what is left in windows, and where enough of them is free."""
    weight = free.astype(np.float32)
    level = _mean(rest - _mean(rest, weight, rows / 8), weight, SOFT)
    noise = float(np.hypot(robust_sd(level[free]), residue))
    if noise <= 0:
        return None
    power = np.where(free, np.minimum((level / noise) ** 2, MOST), 0).astype(np.float32)
    wide, tall = (int(share * rows) | 1 for share in WINDOW)
    found = []
    for size in ((wide, tall), (tall, wide)):
        total = cv2.boxFilter(power, -1, size, normalize=False, borderType=cv2.BORDER_CONSTANT)
        count = cv2.boxFilter(weight, -1, size, normalize=False, borderType=cv2.BORDER_CONSTANT)
        found.append(((total / np.maximum(count, 1)).astype(np.float32), count > COVERED * wide * tall))
    return tuple(found)


def _mean(image: FloatImage, weight: FloatImage, sigma: float) -> FloatImage:
    """Gaussian mean over the weighted pixels."""
    total = cv2.GaussianBlur(image * weight, (0, 0), sigma)
    return (total / np.maximum(cv2.GaussianBlur(weight, (0, 0), sigma), np.float32(0.1))).astype(np.float32)
