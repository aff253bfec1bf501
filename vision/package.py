"""What package a top belongs to, from its shape and the leads seen beside it."""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.signal import find_peaks

from vision.geometry import Corners, outward, quad_sides
from vision.observations import Rgb

# Name, leads a side, body length over width, lead pitch over body width. From the outlines' nominal figures in
# millimetres: DIP JEDEC MS-001 (300 mil bodies, 6.35 wide) and MS-011 (600 mil, 13.9 wide), pitch 2.54; SOIC MS-012
# (3.9 wide, its flat top about 3.5) and MS-013 (7.5 wide), pitch 1.27. Lengths of DIP-18, -32, -42, -48 and -64 are
# from memory.
_KINDS: tuple[tuple[str, int, float, float], ...] = (
    ("DIP-8", 4, 1.48, 0.400),
    ("DIP-14", 7, 3.02, 0.400),
    ("DIP-16", 8, 3.12, 0.400),
    ("DIP-18", 9, 3.60, 0.400),
    ("DIP-20", 10, 4.05, 0.400),
    ("DIP-24", 12, 5.00, 0.400),
    ("DIP-24", 12, 2.27, 0.183),
    ("DIP-28", 14, 5.55, 0.400),
    ("DIP-28", 14, 2.62, 0.183),
    ("DIP-32", 16, 3.02, 0.183),
    ("DIP-40", 20, 3.75, 0.183),
    ("DIP-42", 21, 3.80, 0.183),
    ("DIP-48", 24, 4.45, 0.183),
    ("DIP-64", 32, 4.70, 0.147),
    ("SOIC-8", 4, 1.34, 0.363),
    ("SOIC-14", 7, 2.40, 0.363),
    ("SOIC-16", 8, 2.77, 0.363),
    ("SOIC-16W", 8, 1.37, 0.169),
    ("SOIC-20W", 10, 1.71, 0.169),
    ("SOIC-24W", 12, 2.05, 0.169),
    ("SOIC-28W", 14, 2.39, 0.169),
)
# How far a measured ratio may lie from the nominal one (relative standard deviation): outlines, moulding draft and
# perspective. The chance that one lead too many or too few is counted, and that a row of glints is no row of leads
# at all. Common practice, no source: guessed, then changed while looking at the sample pictures.
_ASPECT_SPREAD, _PITCH_SPREAD, _MISCOUNT, _NO_LEADS = 0.09, 0.10, 0.25, 0.02
_LEAST_CONFIDENCE, _NO_TWIN = 0.5, 32


@dataclass(frozen=True, slots=True)
class LeadRow:
    """A row of leads along one side: how many were counted and their pitch in photo pixels."""

    count: int
    pitch: float


def package_of(image: Rgb, corners: Corners) -> tuple[str | None, float]:
    """Name the package where shape and leads agree on one.

    Parameters
    ----------
    image : ndarray of uint8, shape (height, width, 3), RGB
    corners : ndarray of float64, shape (4, 2)
        Of the flat top, in photo pixels, clockwise.

    Returns
    -------
    name : str or None
        Such as 'DIP-40'; 'DIP or SOIC', 'QFP or PLCC' where the leads leave it open; None where nothing is seen.
    confidence : float
        0 to 1; 0 where there is no name.
    """
    grey = cv2.cvtColor(image, cv2.COLOR_RGB2GRAY).astype(np.float32)
    rows = [_lead_row(grey, corners, side) for side in range(4)]
    across, down = quad_sides(corners)
    long, short = max(across, down), max(min(across, down), 1.0)
    sides = (0, 2) if across >= down else (1, 3)
    ends = [r for i, r in enumerate(rows) if i not in sides and r is not None]
    along = [r for i in sides if (r := rows[i]) is not None]
    if long < 1.45 * short and along and ends and max(r.count for r in ends) >= 5:
        return "QFP or PLCC", 0.5
    if not along:
        return None, 0.0
    return _likeliest(along, long / short, short)


