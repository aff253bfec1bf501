"""Text-like structure outside the present print: what an old mark leaves under a new one, along or across the body.

What stands out of the texture as print does (`vision.ground.STANDS_OUT`) is not looked at here: a reader reads it.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import cast

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.ground import PRINT_PART, Ground
from vision.light import FloatImage, Mask, robust_sd, smooth_within
from vision.observations import NotMeasured, Quad

WORKING_SHORT = 200.0
LEAST_SHORT = 150.0
"""Below this a stroke is two pixels and looks like what a compressor leaves around print (common practice)."""
FINE, COARSE = 1 / 110, 1 / 18
"""Gaussian sigmas, body units, between which strokes of markings lie (from memory)."""
SEED, REACH = 3.5, 2.0
"""A stroke starts where the ground leaves its texture by SEED robust deviations and runs on down to REACH (hysteresis,
Canny 1986; the numbers are common practice with no source)."""
LEAST_SIZE, MOST_SIZE = 0.05, 0.32
"""Extent of a character, body units: 0.3 to 2 mm on a 6.4 mm body (from memory)."""
RESIDUE = 0.02
"""What lies this close to the present print, a logo or a dimple may be their own halo, body units."""
SKEW = 12.0
"""Old marks run along or across the body, within this many degrees (common practice, no source)."""
THIN = 0.55
"""Strokes fill less than this of the character's box and of a blob's (common practice, no source)."""
NEAR, IN_LINE, ALIKE = 2.2, 0.4, 1.8
"""Characters of a row: gaps up to NEAR sizes, off the row by up to IN_LINE, sizes within a factor ALIKE."""


@dataclass(frozen=True, slots=True)
class OldMark:
    """The best row of faint characters.

    Parameters
    ----------
    contrast : float
        Median of its strokes' luminance over the ground's, minus one, unsigned; 0 where there is none.
    limit : float
        The contrast that would have been seen: SEED robust deviations of the texture at the scale of strokes.
    characters : int
        How many stand in the row.
    outline : Quad or None
        Where, in face pixels.
    """

    contrast: float
    limit: float
    characters: int
    outline: Quad | None


@dataclass(frozen=True, slots=True)
class _Spot:
    """One character-like component."""

    x: float
    y: float
    size: float
    box: tuple[float, float, float, float]
    contrast: float


def search(ground: Ground, direction: float | None) -> OldMark | NotMeasured:
    """Find the longest row of faint characters on the top.

    Parameters
    ----------
    ground : Ground
    direction : float or None
        Direction of scratches in degrees, if the texture has one; they are averaged away along it first.

    Returns
    -------
    OldMark or NotMeasured
        With `characters` 0 where nothing text-like stands outside the print.
    """
    strokes, open_ground, scale = _strokes(ground, direction)
    short = ground.short * scale / ground.scale
    if ground.short < LEAST_SHORT:
        return NotMeasured("the top is too few pixels across for faint characters")
    if open_ground.sum() < 1000:
        return NotMeasured("too little bare surface to look for an old mark")
    spread = robust_sd(strokes[open_ground])
    if spread <= 0:
        return NotMeasured("the top is of one even tone, as a clipped or drawn picture is")
    most = PRINT_PART * ground.print_level if ground.print_level > 0 else np.inf
    best: list[_Spot] = []
    for sign in (1.0, -1.0):
        spots = [s for s in _spots(cast(FloatImage, sign * strokes), open_ground, spread, short) if s.contrast < most]
        for row in _rows(spots):
            if len(row) > len(best):
                best = row
    if not best:
        return OldMark(0.0, SEED * spread, 0, None)
    contrast = float(np.median([s.contrast for s in best]))
    return OldMark(contrast, SEED * spread, len(best), _around(best, scale))


def _strokes(ground: Ground, direction: float | None) -> tuple[FloatImage, Mask, float]:
    """Stroke-scale structure at the working size, scratches averaged away; the last value is pixels per face pixel."""
    scale = min(1.0, WORKING_SHORT / ground.short)
    size = (round(ground.bare.shape[1] * scale), round(ground.bare.shape[0] * scale))
    relative = cv2.resize(ground.relative, size, interpolation=cv2.INTER_AREA).astype(np.float32)
    area = cv2.resize(ground.between.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0
    short = ground.short * scale
    if direction is not None:
        relative = (relative - _along(relative, area, direction, 0.5 * short)).astype(np.float32)
    fine = smooth_within(relative, area, max(0.7, FINE * short))
    coarse = smooth_within(relative, area, COARSE * short)
    return np.where(area, fine - coarse, np.float32(0)).astype(np.float32), area, ground.scale * scale


def _along(image: FloatImage, area: Mask, direction: float, length: float) -> FloatImage:
    """Mean over a line through each pixel."""
    half = int(length / 2)
    kernel = np.zeros((2 * half + 1, 2 * half + 1), np.uint8)
    dx, dy = half * np.cos(np.radians(direction)), half * np.sin(np.radians(direction))
    cv2.line(kernel, (round(half - dx), round(half - dy)), (round(half + dx), round(half + dy)), 1)
    weights = kernel.astype(np.float32)
    total = cv2.filter2D(np.where(area, image, np.float32(0)), cv2.CV_32F, weights, borderType=cv2.BORDER_CONSTANT)
    norm = cv2.filter2D(area.astype(np.float32), cv2.CV_32F, weights, borderType=cv2.BORDER_CONSTANT)
    return (total / np.maximum(norm, 1.0)).astype(np.float32)


def _spots(strokes: FloatImage, area: Mask, spread: float, short: float) -> list[_Spot]:
    """Components of the size and thinness of characters."""
    weak = (strokes > REACH * spread) & area
    count, labels, stats, _ = cv2.connectedComponentsWithStats(weak.astype(np.uint8), connectivity=8)
    halo = cv2.distanceTransform(area.astype(np.uint8), cv2.DIST_L2, 3) < max(2.0, RESIDUE * short)
    peaks = np.full(count, -np.inf)
    np.maximum.at(peaks, labels.ravel().astype(np.intp), strokes.ravel())
    found = []
    for k in range(1, count):
        x, y, w, h, pixels = (int(v) for v in stats[k])
        size = max(w, h)
        if peaks[k] < SEED * spread or not LEAST_SIZE * short <= size <= MOST_SIZE * short:
            continue
        if pixels > THIN * w * h and min(w, h) > 0.35 * size:
            continue
        own = labels[y : y + h, x : x + w] == k
        if halo[y : y + h, x : x + w][own].mean() > 0.25:
            continue
        inside = strokes[y : y + h, x : x + w][own]
        found.append(_Spot(x + w / 2, y + h / 2, size, (x, y, x + w, y + h), float(np.percentile(inside, 70))))
    return found


def _rows(spots: Sequence[_Spot]) -> list[list[_Spot]]:
    """Rows through every pair of neighbours: what lies along their line, near the next and of like size."""
    rows = []
    for i, a in enumerate(spots):
        for b in spots[i + 1 :]:
            away = float(np.hypot(b.x - a.x, b.y - a.y))
            size = max(a.size, b.size)
            if away > (NEAR + 1) * size or size > ALIKE * min(a.size, b.size) or away < 0.3 * size:
                continue
            direction = np.array([(b.x - a.x) / away, (b.y - a.y) / away])
            if np.min(np.abs(direction)) > np.sin(np.radians(SKEW)):
                continue
            rows.append(_row_along(spots, a, direction, size))
    return [row for row in rows if len(row) >= 2]


def _row_along(spots: Sequence[_Spot], start: _Spot, direction: NDArray[np.float64], size: float) -> list[_Spot]:
    """Spots along a line through `start`, without a gap in the chain that holds it."""
    chosen: list[tuple[float, _Spot]] = []
    for spot in spots:
        run = np.array([spot.x - start.x, spot.y - start.y])
        off = abs(float(run[0] * direction[1] - run[1] * direction[0]))
        if off <= IN_LINE * size and size / ALIKE <= spot.size <= size * ALIKE:
            chosen.append((float(run @ direction), spot))
    chosen.sort(key=lambda entry: entry[0])
    chain: list[tuple[float, _Spot]] = []
    for entry in chosen:
        if chain and entry[0] - chain[-1][0] > (NEAR + 1) * size:
            if any(spot is start for _, spot in chain):
                break
            chain = []
        # Two pieces of one broken character count once.
        if not chain or entry[0] - chain[-1][0] > 0.4 * size:
            chain.append(entry)
    return [spot for _, spot in chain]


def _around(row: Sequence[_Spot], scale: float) -> Quad:
    """Box around a row, in face pixels."""
    boxes = np.array([s.box for s in row]) / scale
    x0, y0 = (float(v) for v in boxes[:, :2].min(axis=0))
    x1, y1 = (float(v) for v in boxes[:, 2:].max(axis=0))
    return ((x0, y0), (x1, y0), (x1, y1), (x0, y1))
