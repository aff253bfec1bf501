"""Rows of leads beside a top: where a comb of one pitch stands along its sides.

Outlines err, often by more than a lead's pitch, so rows are looked for well inside and outside the outline. The pitch
is what opposite sides have most of in their spectra. Then each side is searched for the line along which what varies is
most of all one wave of that pitch; `vision.teeth` counts what stands there.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.geometry import Corners
from vision.observations import Rgb

Floats = NDArray[Any]

# All bounds here are common practice, no source: set by hand while looking at photographs of boards and at renderings.
LENGTH = 480  # pixels along the side that is looked at; more shows nothing new of 52 leads
BEYOND = 0.5  # of the side's length looked at beyond either end
LINE = 2.0  # pixels between the lines of a strip: leads are longer than that
_INSIDE, _OUTSIDE = 0.5, 0.5  # of the top's depth looked at inside and outside a long side
_SQUARE = 1.9  # of length over width: below it there may be leads on four sides
_SQUARE_INSIDE, _SQUARE_OUTSIDE = 0.16, 0.34  # the same as above, then
_FEWEST, _MOST = 2.7, 66.0  # pitches along a side
_NARROWEST = 3.5  # pixels to a pitch, below which leads blur into each other
_PITCHES = np.geomspace(_NARROWEST, 240.0, 480)  # pixels; steps of less than a hundredth
_SLANT = 0.12  # how much the pitch of neighbouring sides may differ (logarithm): they are seen at another slant
_TRIED, _SECOND = 2, 0.75  # pitches that are followed up, and how much the second must tell against the first
_LEANS = np.linspace(-0.08, 0.08, 13)  # how much a row may lean against the outline's side
_LEAST_REGULAR, _AS_REGULAR = 0.3, 0.8  # what is no row, and how regular against the first a second one must be
_EDGE, _BRIDGED = 0.55, 0.35  # of its regularity, where a row ends; pitches: a lead's knee may be as dark as its ground


@dataclass(frozen=True, slots=True, eq=False)
class Frame:
    """A parallelogram in a picture, from whose centre `along` and `across` reach to its sides by halves."""

    grey: NDArray[np.uint8]
    centre: Corners
    along: Corners
    across: Corners
    scale: float

    @property
    def length(self) -> float:
        """Of the sides that lie along, in pixels of `grey`."""
        return float(np.hypot(*self.along))

    @property
    def depth(self) -> float:
        """From one of them to the other."""
        return float(np.hypot(*self.across))

    def turned(self) -> "Frame":
        """Return the same with the other two sides lying along."""
        return Frame(self.grey, self.centre, self.across, -self.along, self.scale)


@dataclass(frozen=True, slots=True, eq=False)
class Strip:
    """What lies along one side: lines run along it, the first well inside the top, the last well outside.

    Parameters
    ----------
    frame : Frame
    side : int
        1 for the side that `across` points to, -1 for the other.
    inside : float
        Pixels from the first line to the side.
    values : ndarray of float32, shape (lines, columns)
        A pixel to a column, LINE pixels to a line.
    """

    frame: Frame
    side: int
    inside: float
    values: Floats


@dataclass(frozen=True, slots=True)
class Course:
    """Where a row may run in a strip: its lean, its first and last line at the side's middle, and how regular it is."""

    lean: float
    first: int
    last: int
    regularity: float


@dataclass(frozen=True, slots=True, eq=False)
class Sides:
    """Two opposite sides and the pitch that they may have leads at, in pixels of the frame."""

    strips: tuple[Strip, Strip]
    pitch: float


def opposite_sides(image: Rgb, corners: Corners) -> tuple[list[Sides], list[Sides]]:
    """Return what pitches there may be along a top's sides.

    Parameters
    ----------
    image : ndarray of uint8, shape (height, width, 3), RGB
    corners : ndarray of float64, shape (4, 2)
        Of the flat top, in photo pixels, clockwise.

    Returns
    -------
    long, short : list of Sides
        Of the long and of the short sides, one entry for each pitch that is worth a thought. The second is empty where
        the top is too long to have leads on four sides.
    """
    frame = _frame(image, corners)
    if frame.length < 4 * _NARROWEST or frame.depth < 8:
        return [], []
    square = frame.length < _SQUARE * frame.depth
    reach = (_SQUARE_INSIDE, _SQUARE_OUTSIDE) if square else (_INSIDE, _OUTSIDE)
    pairs = [
        (_strip(one, 1, *reach), _strip(one, -1, *reach)) for one in ([frame, frame.turned()] if square else [frame])
    ]
    spectra = [_spectrum(pair) for pair in pairs]
    pitches = _likely(spectra)
    found = [
        [Sides(pair, own) for pitch in pitches if (own := _own(spectrum, pitch)) is not None]
        for pair, spectrum in zip(pairs, spectra, strict=True)
    ]
    return found[0], found[1] if square else []


