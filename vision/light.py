"""Luminance that can be compared between photos: linear in light, divided by the light that fell on the place.

A phone's picture is coded for the eye (IEC 61966-2-1, 'sRGB'). In the coded values one stop of exposure changes
contrast and texture; in linear light it is one common factor, which a ratio removes. Shading is a factor too.
"""

from functools import lru_cache
from typing import cast

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.observations import Rgb

FloatImage = NDArray[np.float32]
Mask = NDArray[np.bool_]

_CODE = np.arange(256, dtype=np.float64) / 255.0
# Decoding curve and luminance weights: IEC 61966-2-1 (primaries of ITU-R BT.709).
_LINEAR = np.where(_CODE <= 0.04045, _CODE / 12.92, ((_CODE + 0.055) / 1.055) ** 2.4).astype(np.float32)
_WEIGHTS = np.array([[0.2126, 0.7152, 0.0722]], dtype=np.float32)

DARKEST = np.float32(1e-4)
"""Below a third of the smallest sRGB step: keeps a ratio finite where a sensor saw nothing."""

ENOUGH = 12000
MAD_TO_SD = 1.4826
"""Normal-consistent factor of the median absolute deviation, 1 / Phi^-1(3/4) (Hampel 1974; Rousseeuw & Croux 1993)."""


def linear_luminance(image: Rgb) -> FloatImage:
    """Return the relative luminance of an sRGB picture.

    Parameters
    ----------
    image : ndarray of uint8, shape (height, width, 3), RGB

    Returns
    -------
    ndarray of float32, shape (height, width), 0 (black) to 1 (white)
        By the decoding curve of IEC 61966-2-1 and the luminance weights of ITU-R BT.709.
    """
    return cast(FloatImage, np.maximum(cv2.transform(decoded(image), _WEIGHTS), DARKEST))


def decoded(image: Rgb) -> FloatImage:
    """Return an sRGB picture in linear light (IEC 61966-2-1), same shape, 0 to 1."""
    return cast(FloatImage, cv2.LUT(np.ascontiguousarray(image), _LINEAR))


def robust_sd(values: NDArray[np.floating]) -> float:
    """Return 1.4826 times the median absolute deviation from the median; 0 for fewer than two values.

    Beyond ENOUGH values every k-th one stands for all: pixels are many and alike, and medians are slow.
    """
    if values.size < 2:
        return 0.0
    if values.size > ENOUGH:
        values = values.ravel()[:: values.size // ENOUGH + 1]
    return MAD_TO_SD * _middle(np.abs(values - _middle(values)))


def _middle(values: NDArray[np.floating]) -> float:
    """The median; NumPy's own takes several times as long over a few hundred values."""
    low, high = (values.size - 1) // 2, values.size // 2
    ordered = np.partition(values, (low, high), axis=None)
    return (float(ordered[low]) + float(ordered[high])) / 2


def smooth_within(image: FloatImage, mask: Mask, sigma: float) -> FloatImage:
    """Return the Gaussian mean of `image` over the pixels of `mask` only (normalised convolution, Knutsson 1993).

    Parameters
    ----------
    image : ndarray of float32, shape (height, width)
    mask : ndarray of bool, same shape
        True where the image counts.
    sigma : float
        Pixels.

    Returns
    -------
    ndarray of float32, same shape
        Where no counted pixel lies within reach, the mean of the counted ones.
    """
    weight = mask.astype(np.float32)
    total = _gaussian(image * weight, sigma)
    norm = _gaussian(weight, sigma)
    fallback = np.float32(image.sum(where=mask) / max(1.0, float(mask.sum())))
    return np.where(norm > 1e-3, total / np.maximum(norm, np.float32(1e-3)), fallback).astype(np.float32)


def _gaussian(image: FloatImage, sigma: float) -> FloatImage:
    """Blur; a wide one on a reduced picture, which costs a tenth and differs by less than the noise."""
    step = int(sigma // 3)
    if step < 2:
        return cast(FloatImage, cv2.GaussianBlur(image, (0, 0), sigma))
    height, width = image.shape
    small = cv2.resize(image, (max(1, width // step), max(1, height // step)), interpolation=cv2.INTER_AREA)
    small = cv2.GaussianBlur(small, (0, 0), sigma / step)
    return cast(FloatImage, cv2.resize(small, (width, height), interpolation=cv2.INTER_LINEAR))


def fit_light(luminance: FloatImage, use: Mask, order: int = 2, rounds: int = 4) -> FloatImage:
    """Return the smooth light under the print: a polynomial surface fitted to the pixels that belong to the ground.

    Parameters
    ----------
    luminance : ndarray of float32, shape (height, width)
    use : ndarray of bool, same shape
        Pixels that may be ground; print among them is trimmed away as long as it is the smaller part.
    order : int
        Total degree of the polynomial.
    rounds : int
        How often the pixels beyond 2.5 robust standard deviations are left out and the fit repeated
        (2.5: Huber & Ronchetti, Robust Statistics, the usual 2 to 3).

    Returns
    -------
    ndarray of float32, same shape
        Never below a fifth of the median of the ground, so that it may divide.
    """
    height, width = luminance.shape
    step = max(1, int(np.sqrt(height * width / 6000)))
    chosen = use[::step, ::step].ravel()
    powers = tuple((i, j) for i in range(order + 1) for j in range(order + 1 - i))
    design = _design(height, width, step, powers)[chosen]
    target = luminance[::step, ::step].ravel()[chosen].astype(np.float64)
    if target.size < 4 * len(powers):
        return np.full_like(luminance, np.median(luminance))
    # Start from the median, not the mean: print covers up to a third of a line box.
    keep = np.abs(target - np.median(target)) <= 2.5 * max(robust_sd(target), 1e-6)
    coefficients = np.zeros(len(powers))
    for _ in range(rounds):
        coefficients = _least_squares(design[keep], target[keep])
        left = target - design @ coefficients
        centre = float(np.median(left[keep]))
        keep = np.abs(left - centre) <= 2.5 * max(robust_sd(left[keep]), 1e-6)
        if keep.sum() < 4 * len(powers):
            return np.full_like(luminance, np.median(target))
    # A polynomial in x and y is a small matrix between the powers of each.
    table = np.zeros((order + 1, order + 1))
    for (i, j), coefficient in zip(powers, coefficients, strict=True):
        table[j, i] = coefficient
    rows = np.vander(np.linspace(-1, 1, height), order + 1, increasing=True)
    columns = np.vander(np.linspace(-1, 1, width), order + 1, increasing=True)
    light = rows @ table @ columns.T
    return np.maximum(light, 0.2 * float(np.median(target))).astype(np.float32)


@lru_cache(maxsize=32)
def _design(height: int, width: int, step: int, powers: tuple[tuple[int, int], ...]) -> NDArray[np.float64]:
    """Powers of place, -1 to 1 both ways, at every `step`-th pixel, shape (pixels, powers)."""
    y = 2.0 * np.arange(0, height, step) / max(1, height - 1) - 1.0
    x = 2.0 * np.arange(0, width, step) / max(1, width - 1) - 1.0
    return np.stack([np.outer(y**j, x**i).ravel() for i, j in powers], axis=1)


def _least_squares(design: NDArray[np.float64], target: NDArray[np.float64]) -> NDArray[np.float64]:
    """Coefficients by the normal equations: places between -1 and 1 keep a handful of low powers well apart."""
    normal, right = design.T @ design, design.T @ target
    try:
        return np.asarray(np.linalg.solve(normal, right), np.float64)
    except np.linalg.LinAlgError:
        return np.asarray(np.linalg.lstsq(design, target, rcond=None)[0])
