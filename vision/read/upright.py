"""Decide which way up a top is, and see on the way where its lines of print stand.

One look at the flattened top finds its lines; whether they run along it or across is in their shapes, and a small
network tells for each line whether it stands on its head. Where that leaves a doubt, the lines are read both ways and
the better sense wins. The bounds and sizes here are common practice, no source: set by eye on photographs of chips.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from vision.faces import crop_line, evened, resized, turned
from vision.geometry import Corners, grown, quad_sides
from vision.lexicon import Lexicon
from vision.observations import Face, Rgb
from vision.read import ctc, neural
from vision.read.flat import flattened
from vision.read.reconcile import glyphs

Box = tuple[Corners, float]
"""Four corners of a line, clockwise from its upper left, and the detector's score."""

_LEAST_BOX_SCORE = 0.45
_LONGEST_PICTURE = 1900
# Short side of the picture in which lines are sought: of tops at least half as long again as wide, and of squarer
# ones, which carry more and smaller lines; enlarged no more than a few times, for nothing new appears.
_LONG_TOP, _SQUARE_TOP = 200, 330
_MOST_ENLARGED = 1.6
# A top's width in this many reaches of the flattening.
REACHES = 3
# Fewer glyphs than these call for a look at a smoothed picture, then one with the larger network: how wide the
# blur, in short sides, and how much stronger the contrast is.
_LITTLE, _SMOOTH, _FAINT_GAIN = 5.0, 0.009, 1.5
_ALONG = 1.2  # a box so much longer than high runs along, one so much higher than long across
_CLEARLY_ONE_WAY = 3.0
# Log odds, summed over the lines, at which the facing network is believed.
_SURE_FACING = 6.0
# Print that makes no more sense than this may be no print, and the lines may run the other way.
_LEAST_SENSE = 1.0
# Where one way round makes less than so many times the sense of the other, the larger network decides.
_CLEAR_SENSE = 1.7


@dataclass(frozen=True, slots=True)
class Upright:
    """Which way a top is up, how sure that is (0.25: no print read, to 1), and where print was seen on the way."""

    turn: int
    confidence: float
    boxes: tuple[Box, ...]
    """Lines on the face once turned."""
    crossing: tuple[Box, ...]
    """Lines on the face once turned and turned clockwise by one more quarter."""


def upright(face: Face, lexicon: Lexicon) -> Upright:
    """Decide among the four ways round.

    Parameters
    ----------
    face : Face
        Long side horizontal.
    lexicon : Lexicon

    Returns
    -------
    Upright
    """
    images = [face.image, turned(face, 1).image]
    level = looked_at(images[0], quick=True)
    if _little(level):
        level = looked_at(images[0], faint=True, quick=True) or level
    if _little(level):
        level = looked_at(images[0]) or level
    along, athwart = _extent(level, flat=True), _extent(level, flat=False)
    if along >= _CLEARLY_ONE_WAY * athwart:
        seen = {0: [b for b in level if not across(b)]}
        spare = {0: quarter_turned([b for b in level if across(b)], images[0])}
        rated = {0: _facing(images[0], seen[0], lexicon, alone=True)}
        if rated[0].worth < _LEAST_SENSE:
            seen[1], spare[1] = looked_at(images[1]), flipped(seen[0], images[0])
            rated[1] = _facing(images[1], seen[1], lexicon, alone=False)
    else:
        seen = {1: looked_at(images[1], quick=True)}
        spare = {1: flipped([b for b in level if not across(b)], images[0])}
        if athwart < _CLEARLY_ONE_WAY * along:
            seen[0] = [b for b in level if not across(b)]
            spare[0] = seen[1]
        rated = {turn: _facing(images[turn], boxes, lexicon, alone=len(seen) == 1) for turn, boxes in seen.items()}
    quarter = max(rated, key=lambda turn: rated[turn].worth)
    facing, level, crossing = rated[quarter], seen[quarter], spare[quarter]
    if facing.over:
        level = flipped(level, images[quarter])
        crossing = flipped(crossing, images[1 - quarter])
    return Upright(quarter + 2 * facing.over, facing.certain if level else 0.25, tuple(level), tuple(crossing))


def _little(boxes: Sequence[Box]) -> bool:
    return _extent(boxes, flat=True) + _extent(boxes, flat=False) < _LITTLE


def _extent(boxes: Sequence[Box], *, flat: bool) -> float:
    """Summed length of the lines that run along (flat) or across, in their heights: about the count of glyphs."""
    total = 0.0
    for corners, score in boxes:
        wide, high = quad_sides(corners)
        if across((corners, score)) != flat and max(wide, high) > _ALONG * min(wide, high):
            total += score * max(wide, high) / max(min(wide, high), 1.0)
    return total


def across(box: Box) -> bool:
    """Return whether a box stands across: clearly higher than long."""
    wide, high = quad_sides(box[0])
    return high > _ALONG * wide


@dataclass(frozen=True, slots=True)
class _Facing:
    """1 where lines stand on their heads, how sure that is, and how much sense they make."""

    over: int
    certain: float
    worth: float


