"""Fine parallel lines on the top: how much of its texture runs in one narrow direction, as sanding leaves it.

Mould texture lit from the side is directed too, but broadly (its spectrum falls off like a cosine of the double angle);
scratches fill a narrow wedge of the spectrum. Only what stands above the broad part counts.
"""

import numpy as np
from numpy.typing import NDArray

from vision.ground import Ground
from vision.observations import Measure, NotMeasured

PATCH = 1 / 4
"""Side of a patch, body units: a scratch must run straight for so long (common practice, no source)."""
BARE = 0.85
"""Part of a patch that must be bare."""
LEAST_SHORT = 150.0
"""Below this many pixels across a patch holds a dozen lines at most, and a compressor's own grid shows as lines."""
LEAST_PATCHES = 4
BINS = 36
"""Directions of 5 degrees."""
SLOWEST, FASTEST = 1 / 16, 1 / 3.2
"""Lines a pixel that are looked at; slower is shading, faster is the sensor and the compressor (common practice)."""
STANDS = 4.0
"""A direction is given where the peak stands this many standard uncertainties above nothing."""
LEAST_PEAK = 0.25
"""Peaks of plain textures reach 0.2 in this project's renderings."""


def scratches(ground: Ground) -> tuple[Measure | NotMeasured, Measure | NotMeasured]:
    """Return how strongly the texture runs in one narrow direction, and that direction.

    Parameters
    ----------
    ground : Ground

    Returns
    -------
    strength : Measure or NotMeasured
        Height of the narrow peak of the angular power spectrum above its broad part, over its mean ('ratio'); 0 for
        any texture without lines, about 0.1 to 0.2 by chance, 0.5 and more for a sanded top.
    direction : Measure or NotMeasured
        Of the lines, degrees from the reading direction, positive falling to the right, above -90 to 90.
    """
    if ground.short < LEAST_SHORT:
        small = NotMeasured("the top is too few pixels across for fine scratches")
        return small, small
    spectra = _spectra(ground)
    if len(spectra) < LEAST_PATCHES:
        nothing = NotMeasured("too little bare surface in one piece between the print")
        return nothing, nothing
    strength, line = _peak(np.median(spectra, axis=0))
    # Half-overlapping patches: every second one is independent, hence the root of 2.
    parts = [_peak(np.median(np.delete(spectra, np.s_[k::8], axis=0), axis=0))[0] for k in range(min(8, len(spectra)))]
    n = len(parts)
    u = float(np.sqrt(2 * (n - 1) / n * np.sum((np.array(parts) - np.mean(parts)) ** 2)))
    measured = Measure(strength, "ratio", max(u, 0.05), len(spectra))
    if strength < max(LEAST_PEAK, STANDS * measured.u):
        return measured, NotMeasured("the texture has no direction")
    return measured, Measure(line, "deg", 180.0 / BINS / 12**0.5, len(spectra))


def _spectra(ground: Ground) -> NDArray[np.float64]:
    """Power of each patch by direction, each direction's mean over the band, shape (patches, BINS)."""
    side = 2 * max(12, round(PATCH * ground.short / 2))
    rows, columns = ground.bare.shape
    window = np.outer(np.hanning(side), np.hanning(side)).astype(np.float32)
    fy, fx = np.fft.fftfreq(side)[:, None], np.fft.rfftfreq(side)[None, :]
    radius = np.hypot(fx, fy)
    band = (radius >= SLOWEST) & (radius <= FASTEST)
    # The wave runs across the lines.
    along = (np.degrees(np.arctan2(fy + 0 * fx, fx + 0 * fy)) + 90.0) % 180.0
    bins = np.floor((along[band] + 90.0 / BINS) / (180.0 / BINS)).astype(np.int64) % BINS
    counts = np.maximum(np.bincount(bins, minlength=BINS), 1)
    rings = np.round(radius[band] * side).astype(np.int64)
    powers = []
    for y in range(0, rows - side + 1, side // 2):
        for x in range(0, columns - side + 1, side // 2):
            bare = ground.bare[y : y + side, x : x + side]
            if bare.mean() < BARE:
                continue
            patch = ground.relative[y : y + side, x : x + side]
            power = np.abs(np.fft.rfft2((patch - patch[bare].mean()) * bare * window)) ** 2
            powers.append(power[band])
    if not powers:
        return np.empty((0, BINS))
    table = np.array(powers)
    # Texture is strongest at its coarsest; dividing by each frequency's own mean lets all of them speak.
    usual = np.bincount(rings, weights=table.mean(axis=0)) / np.maximum(np.bincount(rings), 1)
    table = table / np.maximum(usual[rings], 1e-20)
    table = table / table.mean(axis=1, keepdims=True)
    return np.array([np.bincount(bins, weights=row, minlength=BINS) / counts for row in table])


def _peak(spectrum: NDArray[np.float64]) -> tuple[float, float]:
    """Height of the highest direction above the fitted broad part, over the mean, and its angle."""
    # Scratches of one hand spread over some degrees, and a direction may fall between two bins.
    spectrum = (np.roll(spectrum, 1) + spectrum + np.roll(spectrum, -1)) / 3.0
    angles = np.radians(np.arange(BINS) * (180.0 / BINS))
    broad = np.stack([np.ones(BINS), np.cos(2 * angles), np.sin(2 * angles)], axis=1)
    left = spectrum - broad @ np.linalg.lstsq(broad, spectrum, rcond=None)[0]
    top = int(np.argmax(left))
    line = top * 180.0 / BINS
    return float(left[top] / spectrum.mean()), line - 180.0 if line > 90.0 else line