def _likeliest(rows: list[LeadRow], aspect: float, short: float) -> tuple[str | None, float]:
    """The best of the known kinds by Bayes' rule, all taken as equally common beforehand."""
    scores: dict[str, float] = {}
    for name, count, shape, pitch in _KINDS:
        # Both rows hang on one outline, so they err together; and one of them often is a shadow: the better one counts.
        fit = max(_fit(row, count, row.pitch / short / pitch) for row in rows)
        scores[name] = scores.get(name, 0.0) + fit * _closeness(aspect / shape, _ASPECT_SPREAD)
    total = sum(scores.values()) + _NO_LEADS  # what fits nothing well is some other package
    name, best = max(scores.items(), key=lambda item: item[1])
    # A 28-lead DIP and SOIC, or a 14-lead one, differ by less than outlines err; only long DIP have no such twin.
    if best / total < _LEAST_CONFIDENCE or int(name.split("-")[1].rstrip("W")) < _NO_TWIN:
        return "DIP or SOIC", 0.4
    return name, round(best / total, 2)


def _fit(row: LeadRow, count: int, pitch_ratio: float) -> float:
    """How well a counted row fits a kind's; never nothing, for it may be the shadow of something else."""
    miscounted = {0: 1.0, 1: _MISCOUNT}.get(abs(row.count - count), _MISCOUNT**2 / 4)
    return _NO_LEADS + miscounted * _closeness(pitch_ratio, _PITCH_SPREAD)


def _closeness(ratio: float, spread: float) -> float:
    return float(np.exp(-0.5 * (np.log(ratio) / spread) ** 2))


def _lead_row(grey: NDArray[np.float32], corners: Corners, side: int) -> LeadRow | None:
    """Leads that stand at one pitch just outside a side; None where there is no regular row."""
    start, end = corners[side], corners[(side + 1) % 4]
    away = outward(start, end, corners.mean(axis=0))
    short, length = min(quad_sides(corners)), float(np.linalg.norm(end - start))
    if length < 40:
        return None
    best: LeadRow | None = None
    clearest = 0.45  # below this autocorrelation a row of glints is not regular
    for low in (0.02, 0.06, 0.1, 0.15, 0.2):
        depth = np.linspace(low, low + 0.07, 5)[:, None, None] * short
        points = (np.linspace(0, 1, 6 * 128)[:, None] * (end - start) + start)[None] + depth * away
        profile = cv2.remap(
            grey,
            points[..., 0].astype(np.float32),
            points[..., 1].astype(np.float32),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        ).mean(axis=0)
        clear, count, pitch = _teeth(profile)
        if clear > clearest and count >= 3:
            clearest, best = clear, LeadRow(count, pitch * length / len(profile))
    return best


def _teeth(profile: NDArray[np.float32]) -> tuple[float, int, float]:
    """Return (regularity 0 to 1, teeth counted, pitch in samples) of a profile along a side."""
    flat = profile - cv2.GaussianBlur(profile.reshape(1, -1), (0, 0), len(profile) / 8).ravel()
    spread = float(flat.std())
    if spread < 4.0:
        return 0.0, 0, 0.0
    correlation = np.correlate(flat, flat, "full")[len(flat) - 1 :] / (spread**2 * (len(flat) - np.arange(len(flat))))
    falls = np.flatnonzero(correlation < 0)
    if not len(falls) or falls[0] > len(flat) / 5:
        return 0.0, 0, 0.0
    tail = correlation[falls[0] : len(flat) // 3]
    peaks, _ = find_peaks(tail, height=0.6 * float(tail.max()))
    if not len(peaks):
        return 0.0, 0, 0.0
    pitch = float(peaks[0] + falls[0])
    smooth = cv2.GaussianBlur(flat.reshape(1, -1), (0, 0), max(1.0, pitch / 7)).ravel()
    teeth, _ = find_peaks(smooth, distance=0.6 * pitch, prominence=0.5 * float(smooth.std()))
    return float(tail[peaks[0]]), len(teeth), pitch
