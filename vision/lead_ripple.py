"""How regularly the brightness repeats along the sides of an outline, as it does where leads stand.

Bounds are common practice, no source, unless they name one: set by hand while looking at photographs of boards.
"""

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.geometry import Corners, outward, quad_sides

_SAMPLES = 160  # along a side
# Depths outside a side, in short sides, at which leads are looked for, and how many of them are averaged.
_DEPTHS, _AVERAGED = np.linspace(0.02, 0.24, 12), 3


def regularity_beside(grey: NDArray[np.float32], corners: Corners) -> float:
    """Return how regular the rows of leads along the better pair of opposite sides are, 0 to 1.

    Parameters
    ----------
    grey : ndarray of float32, shape (height, width)
    corners : ndarray of float64, shape (4, 2)
    """
    strips = _strips(grey, corners, min(quad_sides(corners)) * _DEPTHS)
    groups = strips.reshape(4, -1, _AVERAGED, _SAMPLES).mean(axis=2)
    best = _regularity(groups.reshape(-1, _SAMPLES)).reshape(4, -1).max(axis=1)
    # One row of leads often lies in shadow: the better row counts for something by itself.
    return float(max(0.6 * min(best[i], best[i + 2]) + 0.4 * max(best[i], best[i + 2]) for i in (0, 1)))


def _strips(grey: NDArray[np.float32], corners: Corners, depths: NDArray[np.float64]) -> NDArray[np.float32]:
    """Brightness on lines parallel to each side, at distances outwards; shape (4, len(depths), _SAMPLES)."""
    ends = np.roll(corners, -1, axis=0)
    share = np.linspace(0.02, 0.98, _SAMPLES)[None, :, None]
    along = corners[:, None] + share * (ends - corners)[:, None]
    centre = corners.mean(axis=0)
    away = np.stack([outward(start, end, centre) for start, end in zip(corners, ends, strict=True)])
    points = along[:, None] + depths[None, :, None, None] * away[:, None, None]
    xs = np.clip(points[..., 0], 0, grey.shape[1] - 1).astype(np.intp)
    ys = np.clip(points[..., 1], 0, grey.shape[0] - 1).astype(np.intp)
    return np.asarray(grey[ys, xs], np.float32)


def _regularity(profiles: NDArray[np.float32]) -> NDArray[np.float64]:
    """How much of each profile's variation is one repeated pitch: the highest autocorrelation past its first dip.

    Leads stand at one pitch (2.54 or 1.27 mm, JEDEC MS-001 and MS-012), so their glints repeat 3 to 60 times a side.

    Parameters
    ----------
    profiles : ndarray of float32, shape (n, samples)

    Returns
    -------
    ndarray of float64, shape (n,)
        0 to 1.
    """
    count = profiles.shape[1]
    # A blur along the profiles alone: the kernel is one row high.
    flat = (profiles - cv2.GaussianBlur(profiles, (0, 1), 14, None, 0.01)).astype(np.float64)
    spread = flat.std(axis=1)
    strength = np.clip((spread - 3.0) / 8.0, 0.0, 1.0)  # leads glint; moulding texture does not
    spectrum = np.fft.rfft(flat, 2 * count, axis=1)
    correlation = np.fft.irfft(np.abs(spectrum) ** 2, axis=1)[:, :count]
    correlation /= np.maximum(spread, 1e-9)[:, None] ** 2 * count
    out = np.zeros(len(profiles))
    for k in np.flatnonzero(strength > 0):
        falls = np.flatnonzero(correlation[k] < 0)
        if len(falls) and falls[0] <= 40:
            tail = correlation[k, falls[0] : 56] * count / (count - np.arange(falls[0], 56))
            out[k] = strength[k] * float(np.clip(tail.max(), 0.0, 1.0))
    return out
