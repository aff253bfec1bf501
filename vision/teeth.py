"""Counting a row of leads: the comb's phase along a side, and what stands at each of its places."""

from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.comb import BEYOND, LINE, Course, Floats, Sides, Strip, courses, opposite_sides
from vision.geometry import Corners
from vision.observations import Rgb

Doubles = NDArray[np.float64]

# Common practice, no source: set by hand while looking at photographs of boards and at renderings.
_SAMPLES = 13  # across a pitch
_LINES = 12  # that a tooth is looked at in
_LIGHT_GROUND = 0.6  # from where on it may be what is between the leads that is bright
_OPEN = 0.5  # what a last lead's inner side is worth where the ground beyond is as bright as it
_CUT = 0.3  # pitches from an end of the outline to the frame, within which there may be more of it
_NEIGHBOURS = 7  # teeth that a place is compared with
_UNSEEN = 24  # places beyond what was looked at that a row may go on


@dataclass(frozen=True, slots=True, eq=False)
class Row:
    """What may be one row of leads.

    Parameters
    ----------
    places : ndarray of float64, shape (n,)
        Of the comb, one a pitch, along the side: 0 at its start, 1 at its end, and on beyond both.
    teeth : ndarray of float64, shape (3, n)
        How much what stands there is like the other teeth, in shape and strength: about 1 for a lead, 0 for none, NaN
        where nothing can be seen. As a whole; as the first lead of the row, of which only the inner part counts; as the
        last one.
    inner, outer : float
        Where leads begin and end, outwards from the outline's side, in pitches.
    regularity : float
        0 to 1, how much of what varies along the row is the comb.
    dark : bool
        Whether the darker half of the comb is taken for the leads, as on white paper.
    ground : float
        How bright it is beyond both ends: 0 as the darker half of the comb, 1 as the brighter one.
    cut : bool
        Whether the frame cuts the top off at an end.
    """

    places: Doubles
    teeth: Doubles
    inner: float
    outer: float
    regularity: float
    dark: bool
    ground: float
    cut: bool


@dataclass(frozen=True, slots=True, eq=False)
class Rows:
    """What may stand along two opposite sides at one pitch.

    Parameters
    ----------
    pitch : float
        In pixels of the photo.
    length, depth : float
        Of the outline along the rows and from row to row, in pitches.
    sides : tuple of two tuples of Row
        For each side what may be its leads, the likeliest first.
    """

    pitch: float
    length: float
    depth: float
    sides: tuple[tuple[Row, ...], tuple[Row, ...]]


def rows_of_leads(image: Rgb, corners: Corners) -> tuple[list[Rows], list[Rows]]:
    """Find what may be rows of leads beside a top.

    Parameters
    ----------
    image : ndarray of uint8, shape (height, width, 3), RGB
    corners : ndarray of float64, shape (4, 2)
        Of the flat top, in photo pixels, clockwise.

    Returns
    -------
    long, short : list of Rows
        Along the long and along the short sides, one entry for each pitch that is worth a thought.
    """
    long, short = opposite_sides(image, corners)
    return [_rows(sides) for sides in long], [_rows(sides) for sides in short]


def _rows(sides: Sides) -> Rows:
    frame, pitch = sides.strips[0].frame, sides.pitch
    first, second = (tuple(_candidates(strip, pitch)) for strip in sides.strips)
    return Rows(pitch / frame.scale, frame.length / pitch, frame.depth / pitch, (first, second))


