"""What stands between the characters: an old mark under a new one lies mostly where the new one does.

Siblings laid over each other by their print share print, logo and light. Taken off, what is left on one top alone is
its own: noise everywhere alike, or strokes in some places and none in others.
"""

from collections.abc import Mapping

import cv2
import numpy as np

from vision.light import FloatImage, Mask, robust_sd

RIM = 0.1
"""Left out along the edges, body units: there a slightly other outline shows."""
STRONG, NOISY = 0.22, 3.0
"""What siblings show more strongly than this part of their print, or than so many deviations of its noise, is print."""
SOFT = 1.2
"""Gaussian sigma, rows: about half a stroke of small print."""
WINDOW = (0.45, 0.22)
"""Two or three characters of one row, body units; tried along and across."""
COVERED = 0.25
"""Part of a window that must be free of print."""
MOST = 9.0
"""A grain of dust counts no more than three deviations."""
QUIET, BUSY = 30, 80
"""An old mark of one or two rows fills a fifth to a half of a top; a third at least is quiet (common practice)."""


def unevenness(tops: Mapping[int, FloatImage], inside: Mapping[int, Mask]) -> dict[int, float]:
    """Return how much busier the busy parts of each top are than its quiet ones, beyond what its siblings share.

    Parameters
    ----------
    tops : mapping of int to ndarray of float32, shape (rows, columns)
        Tops laid over each other by their print, luminance over the light minus one; three or more.
    inside : mapping of int to ndarray of bool, same shape
        Where each shows the top within its rim.

    Returns
    -------
    dict of int to float
        Logarithm of the ratio of two percentiles of the variance in windows; pieces too much covered are left out.
    """
    found = {}
    for k in tops:
        others = [j for j in tops if j != k]
        usual = np.median([tops[j] for j in others], axis=0).astype(np.float32)
        valid = inside[k] & np.all([inside[j] for j in others], axis=0)
        if valid.sum() < 500:
            continue
        own, level = tops[k], float(np.percentile(np.abs(usual[valid]), 98))
        print_ = np.abs(usual) > max(STRONG * level, NOISY * robust_sd(usual[valid]) / 2)
        free = valid & (cv2.dilate(print_.astype(np.uint8), np.ones((3, 3), np.uint8)) == 0)
        if free.sum() < 0.15 * valid.sum():
            continue
        gain = float((own[valid] * usual[valid]).sum() / max(float((usual[valid] ** 2).sum()), 1e-9))
        value = _busier(own - np.float32(gain) * usual, free)
        if value is not None:
            found[k] = value
    return found


def _busier(rest: FloatImage, free: Mask) -> float | None:
    """Busy over quiet windows of what is left."""
    rows = rest.shape[0]
    weight = free.astype(np.float32)
    slow = _mean(rest, weight, rows / 8)
    level = _mean(rest - slow, weight, SOFT)
    noise = robust_sd(level[free])
    if noise <= 0:
        return None
    power = np.where(free, np.minimum((level / noise) ** 2, MOST), 0).astype(np.float32)
    best = None
    wide, tall = (int(share * rows) | 1 for share in WINDOW)
    for size in ((wide, tall), (tall, wide)):
        total = cv2.boxFilter(power, -1, size, normalize=False, borderType=cv2.BORDER_CONSTANT)
        count = cv2.boxFilter(weight, -1, size, normalize=False, borderType=cv2.BORDER_CONSTANT)
        enough = count > COVERED * wide * tall
        if enough.sum() < 100:
            continue
        quiet, busy = np.percentile(total[enough] / count[enough], (QUIET, BUSY))
        ratio = float(np.log(max(float(busy), 1e-3) / max(float(quiet), 1e-3)))
        best = ratio if best is None else max(best, ratio)
    return best


def _mean(image: FloatImage, weight: FloatImage, sigma: float) -> FloatImage:
    """Gaussian mean over the weighted pixels."""
    total = cv2.GaussianBlur(image * weight, (0, 0), sigma)
    return (total / np.maximum(cv2.GaussianBlur(weight, (0, 0), sigma), np.float32(0.1))).astype(np.float32)
