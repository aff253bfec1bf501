"""Signs that the neural reader does not know or mistakes: a slash between figures, a circled M before ©.

Both are looked for only where the reader's own text leaves room for them, and are taken only where the strokes show
them; otherwise the text stays as it was read.
"""

import re
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.faces import crop_line
from vision.geometry import Corners
from vision.observations import Rgb
from vision.read.flat import flattened

# A month and a year with a slash between them, the slash read as 1: common practice, no source, for what makers print.
_MONTH_AND_YEAR = re.compile(r"(0?[1-9]|1[0-2])1(\d\d)")
# How far a slash leans, as sideways over upwards, more than the upright 1 of marking fonts does (0 to 0.1). A slash of
# type leans by 0.2 to 0.5. From memory; looked at on photographs of chips.
_LEAST_LEAN, _MOST_LEAN = 0.15, 0.7
# The notice of mask work protection is M in a circle (17 U.S.C. 909 (b)); it stands before ©. How round its outline is
# (its area in that of the ellipse in its box), how much of it is ink, and how much of its middle. Common practice, no
# source.
_ROUND, _INK, _MIDDLE = 0.88, (0.25, 0.85), 0.2
_TALL = 0.36  # a glyph is at least so high, in the height of the line's box, which is generous
_BEFORE = 1.3  # how much is shown before a line, in its height
NOTICE = "M©"


@dataclass(frozen=True, slots=True)
class _Glyph:
    """A connected piece of ink in a line's picture: its ends in pixels, its mask, and all ink within its box."""

    left: int
    right: int
    ink: NDArray[np.bool_]
    within: NDArray[np.bool_]


def possible(text: str) -> bool:
    """Return whether a line as read leaves room for a sign: a look at its picture may tell."""
    return text.startswith("©") or _MONTH_AND_YEAR.fullmatch(text) is not None


def front(photo: Rgb, corners: Corners) -> Rgb:
    """Return a line's picture with what stands before it, as `with_signs` wants it.

    Parameters
    ----------
    photo : ndarray of uint8, shape (height, width, 3), RGB
    corners : ndarray of float64, shape (4, 2)
        Clockwise from the line's upper left, photo pixels.
    """
    along = (corners[1] - corners[0]) / max(float(np.linalg.norm(corners[1] - corners[0])), 1.0)
    back = _BEFORE * float(np.linalg.norm(corners[3] - corners[0])) * along
    return crop_line(photo, corners - np.array([back, 0 * back, 0 * back, back]))


def with_signs(text: str, crop: Rgb) -> str:
    """Return the text with a slash or a circled M where the picture shows one that the reader took for another.

    Parameters
    ----------
    text : str
        A line as read.
    crop : ndarray of uint8, shape (height, width, 3), RGB
        The line as `front` gives it.
    """
    if not possible(text):
        return text
    slashed, glyphs, before = _MONTH_AND_YEAR.fullmatch(text), _glyphs(crop), _BEFORE * crop.shape[0]
    if slashed is not None:
        printed = [g for g in glyphs if g.right > before]
        place = len(slashed[1])
        if len(printed) == len(text) and _LEAST_LEAN < _lean(printed[place].ink) < _MOST_LEAN:
            return f"{slashed[1]}/{slashed[2]}"
        return text
    # The two circles stand at the head of what was read, or the first of them just before it.
    head = [g for g in glyphs if g.right > before - 0.8 * crop.shape[0]][:2]
    return NOTICE + text[1:] if len(head) == 2 and all(_circled(g) for g in head) else text


def _glyphs(crop: Rgb) -> list[_Glyph]:
    """The tall pieces of ink in a line's picture, from the left; print is lighter than its ground."""
    grey = cv2.GaussianBlur(cv2.cvtColor(flattened(crop, 2.0 * crop.shape[0]), cv2.COLOR_RGB2GRAY), (0, 0), 0.8)
    _, ink = cv2.threshold(grey, 0, 1, cv2.THRESH_BINARY + cv2.THRESH_OTSU)
    count, labels, boxes, _ = cv2.connectedComponentsWithStats(ink, connectivity=8)
    found = []
    for k in range(1, count):
        x, y, wide, high = (int(v) for v in boxes[k][:4])
        if high >= _TALL * crop.shape[0]:
            box = labels[y : y + high, x : x + wide]
            found.append(_Glyph(x, x + wide, box == k, box > 0))
    return sorted(found, key=lambda g: g.left)


def _lean(ink: NDArray[np.bool_]) -> float:
    """How far a stroke leans to the right, as sideways over upwards, by least squares of columns on rows."""
    rows, columns = np.nonzero(ink)
    if np.ptp(rows) < 4:
        return 0.0
    return -float(np.polyfit(rows, columns, 1)[0])


def _circled(glyph: _Glyph) -> bool:
    """Whether a piece of ink is a circle with something in its middle."""
    contours, _ = cv2.findContours(glyph.ink.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    outline = max(contours, key=cv2.contourArea)
    area, (high, wide) = cv2.contourArea(outline), glyph.ink.shape
    if min(high, wide) < 8 or max(high, wide) > 1.4 * min(high, wide) or area < _ROUND * np.pi / 4 * high * wide:
        return False
    ys, xs = np.mgrid[:high, :wide]
    middle = np.hypot((xs + 0.5) / wide - 0.5, (ys + 0.5) / high - 0.5) < 0.27
    share = float(glyph.within.sum() / area)
    return _INK[0] < share < _INK[1] and float(glyph.within[middle].mean()) > _MIDDLE
