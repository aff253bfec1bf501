"""Decide which way up a top is, by how well its print reads each way round.

The bounds and sizes here are common practice, no source: set by eye on photographs of chips.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from vision.faces import crop_line, evened, resized, turned
from vision.geometry import Corners, quad_sides
from vision.lexicon import Lexicon
from vision.observations import Face, Rgb
from vision.read import ctc, neural
from vision.read.reconcile import glyphs

_LEAST_BOX_SCORE = 0.45


@dataclass(frozen=True, slots=True)
class Upright:
    """Which way a top is up, how sure that is (0.25: no print read, to 1), and where print was seen on the way."""

    turn: int
    confidence: float
    boxes: tuple[tuple[Corners, float], ...]
    """Lines on the face once turned."""
    crossing: tuple[tuple[Corners, float], ...]
    """Lines on the face once turned and turned clockwise by one more quarter."""


def upright(face: Face, lexicon: Lexicon) -> Upright:
    """Decide among the four ways round by how well the print reads.

    Parameters
    ----------
    face : Face
        Long side horizontal.
    lexicon : Lexicon

    Returns
    -------
    Upright
    """
    images = [turned(face, turn).image for turn in range(4)]
    seen = [detected(image, base_scale(image)) for image in images[:2]]
    seen += [flipped(boxes, image) for boxes, image in zip(seen, images[2:], strict=True)]
    senses = [sense(_quick(image, boxes), lexicon) for image, boxes in zip(images, seen, strict=True)]
    total, best = sum(senses), int(np.argmax(senses))
    confidence = senses[best] / total if total > 0 else 0.25
    return Upright(best, float(confidence), tuple(seen[best]), tuple(seen[(best + 1) % 4]))


def base_scale(image: Rgb) -> int:
    """Return the short side at which the detector is asked first: square tops carry more and smaller lines."""
    short, long = sorted(image.shape[:2])
    return 320 if long > 1.5 * short else 480


def flipped(boxes: Sequence[tuple[Corners, float]], image: Rgb) -> list[tuple[Corners, float]]:
    """Return the boxes as they stand after half a turn of their image."""
    size = np.array([image.shape[1], image.shape[0]], float)
    return [(np.roll(size - corners, 2, axis=0), score) for corners, score in boxes]


def detected(image: Rgb, short_side: int, *, even: bool = False) -> list[tuple[Corners, float]]:
    """Return boxes of lines that run left to right, in the image's pixels, looking with a given short side."""
    scale = min(short_side / min(image.shape[:2]), 1900 / max(image.shape[:2]))
    picture = resized(image, scale)
    if even:
        picture = evened(picture, clip=4.0, tiles=(4, 4))
    boxes = [(b.corners / scale, b.score) for b in neural.detect(picture) if b.score > _LEAST_BOX_SCORE]
    # The detector likes characters of 15 to 60 pixels; much flatter boxes are scratches, much taller ones lie across.
    return [(c, s) for c, s in boxes if quad_sides(c)[0] > 0.75 * quad_sides(c)[1] and quad_sides(c)[1] > 5]


def _quick(image: Rgb, boxes: Sequence[tuple[Corners, float]]) -> list[tuple[str, float]]:
    crops = [crop_line(image, c, pad=0.05) for c, _ in boxes]
    return [ctc.greedy(d, neural.ALPHABET) for d in neural.distributions(crops)] if crops else []


def sense(readings: Sequence[tuple[str, float]], lexicon: Lexicon) -> float:
    """Return how much a set of readings looks like a marking the right way up: 0 for nothing, no upper bound."""
    total = 0.0
    for text, confidence in readings:
        solid = glyphs(text)
        if len(solid) >= 2:
            total += max(0.0, confidence - 0.55) * min(len(solid), 12) * (1.0 + 0.15 * lexicon.plausibility(text))
    return total