def _facing(image: Rgb, boxes: Sequence[Box], lexicon: Lexicon, *, alone: bool) -> _Facing:
    """Which of two ways round the lines stand; `alone` where no other quarter turn is in question."""
    crops = [crop_line(image, grown(corners, 0.15, 0.0)) for corners, _ in boxes]
    if not crops:
        return _Facing(0, 0.25, 0.0)
    over = [np.ascontiguousarray(crop[::-1, ::-1]) for crop in crops]
    odds = neural.upside_down([*crops, *over])
    # What the network says of a line turned over counts against what it says of the line: its leanings cancel.
    said = float(np.sum(odds[: len(crops)] - odds[len(crops) :])) / 2
    if alone and abs(said) >= _SURE_FACING:
        return _Facing(int(said > 0), float(1 / (1 + np.exp(-abs(said)))), _LEAST_SENSE)
    if abs(said) >= _SURE_FACING:
        return _Facing(int(said > 0), 0.9, _sense_of(over if said > 0 else crops, lexicon, quick=True))
    senses = [_sense_of(way, lexicon, quick=True) for way in (crops, over)]
    if max(senses) < _CLEAR_SENSE * min(senses):
        senses = [_sense_of(way, lexicon, quick=False) for way in (crops, over)]
    total = sum(senses)
    flip = int(senses[1] > senses[0])
    return _Facing(flip, senses[flip] / total if total > 0 else 0.25, senses[flip])


def _sense_of(crops: Sequence[Rgb], lexicon: Lexicon, *, quick: bool) -> float:
    return sense([ctc.greedy(d, neural.ALPHABET) for d in neural.distributions(crops, quick=quick)], lexicon)


def looked_at(image: Rgb, *, faint: bool = False, quick: bool = False) -> list[Box]:
    """Return the lines seen on a flattened top, along and across, in the image's pixels.

    Parameters
    ----------
    image : ndarray of uint8, shape (height, width, 3), RGB
    faint : bool
        Smooth the noise away and raise what is left: for print that hardly shows.
    quick : bool
        Ask the small network.
    """
    short, long = sorted(image.shape[:2])
    wanted = _LONG_TOP if long > 1.5 * short else _SQUARE_TOP
    scale = min(wanted / short, _LONGEST_PICTURE / long, _MOST_ENLARGED)
    picture = resized(image, scale)
    side = min(picture.shape[:2])
    if faint:
        picture = np.asarray(cv2.GaussianBlur(picture, (0, 0), _SMOOTH * side), np.uint8)
    flat = flattened(picture, side / REACHES, gain=_FAINT_GAIN if faint else 1.0)
    found = [(b.corners / scale, b.score) for b in neural.detect(flat, quick=quick) if b.score > _LEAST_BOX_SCORE]
    return [(c, s) for c, s in found if min(quad_sides(c)) > 5]


def base_scale(image: Rgb) -> int:
    """Return the short side at which the detector is asked for lines seen in a plain picture."""
    short, long = sorted(image.shape[:2])
    return 320 if long > 1.5 * short else 480


def flipped(boxes: Sequence[Box], image: Rgb) -> list[Box]:
    """Return the boxes as they stand after half a turn of their image."""
    size = np.array([image.shape[1], image.shape[0]], float)
    return [(np.roll(size - corners, 2, axis=0), score) for corners, score in boxes]


def quarter_turned(boxes: Sequence[Box], image: Rgb) -> list[Box]:
    """Return the boxes as they stand after their image is turned clockwise by a quarter, from their new upper left."""
    height = image.shape[0]
    return [
        (np.roll(np.stack([height - corners[:, 1], corners[:, 0]], axis=1), 1, axis=0), score)
        for corners, score in boxes
    ]


def detected(image: Rgb, short_side: int, *, even: bool = False) -> list[Box]:
    """Return boxes of lines that run left to right, in the image's pixels, looking with a given short side."""
    scale = min(short_side / min(image.shape[:2]), _LONGEST_PICTURE / max(image.shape[:2]))
    picture = resized(image, scale)
    if even:
        picture = evened(picture, clip=4.0, tiles=(4, 4))
    boxes = [(b.corners / scale, b.score) for b in neural.detect(picture) if b.score > _LEAST_BOX_SCORE]
    # The detector likes characters of 15 to 60 pixels; much flatter boxes are scratches, much taller ones lie across.
    return [(c, s) for c, s in boxes if quad_sides(c)[0] > 0.75 * quad_sides(c)[1] and quad_sides(c)[1] > 5]


def sense(readings: Sequence[tuple[str, float]], lexicon: Lexicon) -> float:
    """Return how much a set of readings looks like a marking the right way up: 0 for nothing, no upper bound."""
    total = 0.0
    for text, confidence in readings:
        solid = glyphs(text)
        if len(solid) >= 2:
            total += max(0.0, confidence - 0.55) * min(len(solid), 12) * (1.0 + 0.15 * lexicon.plausibility(text))
    return total
