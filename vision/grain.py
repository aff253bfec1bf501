"""The finest texture of a top, at the size of the picture's own pixels: how strong it is and which way it runs.

A chip 200 pixels long shows no single scratch and no grain of its mould, and yet paint makes it smoother and abrasive
paper makes it rougher along one direction. Light, lens, sensor and compressor put their own share into this band, the
same for all chips of a photo: so these measures mean nothing alone, and much beside siblings in one photo.
"""

from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.body import find_body
from vision.ground import Ground
from vision.light import FloatImage, Mask, robust_sd
from vision.observations import Measure, NotMeasured

FINE, COARSE = 0.8, 1.6
"""Gaussian sigmas, pixels, between which the finest texture lies that a sensor with a colour filter shows."""
LIGHT = 4.0
"""Slower than this is light, pixels."""
LEAST_PIXELS = 700
"""Fewer bare pixels give no texture worth a number (common practice, no source)."""
TILE, BARE, LEAST_TILES = 24, 0.6, 6
"""Side of a tile in pixels, the part of it that must be bare, and how many of them are enough (common practice)."""
BINS = 18
"""Directions of 10 degrees."""
SLOWEST, FASTEST = 1 / 12, 1 / 2.6
"""Lines a pixel that are looked at."""
RIM = 0.07
"""Left out along the rim, body units (common practice, no source)."""
OUTLYING = 4.0
"""Dust and edges count no more than this many robust deviations."""

Grain = tuple[Measure | NotMeasured, tuple[float, ...]]


def grain(ground: Ground) -> Grain:
    """Return the strength of the finest texture, and its power by direction.

    Parameters
    ----------
    ground : Ground

    Returns
    -------
    strength : Measure or NotMeasured
        Robust deviation between the two sigmas, over the light ('ratio').
    directions : tuple of float
        BINS values of mean 1, the first for lines along the reading direction, then turning clockwise as seen; empty
        where nothing was measured.
    """
    usable = cv2.erode(ground.bare.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    usable &= _inside(ground)
    count = int(usable.sum())
    if count < LEAST_PIXELS:
        return NotMeasured("too little bare surface between the print"), ()
    even = _even(ground, usable)
    fine = cv2.GaussianBlur(even, (0, 0), FINE)
    coarse = cv2.GaussianBlur(even, (0, 0), COARSE)
    strength = robust_sd((fine - coarse)[usable])
    if strength <= 0:
        return NotMeasured("the top is of one even tone, as a clipped or drawn picture is"), ()
    # A filter of this width leaves about one independent value in eight pixels.
    measure = Measure(strength, "ratio", strength * float(np.sqrt(4.0 / count)), count)
    return measure, _directions(even - coarse, usable)


def _inside(ground: Ground) -> Mask:
    """The top well within its rim, whose long straight edges would pass for lines."""
    body = find_body(ground.luminance, small_steps=True)
    inside = np.zeros(ground.bare.shape, bool)
    rim = RIM * body.short
    inside[round(body.y0 + rim) : round(body.y1 - rim), round(body.x0 + rim) : round(body.x1 - rim)] = True
    return inside


def _even(ground: Ground, usable: Mask) -> FloatImage:
    """Luminance over the light around, minus one; print and what stands out filled with the light itself."""
    weight = cv2.GaussianBlur(ground.bare.astype(np.float32), (0, 0), LIGHT)
    light = cv2.GaussianBlur(ground.luminance * ground.bare, (0, 0), LIGHT) / np.maximum(weight, 1e-3)
    even = np.where(ground.bare, ground.luminance / np.maximum(light, 1e-5) - 1.0, 0.0).astype(np.float32)
    limit = np.float32(OUTLYING * max(robust_sd(even[usable]), 1e-6))
    return np.clip(even, -limit, limit)


def _directions(fine: FloatImage, usable: Mask) -> tuple[float, ...]:
    """Power by direction of lines, every frequency of the band counting alike, median over tiles.

    A fibre, the rim or a leftover of print fills a few tiles; scratches of sanding fill them all.
    """
    inside = np.where(usable, fine, np.float32(0)).astype(np.float32)
    every = (slice(None, None, TILE // 2), slice(None, None, TILE // 2))
    tiles = np.lib.stride_tricks.sliding_window_view(inside, (TILE, TILE))[every].reshape(-1, TILE, TILE)
    bare = np.lib.stride_tricks.sliding_window_view(usable, (TILE, TILE))[every].reshape(-1, TILE, TILE)
    tiles = tiles[bare.mean(axis=(1, 2)) >= BARE]
    if len(tiles) < LEAST_TILES:
        return ()
    band, rings, bins, ring_counts, window = _wheel()
    power = np.abs(np.fft.rfft2(tiles * window)) ** 2
    chosen = power.reshape(len(tiles), -1)[:, band.ravel()]
    chosen = chosen / np.maximum(chosen.mean(axis=1, keepdims=True), 1e-20)
    usual = np.bincount(rings, weights=chosen.mean(axis=0), minlength=ring_counts.size) / ring_counts
    each = (chosen / usual[rings]) @ bins
    middle = np.median(each, axis=0)
    # Scratches of one hand spread over some degrees, and a direction may fall between two bins.
    spread = (np.roll(middle, 1) + 2 * middle + np.roll(middle, -1)) / 4
    return tuple(float(v) for v in spread / spread.mean())


Wheel = tuple[NDArray[np.bool_], NDArray[np.int64], NDArray[np.float64], NDArray[np.int64], NDArray[np.float32]]


@lru_cache(maxsize=1)
def _wheel() -> Wheel:
    """Which coefficients of a tile's spectrum are looked at, their ring, their direction's share, and the window."""
    fy, fx = np.fft.fftfreq(TILE)[:, None], np.fft.rfftfreq(TILE)[None, :]
    radius = np.hypot(fx, fy)
    band = (radius >= SLOWEST) & (radius <= FASTEST)
    # The wave runs across the lines.
    along = (np.degrees(np.arctan2(fy + 0 * fx, fx + 0 * fy)) + 90.0) % 180.0
    place = along[band] / (180.0 / BINS)
    low = np.floor(place).astype(np.int64)
    shares = np.zeros((place.size, BINS))
    # A coefficient between two directions counts for both.
    shares[np.arange(place.size), low % BINS] += 1 - (place - low)
    shares[np.arange(place.size), (low + 1) % BINS] += place - low
    rings = np.floor((radius[band] - SLOWEST) * TILE).astype(np.int64)
    window = np.outer(np.hanning(TILE), np.hanning(TILE)).astype(np.float32)
    return band, rings, shares / shares.sum(axis=0), np.maximum(np.bincount(rings), 1), window