def _frame(image: Rgb, corners: Corners) -> Frame:
    """Cut out what lies around a top, grey and no larger than needed."""
    across = (corners[3] - corners[0] + corners[2] - corners[1]) / 2
    along = (corners[1] - corners[0] + corners[2] - corners[3]) / 2
    if np.hypot(*across) > np.hypot(*along):
        along, across = across, -along
    centre = corners.mean(axis=0)
    half = (0.5 + BEYOND) * np.abs(along) + (0.5 + _OUTSIDE) * np.abs(across) + 2
    size = np.array([image.shape[1], image.shape[0]])
    low = np.clip(np.floor(centre - half), 0, size - 1).astype(int)
    high = np.clip(np.ceil(centre + half), low + 1, size).astype(int)
    grey = cv2.cvtColor(image[low[1] : high[1], low[0] : high[0]], cv2.COLOR_RGB2GRAY)
    scale = min(1.0, LENGTH / max(float(np.hypot(*along)), 1.0))
    if scale < 0.75:
        grey = cv2.resize(grey, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    else:
        scale = 1.0
    return Frame(grey.astype(np.uint8), (centre - low + 0.5) * scale - 0.5, along * scale, across * scale, scale)


def _strip(frame: Frame, side: int, inside: float, outside: float) -> Strip:
    columns = round((1 + 2 * BEYOND) * frame.length)
    lines = max(4, round((inside + outside) * frame.depth / LINE))
    place = np.empty((2, 3))
    place[:, 0] = frame.along / frame.length
    place[:, 1] = side * frame.across / frame.depth * LINE
    place[:, 2] = frame.centre - (0.5 + BEYOND) * frame.along + side * (0.5 - inside) * frame.across
    values = cv2.warpAffine(
        frame.grey,
        place,
        (columns, lines),
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return Strip(frame, side, inside * frame.depth, values.astype(np.float32))


def _spectrum(pair: tuple[Strip, Strip]) -> Floats:
    """How much of the variation along two opposite sides has each of _PITCHES, 0 to 1."""
    counts = pair[0].frame.length / _PITCHES
    within = (counts > _FEWEST) & (counts < _MOST)
    if not within.any():
        return np.zeros(len(_PITCHES), np.float32)
    shares = np.array([_share(strip, counts) for strip in pair])
    # A row may be hidden; then the other alone must tell. Long waves are in every picture.
    told = (shares.max(axis=0) + 0.6 * shares.min(axis=0)) / 1.6 * (1 - 0.4 * np.exp(-((counts / 3.5) ** 2)))
    return np.where(within, told, 0).astype(np.float32)


def _share(strip: Strip, counts: NDArray[np.float64]) -> NDArray[np.float64]:
    """For each number of pitches along a side, the share of the variation in the best band that such a comb has."""
    length = strip.frame.length
    part = strip.values[:, round((BEYOND - 0.03) * length) : round((BEYOND + 1.03) * length)]
    part = part - cv2.blur(part, (max(3, int(length / 3.2)), 1), borderType=cv2.BORDER_REFLECT)
    size = cv2.getOptimalDFTSize(2 * part.shape[1])
    waves = np.fft.rfft(part * np.hanning(part.shape[1]).astype(np.float32), size, axis=1)
    band = max(1, min(4, len(part) // 12))
    power = cv2.blur((waves.real**2 + waves.imag**2).astype(np.float32), (5, band))[:: max(1, band // 2)]
    share = 5 * power / (power.sum(axis=1, keepdims=True) + 1e-3 * power.max() + 1e-6)

    def at(harmonic: int) -> Floats:
        bins = np.rint(counts * (harmonic * size / length)).astype(int)
        known = bins < share.shape[1] - 3
        return np.asarray(np.take(share, np.where(known, bins, 0), axis=1) * known)

    # Teeth with sharp edges have overtones; but what has an overtone only is a finer comb.
    one = at(1)
    return np.asarray((one + np.minimum(at(2), one) + np.minimum(at(3), one)).max(axis=0), float)


def _likely(spectra: Sequence[Floats]) -> list[float]:
    """Pitches in pixels that are worth a closer look, the likeliest first: all sides have the same."""
    told = np.sum(spectra, axis=0) + np.max(spectra, axis=0)
    peaks = np.flatnonzero((told[1:-1] >= told[:-2]) & (told[1:-1] > told[2:])) + 1
    best: list[int] = []
    for peak in peaks[np.argsort(-told[peaks], kind="stable")]:
        if len(best) == _TRIED or (best and told[peak] < _SECOND * told[best[0]]):
            break
        if all(abs(np.log(_PITCHES[peak] / _PITCHES[other])) > 0.15 for other in best):
            best.append(int(peak))
    return [float(_PITCHES[one]) for one in best]


def _own(spectrum: Floats, pitch: float) -> float | None:
    """The pitch that one pair of sides has near a common one."""
    near = np.where(np.abs(np.log(_PITCHES / pitch)) < _SLANT, spectrum, 0)
    best = int(near.argmax())
    return float(_PITCHES[best]) if near[best] > 0 else None


def courses(strip: Strip, flat: Floats, pitch: float) -> list[Course]:
    """Return where a row of leads may run, the likeliest first; two at most.

    Parameters
    ----------
    strip : Strip
    flat : ndarray of float32
        The strip's values without what varies more slowly than the pitch.
    pitch : float
        In pixels.
    """
    length, depth = strip.frame.length, strip.frame.depth
    share, at = _regularity(flat, length, pitch)
    middles = (at - (BEYOND + 0.5) * length) / LINE
    line, index = np.arange(len(flat))[:, None], np.arange(len(at))[None]
    away = (line[:, 0] * LINE - strip.inside) / max(1.5 * pitch, 0.1 * depth)
    near = 1 / (1 + 0.3 * away**2)  # the next chip's leads are no less regular, and the print inside may be
    lines = np.rint(line + _LEANS[:, None, None] * middles).astype(int)
    on = (lines >= 0) & (lines < len(line))
    table = (share[lines.clip(0, len(line) - 1), index] * on).mean(axis=2)
    found: list[Course] = []
    weighted = table * near
    for _ in range(2):
        which, peak = np.unravel_index(int(weighted.argmax()), weighted.shape)
        best = float(table[which, peak])
        if best < _LEAST_REGULAR or (found and best < _AS_REGULAR * found[0].regularity):
            break
        first, last = _around(table[which] > _EDGE * best, int(peak), round(_BRIDGED * pitch / LINE))
        found.append(Course(float(_LEANS[which]), first, last, min(1.0, best)))
        air = round(0.5 * pitch / LINE)
        weighted[:, max(0, first - air) : last + air + 1] = 0
    return found


def _regularity(flat: Floats, length: float, pitch: float) -> tuple[Floats, NDArray[np.intp]]:
    """How much of what varies around a place along its line is one wave, 0 to about 1; and at which columns."""
    # Long enough that noise is no wave, short enough for the ends of a row.
    width = round(min(max(2.5 * pitch, 0.25 * length), 6 * pitch)) | 1
    start, end = round((BEYOND + 0.08) * length), round((BEYOND + 0.92) * length)
    low = max(0, start - width)
    part = flat[:, low : end + width]
    wave = np.exp(-2j * np.pi * np.arange(part.shape[1]) / pitch).astype(np.complex64)
    kernel = (width, max(1, round(0.12 * pitch / LINE)) | 1)
    at = np.arange(start, end, max(1, round(pitch / 2)))

    def smoothed(values: Floats) -> Floats:
        once = cv2.blur(np.ascontiguousarray(values), (width // 2 | 1, kernel[1]))
        return cv2.blur(once, (width // 2 | 1, 1))[:, at - low]

    turning = part * wave
    comb = smoothed(turning.real) ** 2 + smoothed(turning.imag) ** 2
    return np.sqrt(2 * comb / (smoothed(part * part) + 2.0)), at  # 2: what the noise of a camera varies


def _around(strong: NDArray[np.bool_], peak: int, bridged: int) -> tuple[int, int]:
    """First and last place of the run of True around one; outwards, gaps of no more than `bridged` do not end it."""
    weak = np.flatnonzero(~strong[:peak])
    last = peak
    for place in np.flatnonzero(strong[peak:]) + peak:
        if place - last > bridged + 1:
            break
        last = int(place)
    return (int(weak[-1]) + 1 if len(weak) else 0), last
