"""What package a top belongs to, from its shape and the leads seen beside it."""

import cv2
import numpy as np

from vision.geometry import Corners, quad_sides
from vision.observations import Rgb


def package_of(image: Rgb, corners: Corners) -> tuple[str | None, float]:
    """Name the package, with the lead count where the leads can be counted.

    Parameters
    ----------
    image : ndarray of uint8, shape (height, width, 3), RGB
    corners : ndarray of float64, shape (4, 2)
        Of the flat top, in photo pixels.

    Returns
    -------
    name : str or None
        Such as 'DIP-40', 'SOIC', 'QFP', 'PLCC'; None where the shape says nothing.
    confidence : float
        0 to 1.
    """
    across, down = quad_sides(corners)
    aspect = max(across, down) / max(min(across, down), 1.0)
    counts = [_leads(image, corners, side) for side in range(4)]
    long_sides = (0, 2) if across >= down else (1, 3)
    along = [counts[i] for i in long_sides]
    ends = [counts[i] for i in range(4) if i not in long_sides]
    agreed = along[0] if along[0] == along[1] else None
    if aspect < 1.45:
        if min(counts) >= 5:
            return "QFP or PLCC", 0.5
        return None, 0.0
    if agreed is not None and agreed >= 3 and max(ends) < 3:
        return f"{'DIP' if aspect > 1.6 else 'SOIC'}-{2 * agreed}", 0.6
    return ("DIP or SOIC", 0.4) if max(along) >= 3 else (None, 0.0)


def _leads(image: Rgb, corners: Corners, side: int) -> int:
    """Count bright bars that stand at one pitch along a side, just outside it; 0 where there is no regular row."""
    start, end = corners[side], corners[(side + 1) % 4]
    outward = np.array([end[1] - start[1], start[0] - end[0]])
    outward = outward / (np.linalg.norm(outward) + 1e-9)
    if np.dot((start + end) / 2 - corners.mean(axis=0), outward) < 0:
        outward = -outward
    short = min(quad_sides(corners))
    length = int(np.linalg.norm(end - start))
    if length < 40:
        return 0
    grey = cv2.cvtColor(image, cv2.COLOR_RGB2GRAY) if image.ndim == 3 else image
    best = 0
    for low, high in ((0.03, 0.1), (0.08, 0.18), (0.15, 0.28)):
        depth = np.linspace(low, high, 5)[:, None, None] * short
        points = (np.linspace(0, 1, length)[:, None] * (end - start) + start)[None] + depth * outward
        xs = np.clip(points[..., 0], 0, grey.shape[1] - 1).astype(int)
        ys = np.clip(points[..., 1], 0, grey.shape[0] - 1).astype(int)
        best = max(best, _regular_peaks(grey[ys, xs].mean(axis=0)))
    return best


def _regular_peaks(profile: np.ndarray[tuple[int, ...], np.dtype[np.float64]]) -> int:
    from scipy.signal import find_peaks

    smooth = cv2.GaussianBlur(profile.reshape(1, -1), (0, 0), max(1.0, len(profile) / 300)).ravel()
    spread = float(smooth.std())
    if spread < 4.0:
        return 0
    peaks, _ = find_peaks(smooth, prominence=0.7 * spread)
    if len(peaks) < 3:
        return 0
    gaps = np.diff(peaks)
    regular = np.abs(gaps - np.median(gaps)) < 0.25 * np.median(gaps)
    return len(peaks) if regular.mean() > 0.8 else 0
