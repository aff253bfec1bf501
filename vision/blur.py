"""How wide a stroke was before the lens, the sensor and the compressor softened it."""

from functools import lru_cache
from math import erf, exp, pi, sqrt

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.light import Mask


def _bar(x: float, w: float) -> float:
    """Height at x of a bar of width w, centred on 0, under a Gaussian blur of sigma 1."""
    return 0.5 * (erf((x + w / 2) / sqrt(2)) - erf((x - w / 2) / sqrt(2)))


def _density(x: float) -> float:
    """Of the standard normal distribution: the slope of one blurred rim."""
    return exp(-0.5 * x * x) / sqrt(2 * pi)


@lru_cache(maxsize=1)
def _blur_table() -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """A bar of width w under a Gaussian blur of sigma 1: w, its width at half its own peak, width times rim slope.

    The slope is taken where the bar falls to half its peak and divided by the peak. The product of width and slope
    depends on w alone, so both w and sigma follow from a picture.
    """
    bars = np.geomspace(0.3, 40.0, 120)
    widths, products = [], []
    for w in bars.tolist():
        peak, near, far = _bar(0.0, w), 0.0, w / 2 + 5.0
        for _ in range(40):  # halves the interval
            half = (near + far) / 2
            near, far = (half, far) if _bar(half, w) > 0.5 * peak else (near, half)
        slope = _density(half - w / 2) - _density(half + w / 2)
        widths.append(2.0 * half)
        products.append(2.0 * half * slope / peak)
    return bars, np.array(widths), np.array(products)


THINNEST = 2.0
"""Bars much thinner than this many sigmas all look alike, as the blur itself does; none thinner is claimed."""


def unblur(width: float, slope: float) -> tuple[float, float]:
    """Return the width a blurred bar had, and by how much its half-peak width exceeds it.

    Parameters
    ----------
    width : float
        Width at half the bar's peak, pixels, above 0.
    slope : float
        Slope where it falls to half, in peaks a pixel.

    Returns
    -------
    width, widened : float
        Pixels; `widened` is 0 where the blur is small against the bar.
    """
    bars, half_widths, products = _blur_table()
    product = float(np.clip(width * slope, np.interp(THINNEST, bars, products), products[-1]))
    bar = float(np.interp(product, products, bars))
    ratio = bar / float(np.interp(product, products, half_widths))
    return width * min(1.0, ratio), width * max(0.0, 1.0 - ratio)


def half_width(ink: Mask) -> float:
    """Mean width of the ink along its skeleton, ends and crossings trimmed away; 0 where there is too little.

    Twice the distance to the ground less half a pixel, the mean of what odd and even widths lose to the pixel grid.
    """
    distance = cv2.distanceTransform(ink.astype(np.uint8), cv2.DIST_L2, 5)[skeleton(ink)]
    if distance.size < 20:
        return 0.0
    low, high = np.percentile(distance, (20, 80))
    return 2.0 * float(np.mean(distance[(distance >= low) & (distance <= high)])) - 0.5


# Neighbours clockwise from the one above, as Zhang and Suen number them (P2 to P9), one bit each.
_NEIGHBOURS = np.array([[128, 1, 2], [64, 0, 4], [32, 16, 8]], np.float32)


@lru_cache(maxsize=1)
def _removable() -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
    """For either half of a step: does a pixel with neighbours of this code stay (1) or go (0)."""
    stays = np.ones((2, 256), np.uint8)
    for code in range(256):
        above, _, right, _, below, _, left, _ = ring = [code >> k & 1 for k in range(8)]
        begins = sum(ring[k - 1] < ring[k] for k in range(8))
        if 3 <= sum(ring) <= 6 and begins == 1:
            stays[0, code] = above & right & below | right & below & left
            stays[1, code] = above & right & left | above & below & left
    return stays[0], stays[1]


def skeleton(ink: Mask) -> Mask:
    """Return the ink thinned to lines of one pixel.

    Parameters
    ----------
    ink : ndarray of bool, shape (height, width)

    Notes
    -----
    Zhang & Suen 1984, 'A fast parallel algorithm for thinning digital patterns', Communications of the ACM 27(3), as
    Lu & Wang 1986, ibid. 29(3), mended it, so that slanting lines two pixels wide do not vanish. Importing
    scikit-image for it takes longer than measuring all lines of a photo.
    """
    left = ink.astype(np.uint8)
    while True:
        before = cv2.countNonZero(left)
        for stays in _removable():
            codes = cv2.filter2D(left, cv2.CV_8U, _NEIGHBOURS, borderType=cv2.BORDER_CONSTANT)
            left &= np.asarray(cv2.LUT(codes, stays), np.uint8)
        if cv2.countNonZero(left) == before:
            return np.asarray(left > 0)