def _candidates(strip: Strip, pitch: float) -> Iterator[Row]:
    """Fit what may be one side's row of leads, whose pitch is about known."""
    mean = cv2.blur(strip.values, (max(3, round(1.6 * pitch) | 1), 1), borderType=cv2.BORDER_REFLECT)
    flat = strip.values - mean
    ends = 0.5 + np.array([-1, 1]) * (0.5 + _CUT * pitch / strip.frame.length)
    cut = not _in_picture(strip, ends).all()
    for course in courses(strip, flat, pitch):
        band = _straightened(flat, strip, course)
        phase = _phase(band, strip.frame.length, pitch)
        ground = _ground(_straightened(strip.values, strip, course), phase)
        for dark in (False, True) if ground > _LIGHT_GROUND else (False,):
            places, gaps = _places(phase, strip.frame.length, dark)
            seen = _teeth(-band if dark else band, strip.frame.length, places, gaps)
            teeth = np.where(_in_picture(strip, places), seen, np.nan)
            yield Row(
                places=_extended(places),
                teeth=np.pad(teeth, ((0, 0), (_UNSEEN, _UNSEEN)), constant_values=np.nan),
                inner=(course.first * LINE - strip.inside) / pitch,
                outer=((course.last + 1) * LINE - strip.inside) / pitch,
                regularity=course.regularity,
                dark=dark,
                ground=ground,
                cut=cut,
            )


def _straightened(values: Floats, strip: Strip, course: Course) -> Floats:
    """Cut a leaning band out so that it lies level."""
    lean = course.lean / LINE
    start = course.first - (BEYOND + 0.5) * strip.frame.length * lean
    return cv2.warpAffine(
        values,
        np.array([[1, 0, 0], [lean, 1, start]]),
        (values.shape[1], course.last - course.first + 1),
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )


def _phase(band: Floats, length: float, pitch: float) -> Doubles:
    """The comb's phase at every column, in turns: whole where it is brightest.

    Perspective lets the pitch change along a row; so the phase may be a parabola where there are teeth enough.
    """
    along = np.arange(band.shape[1]) / length - BEYOND
    wave = np.exp(-2j * np.pi * along * length / pitch)
    on = (along > 0.05) & (along < 0.95)
    parts = (band[:, on] * wave[on]).sum(axis=1)
    # A line's phase against the others is taken out, so that a lead's shoulder and its foot add up.
    common = np.angle((np.abs(parts) * parts).sum())
    weights = np.conj(parts * np.exp(-1j * common)) / (np.linalg.norm(parts) + 1e-9)
    kernel = cv2.getGaussianKernel(round(1.5 * pitch) | 1, -1).ravel()
    turning = np.convolve((weights[:, None] * band).sum(axis=0) * wave, kernel, "same")
    at = np.flatnonzero(on)[:: max(1, int(pitch / 2))]
    phase, strength = np.unwrap(np.angle(turning[at])), np.abs(turning[at])
    strength = np.minimum(strength, 1.5 * np.median(strength)) + 1e-9
    powers = np.arange(3 if len(at) >= 16 else 2)
    terms, weight = (along[at, None] - 0.5) ** powers, strength
    for _ in range(3):
        weighted = terms * weight[:, None]
        fit = np.linalg.solve(weighted.T @ weighted + 1e-9 * np.eye(len(powers)), weighted.T @ (phase * weight))
        weight = strength * np.minimum(1, 0.3 / np.maximum(np.abs(phase - terms @ fit), 1e-6))
    return np.asarray(along * length / pitch + ((along[:, None] - 0.5) ** powers @ fit) / (2 * np.pi))


def _places(phase: Doubles, length: float, dark: bool) -> tuple[Doubles, Doubles]:
    """Where the comb's places are along the side (0 to 1 on it), and their distances in pixels."""
    turns = phase - 0.5 if dark else phase
    numbers = np.arange(np.ceil(turns[0]), np.floor(turns[-1]) + 1)
    places = np.interp(numbers, turns, np.arange(len(turns)) / length - BEYOND)
    return places, np.gradient(places) * length


def _extended(places: Doubles) -> Doubles:
    """The places with those beyond what was looked at."""
    step = float(np.median(np.diff(places)))
    further = step * np.arange(1, _UNSEEN + 1)
    return np.concatenate([places[0] - further[::-1], places, places[-1] + further])


def _ground(band: Floats, phase: Doubles) -> float:
    """How bright it is beyond the ends of a row, where the ground is seen as it is between the leads."""
    along = np.linspace(-BEYOND, 1 + BEYOND, band.shape[1])
    level, turn = band.mean(axis=0), np.abs(phase % 1.0 - 0.5)
    on = (along > 0.1) & (along < 0.9)
    off = ((along > -0.16) & (along < -0.04)) | ((along > 1.04) & (along < 1.16))
    bright, dark = level[on & (turn > 0.35)], level[on & (turn < 0.15)]
    if not len(bright) or not len(dark) or not off.any():
        return 0.0
    low, high = float(dark.mean()), float(bright.mean())
    return float((level[off].mean() - low) / max(high - low, 1.0))


