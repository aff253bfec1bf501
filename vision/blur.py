"""How wide a stroke was before the lens, the sensor and the compressor softened it."""

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.special import erf
from skimage.morphology import skeletonize

from vision.light import Mask


def _blur_table() -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """A bar of width w under a Gaussian blur of sigma 1: w, its width at half its own peak, width times rim slope.

    The bar is (erf((x + w/2)/sqrt 2) - erf((x - w/2)/sqrt 2)) / 2; slope is taken where it falls to half its peak and
    divided by the peak. The product of width and slope depends on w alone, so both w and sigma follow from a picture.
    """
    bars = np.geomspace(0.3, 40.0, 120)
    x = np.linspace(0.0, 25.0, 5001)
    widths, products = [], []
    for w in bars:
        bar = 0.5 * (erf((x + w / 2) / np.sqrt(2)) - erf((x - w / 2) / np.sqrt(2)))
        after = int(np.argmax(bar < 0.5 * bar[0]))
        slope = (bar[after - 1] - bar[after]) / (x[after] - x[after - 1])
        half = x[after] - (0.5 * bar[0] - bar[after]) / slope
        widths.append(2.0 * half)
        products.append(2.0 * half * slope / bar[0])
    return bars, np.array(widths), np.array(products)


THINNEST = 2.0
"""Bars much thinner than this many sigmas all look alike, as the blur itself does; none thinner is claimed."""
_BARS, _HALF_WIDTHS, _PRODUCTS = _blur_table()


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
    product = float(np.clip(width * slope, np.interp(THINNEST, _BARS, _PRODUCTS), _PRODUCTS[-1]))
    bar = float(np.interp(product, _PRODUCTS, _BARS))
    ratio = bar / float(np.interp(product, _PRODUCTS, _HALF_WIDTHS))
    return width * min(1.0, ratio), width * max(0.0, 1.0 - ratio)


def half_width(ink: Mask) -> float:
    """Mean width of the ink along its skeleton, ends and crossings trimmed away; 0 where there is too little.

    Twice the distance to the ground less half a pixel, the mean of what odd and even widths lose to the pixel grid.
    """
    skeleton = skeletonize(ink)  # type: ignore[no-untyped-call]
    distance = cv2.distanceTransform(ink.astype(np.uint8), cv2.DIST_L2, 5)[skeleton]
    if distance.size < 20:
        return 0.0
    low, high = np.percentile(distance, (20, 80))
    return 2.0 * float(np.mean(distance[(distance >= low) & (distance <= high)])) - 0.5
