"""What speaks for and against an outline's being the flat top of a package, and how much.

The weights are those of a logistic regression on candidate outlines of rendered foam pictures and of photographs of
boards whose tops were marked by hand; pictures left out in turn judged it. Each weight was kept to the sign that
physics gives it, and six that those pictures say little about were drawn to a prior (common practice, no source):
outlines narrower than any package, tiny ones, askew ones, those on the frame, coloured ones, and bright ones. They were
fitted before `side_lines` set a limit to likeness; fitted again they found one more of 219 tops, at three more false
outlines, and fewer lines were read on development photographs, so they were left.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.geometry import Corners, axis_box, depth_inside, outward, quad_sides, worst_corner
from vision.lead_ripple import regularity_beside
from vision.lead_rows import LeadRow
from vision.proposals import inside
from vision.side_lines import Fit

FloatImage = NDArray[np.float32]

_PARALLEL = 0.985
_INSIDE, _OUTSIDE = 0.12, 0.35  # between how far inside and outside of a side, in short sides, its row stands
_FARTHER, _MOSTLY = 0.55, 0.4  # where, and covering how much of the side, a row is taken for the top's own
_ALIKE_PITCH = 1.15
# A body is at least so many lead pitches wide: 2.5 for the narrowest DIP, 3.1 for the narrowest SOIC (JEDEC MS-001,
# MS-012), less what perspective takes.
_NARROWEST = 2.1
# What fills so much of the picture and bears print is likelier what the picture was taken of: added to the odds
# (logarithm). Common practice, no source.
_FILLS, _CLOSE_UP = 0.15, 3.0
# Black plastic in warm light reaches this chroma; a board's lacquer goes beyond. Common practice, no source.
_COLOUR, _COLOURED = 28.0, 0.2
# A package's side runs through no line of print, so far from its ends in its heights; what is taken from the odds
# (logarithm) for each of the first two. Common practice, no source.
_CUT_DEPTH, _CUT = 0.8, 3.0
_LOWEST, _HIGHEST = 0.05, 0.6  # a line's height in short sides of its top; what is higher is the ground of a line
_HINT = 0.3  # without print on it, a top's leads show at least so much regularity
_TINY = 0.0017  # share of the picture below which an outline is likelier something else than a chip
_GREY, _DARK = 14.0, 130.0  # chroma and lightness (CIELAB scaled to 8 bits) that no moulded top exceeds in fair light

WEIGHTS = {
    "narrow": -1.625,
    "tiny": -2.257,
    "cover_hi": 4.076,
    "cover_lo": 1.852,
    "pitch_alike": 0.000,
    "bare_beyond": -2.589,
    "chroma_over": -0.045,
    "light_over": -0.070,
    "texts": 0.614,
    "leads": 2.572,
    "shown_long_mean": 3.490,
    "shown_long_min": 0.936,
    "shown_end_mean": 5.200,
    "within_long_min": 3.501,
    "within_end_min": 2.275,
    "beyond_long": -5.117,
    "beyond_end": -2.671,
    "beyond_max": -1.266,
    "lean": 2.004,
    "corner": -3.726,
    "frame": -0.805,
}
BIAS = -15.852


@dataclass(frozen=True, slots=True, eq=False)
class View:
    """A photo at the size at which outlines are judged.

    Parameters
    ----------
    grey, lab : ndarray of float32
        Brightness and CIELAB with dark tones spread.
    plain : ndarray of float32
        CIELAB as photographed.
    texts : tuple of ndarray, shape (4, 2)
    rows : tuple of LeadRow
    """

    grey: FloatImage
    lab: FloatImage
    plain: FloatImage
    texts: tuple[Corners, ...]
    rows: tuple[LeadRow, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Evidence:
    """Of one outline: the probability that it is a top, which texts lie on it, which rows of leads stand at it.

    `covered` is the share of the better side along which leads were followed; `facing`: both rows have one pitch;
    `claims`: all rows at these sides.
    """

    score: float
    on: tuple[int, ...]
    rows: tuple[int, ...]
    covered: float
    facing: bool
    claims: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class _Beside:
    """The row at one side: share of the side that it covers, its pitch, how much it stretches away, its index.

    `all` names every row that stands there: leads bent twice make two.
    """

    cover: float = 0.0
    pitch: float = 0.0
    lean: float = 0.0
    row: int = -1
    all: tuple[int, ...] = ()


def measured(view: View, fit: Fit) -> tuple[dict[str, float], Evidence]:
    """Return the features of an outline by name, and what they amount to."""
    corners = fit.corners
    short, long = sorted(quad_sides(corners))
    on = tuple(k for k, text in enumerate(view.texts) if inside(corners, text.mean(axis=0)))
    heights = [min(quad_sides(view.texts[k])) / short for k in on]
    sized = sum(_LOWEST < height < _HIGHEST for height in heights)
    sides = flanking(corners, view.rows)
    way = max((0, 1), key=lambda k: sides[k].cover + sides[k + 2].cover + 2 * min(sides[k].cover, sides[k + 2].cover))
    pair = sorted((sides[way], sides[way + 2]), key=lambda side: -side.cover)
    leads = regularity_beside(view.grey, corners)
    lightness, chroma = _colour(view.plain, corners)
    pitches = quad_sides(corners)[1 - way] / pair[0].pitch if pair[0].pitch else np.inf
    area = short * long / view.grey.size
    features = {
        "narrow": 5 * max(0.0, _NARROWEST - pitches),
        "tiny": max(0.0, float(np.log2(_TINY / area))),
        "cover_hi": pair[0].cover,
        "cover_lo": pair[1].cover,
        "pitch_alike": float(pair[1].cover > 0 and 1 / _ALIKE_PITCH < pair[0].pitch / pair[1].pitch < _ALIKE_PITCH),
        "bare_beyond": max(fit.beyond) * (1 - pair[1].cover),
        "chroma_over": max(0.0, chroma - _GREY),
        "light_over": max(0.0, lightness - _DARK),
        "texts": min(sized, 3) ** 0.5,
        "leads": leads,
        "shown_long_min": min(fit.shown[::2]),
        "shown_long_mean": sum(fit.shown[::2]) / 2,
        "shown_end_mean": sum(fit.shown[1::2]) / 2,
        "within_long_min": min(fit.within[::2]),
        "within_end_min": min(fit.within[1::2]),
        "beyond_long": sum(fit.beyond[::2]) / 2,
        "beyond_end": sum(fit.beyond[1::2]) / 2,
        "beyond_max": max(fit.beyond),
        "lean": sum(side.lean * side.cover for side in pair),
        "corner": worst_corner(corners),
        "frame": float(max(0, sides_on_frame(corners, view.grey.shape) - 1)),
    }
    odds = (_CLOSE_UP if sized and area > _FILLS else 0.0) - _COLOURED * max(0.0, chroma - _COLOUR)
    odds -= _CUT * min(2, sum(_cuts(corners, text) for text in view.texts))
    odds += BIAS + sum(WEIGHTS.get(name, 0.0) * value for name, value in features.items())
    rows = tuple(side.row for side in pair if side.row >= 0)
    claims = tuple(k for side in pair for k in side.all)
    nothing = not sized and (leads < _HINT or max(heights, default=0.0) >= _HIGHEST)
    score = 0.0 if nothing else float(1 / (1 + np.exp(-odds)))
    return features, Evidence(score, on, rows, pair[0].cover, features["pitch_alike"] > 0, claims)


def _cuts(corners: Corners, text: Corners) -> bool:
    """Whether a side runs through a line of print: well inside of one end and well outside of the other."""
    first, second = quad_sides(text)
    high = min(first, second)
    if high < 1 or max(first, second) < 2 * high:
        return False
    ends = (text + np.roll(text, 1 if first > second else -1, axis=0))[[0, 2]] / 2
    depths = [depth_inside(corners, end) / high for end in ends]
    return min(depths) < -_CUT_DEPTH and max(depths) > _CUT_DEPTH


def flanking(corners: Corners, rows: Sequence[LeadRow]) -> list[_Beside]:
    """Return, for each side of an outline, the row of leads that covers most of it."""
    if not rows:
        return [_Beside()] * 4
    centre, short = corners.mean(axis=0), min(quad_sides(corners))
    middles = np.array([row.points.mean(axis=0) for row in rows])
    found = []
    for start, end in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        away, length = outward(start, end, centre), float(np.linalg.norm(end - start))
        along = (end - start) / (length + 1e-9)
        out, at = (middles - start) @ away, (middles - start) @ along
        near = (out > -_INSIDE * short) & (out < _FARTHER * short) & (at > 0.2 * length) & (at < 0.8 * length)
        best, every = _Beside(), []
        for k in np.flatnonzero(near):
            row = rows[int(k)]
            if abs(float(row.along @ along)) < _PARALLEL:
                continue
            places = (row.points - start) @ along
            first, last = float(places.min()) - row.pitch / 2, float(places.max()) + row.pitch / 2
            cover = max(0.0, min(last, length) - max(first, 0.0)) / max(length, last - first)
            if cover > _MOSTLY:
                every.append(int(k))
            if cover > best.cover and out[k] < _OUTSIDE * short:
                lean = -row.lean * float(np.sign((centre - row.points[0]) @ row.across))
                best = _Beside(cover, row.pitch, lean, int(k))
        found.append(replace(best, all=tuple(every)))
    return found


def _colour(lab: FloatImage, corners: Corners) -> tuple[float, float]:
    """Median lightness and chroma inside an outline."""
    x0, y0, x1, y1 = (max(0, int(v)) for v in axis_box(corners))
    step = max(1, int(min(quad_sides(corners)) / 24))  # a median needs no more
    window = lab[y0 : y1 + 1 : step, x0 : x1 + 1 : step]
    if window.size == 0:
        return 255.0, 255.0
    mask = np.zeros(window.shape[:2], np.uint8)
    cv2.fillConvexPoly(mask, np.round((corners - [x0, y0]) / step).astype(np.int32), 1)
    pixels = window[mask > 0]
    light, a, b = np.median(pixels if len(pixels) else window.reshape(-1, 3), axis=0)
    return float(light), float(np.hypot(a - 128, b - 128))


def sides_on_frame(corners: Corners, shape: tuple[int, ...]) -> int:
    """Return how many sides run along the photo's frame: a top may leave it on one side, hardly on three."""
    height, width = shape[:2]
    near = 0.012 * max(width, height)
    x0, y0, x1, y1 = axis_box(corners)
    return sum((x0 < near, y0 < near, x1 > width - near, y1 > height - near))