def _in_picture(strip: Strip, places: Doubles) -> NDArray[np.bool_]:
    """Which places beside a side lie in the picture."""
    frame = strip.frame
    x, y = (frame.centre + (places[:, None] - 0.5) * frame.along + strip.side * 0.5 * frame.across).T
    height, width = frame.grey.shape
    return np.asarray((x > 0) & (x < width - 1) & (y > 0) & (y < height - 1))


def _teeth(band: Floats, length: float, places: Doubles, gaps: Doubles) -> Doubles:
    """How like the usual tooth each place of the comb is, shape (3, n); see `Row`."""
    lines = min(len(band), _LINES)
    if lines < len(band):
        band = cv2.resize(band, (band.shape[1], lines), interpolation=cv2.INTER_AREA)
    x = (places + BEYOND)[:, None] * length + gaps[:, None] * np.linspace(-0.5, 0.5, _SAMPLES)[None]
    shape = (len(places), lines, _SAMPLES)
    map_x = np.broadcast_to(x[:, None, :], shape).reshape(-1, _SAMPLES).astype(np.float32)
    map_y = np.broadcast_to(np.arange(lines)[None, :, None], shape).reshape(-1, _SAMPLES).astype(np.float32)
    cut = cv2.remap(band, map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT).reshape(len(places), -1)
    inner = np.flatnonzero((places > 0.1) & (places < 0.9))
    if not len(inner):
        return np.zeros((3, len(places)))
    own = cut.reshape(shape)
    usual = _usual(cut - cut.mean(axis=1, keepdims=True), inner).reshape(shape)
    # Beyond the last lead is no gap but the ground, and a DIP's last lead may be half as wide: there what is turned to
    # the other leads counts, and the other side by how much darker it is than the lead.
    half = _SAMPLES // 2
    ends = [
        _likeness(own[..., part], usual[..., part]) * (_OPEN + (1 - _OPEN) * _fall(own, usual, beyond))
        for part, beyond in ((slice(half - 1, None), slice(None, 3)), (slice(None, half + 2), slice(-3, None)))
    ]
    return np.array([_likeness(own, usual), *ends])


def _fall(own: Floats, usual: Floats, beyond: slice) -> Doubles:
    """How much darker than its middle a place is at one side, against the usual tooth: 0 not at all, 1 as much."""
    half = _SAMPLES // 2
    told = [
        cut[..., half - 1 : half + 2].mean(axis=(1, 2)) - cut[..., beyond].mean(axis=(1, 2)) for cut in (own, usual)
    ]
    return np.asarray(np.clip(told[0] / np.maximum(told[1], 1e-3), 0, 1), float)


def _usual(cut: Floats, inner: NDArray[np.intp]) -> Floats:
    """The mean tooth around each place, of those well inside the row; a row seen at a slant changes along its way."""
    sums = np.concatenate([np.zeros((1, cut.shape[1]), np.float32), np.cumsum(cut, axis=0)])
    count = min(_NEIGHBOURS, len(inner))
    first = np.clip(np.arange(len(cut)) - count // 2, inner[0], inner[-1] + 1 - count)
    return np.asarray((sums[first + count] - sums[first]) / count)


def _likeness(own: Floats, model: Floats) -> Doubles:
    """How much every place is like its model, in shape and strength; 1 for what is, 0 for nothing or its opposite."""
    level = own - own.mean(axis=(1, 2), keepdims=True)
    model = model - model.mean(axis=(1, 2), keepdims=True)
    size = np.sqrt((model * model).sum(axis=(1, 2))) + 1e-6
    like = (level * model).sum(axis=(1, 2)) / size
    alike = like / (np.sqrt((level * level).sum(axis=(1, 2))) + 1e-6)
    return np.asarray(np.clip(alike, 0, 1) * np.clip(like / size, 0, 1), float)
