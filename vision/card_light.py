"""Light and colour from the card's grey wedges: white balance and tone, each step held against the paper beside it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.card_layout import Layout, Patch, Rect, linear
from vision.geometry import apply
from vision.light import decoded
from vision.observations import Homography, NotMeasured, Rgb

LEAST_PIXELS = 6
"""Fewest pixels across a strip's or step's sample; smaller ones hold their neighbours' light."""
LEAST_STEPS = 4
LUMINANCE = (0.2126, 0.7152, 0.0722)
"""Shares of linear red, green and blue (ITU-R BT.709)."""
_BURNT, _BLACK = 250, 8
"""8-bit levels outside which a channel tells nothing of colour. These bounds: common practice, no source."""
_UNEVEN = 12.0
"""Standard deviation of 8-bit levels within a strip of paper above which something lies on it. Printed steps may be
made of dots, so theirs says nothing."""
_APART = 0.12
"""Difference of one step's luminance between the two wedges above which something lies on either."""

Sample = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Greys:
    """What the wedges say.

    Parameters
    ----------
    white_balance : tuple of float
        Factors for red, green and blue in linear light that make grey grey; green's is 1.
    tone : tuple of (seen, nominal)
        Relative luminance, paper being 1, as the photo has it and as it is printed nominally; both rise.
    """

    white_balance: tuple[float, float, float]
    tone: tuple[tuple[float, float], ...]


def read_greys(image: Rgb, to_photo: Homography, layout: Layout) -> Greys | NotMeasured:
    """Measure white balance and tone.

    Parameters
    ----------
    image : ndarray of uint8, shape (height, width, 3), RGB
    to_photo : ndarray of float64, shape (3, 3)
        From card mm to photo pixels.
    layout : Layout

    Returns
    -------
    Greys or NotMeasured

    Notes
    -----
    Light differs over the card, so a step's luminance is divided by that of the bare paper to its left and right. The
    printer's own error is in the result: nominal steps are what was ordered, not what a meter read on the sheet.
    """
    greys: list[Sample] = []
    ratios: dict[int, list[float]] = {}
    burnt = False
    for patch in layout.patches:
        step, paper = _sampled(image, to_photo, patch)
        if step is None or paper is None:
            continue
        burnt = burnt or bool(_coded(paper).max() > _BURNT)
        if _coded(paper).max() <= _BURNT:
            ratios.setdefault(patch.level, []).append(float(_luminance(step) / _luminance(paper)))
            greys.append(paper)
        if _coded(step).max() <= _BURNT and _coded(step).min() >= _BLACK:
            greys.append(step)
    ratios = {level: both for level, both in ratios.items() if max(both) - min(both) <= _APART}
    if len(ratios) < LEAST_STEPS:
        why = "the paper is burnt out" if burnt else "the grey steps are covered, cut off or too small"
        return NotMeasured(why)
    tone = _tone(ratios)
    if len(tone) < LEAST_STEPS + 2:
        return NotMeasured("the grey steps are covered: they do not rise from dark to light")
    colours = np.array(greys)
    red, _, blue = np.median(colours[:, 1:2] / colours, axis=0)
    return Greys((float(red), 1.0, float(blue)), tone)


def _sampled(image: Rgb, to_photo: Homography, patch: Patch) -> tuple[Sample | None, Sample | None]:
    """Mean linear colour of a step and of the paper at its two sides; None where they cannot be seen."""
    step = _mean(image, to_photo, patch.area.shrunk(0.2 * patch.area.width), even=False)
    sides = [_mean(image, to_photo, strip, even=True) for strip in patch.papers]
    papers = [side for side in sides if side is not None]
    # The step lies midway: the mean of both sides is the light there if it changes evenly.
    return step, np.mean(papers, axis=0) if len(papers) == 2 else None


def _mean(image: Rgb, to_photo: Homography, area: Rect, *, even: bool) -> Sample | None:
    quad = apply(to_photo, np.array(area.corners, float))
    low, high = np.floor(quad.min(axis=0)).astype(int), np.ceil(quad.max(axis=0)).astype(int) + 1
    rows, columns = image.shape[:2]
    if (low < 0).any() or high[0] > columns or high[1] > rows:
        return None
    window = image[low[1] : high[1], low[0] : high[0]]
    mask = np.zeros(window.shape[:2], np.uint8)
    cv2.fillConvexPoly(mask, np.round((quad - low) * 16).astype(np.int32), 1, cv2.LINE_8, 4)
    pixels = window[mask > 0]
    if len(pixels) < LEAST_PIXELS**2 / 2 or (even and float(pixels.std(axis=0).max()) > _UNEVEN):
        return None
    return np.asarray(decoded(pixels.reshape(1, -1, 3)).mean(axis=(0, 1)), float)


def _luminance(colour: Sample) -> float:
    return float(colour @ LUMINANCE)


def _coded(colour: Sample) -> Sample:
    """8-bit sRGB levels of a linear colour (IEC 61966-2-1)."""
    code = np.where(colour <= 0.0031308, 12.92 * colour, 1.055 * np.maximum(colour, 1e-9) ** (1 / 2.4) - 0.055)
    return np.asarray(255 * code)


def _tone(ratios: Mapping[int, Sequence[float]]) -> tuple[tuple[float, float], ...]:
    levels = sorted(ratios)
    seen = np.maximum.accumulate([np.mean(ratios[level]) for level in levels])
    nodes = [(0.0, 0.0)]
    for one, level in zip(seen, levels, strict=True):
        if nodes[-1][0] < one < 1.0:
            nodes.append((float(one), linear(level)))
    return (*nodes, (1.0, 1.0))
