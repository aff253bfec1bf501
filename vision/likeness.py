"""The same line of print on several pieces, laid over each other: is it of one typeface, how large, and where.

The clearest piece's line is the pattern. Every other piece's is brought over it by the affine map that makes the two
pictures most alike (enhanced correlation, Evangelidis & Psarakis 2008), which takes size, place, tilt and the body's
own proportions out. What then still differs, character cell by character cell, is the shape of the characters.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.between import RIM, unevenness
from vision.body import Body
from vision.light import FloatImage, robust_sd
from vision.matching import SHARED, MatchedLine
from vision.observations import Measure, PieceView

LEAST_PIECES = 3
"""Of two pieces that differ neither is the odd one."""
TALLEST, SMALLEST = 160, 64
"""Rows a body is brought to; the group's own size in between. A character is then 15 to 40 rows high."""
SOFT = 0.8
"""Gaussian sigma, rows, laid over every picture: below the eye of any phone at this size, above its noise."""
AROUND = 0.15
"""Ground around a line that belongs to its pattern, line heights."""
SIZES = (0.87, 1.0, 1.15)
"""Sizes tried before refining, against what the boxes say."""
LEAST_ALIKE = 0.35
"""A line that correlates less than this with the pattern was not found again (common practice, no source)."""
LEAST_RELIABLE = 0.45
"""Share of a line's variance that is print and not noise; below it shapes say nothing."""
LEAST_CELLS = 4
"""Fewer equal characters than this do not show a typeface (common practice, no source)."""
MOST_ALIKE = 1.15
"""A noise taken too large must not make a line more than itself."""
LEAST_LIKENESS = 0.55
"""No two typefaces are as unlike as this; such a line was laid a character too far (common practice, no source)."""
STRETCHED = 1.45
"""A map that stretches more than this has gone astray."""


@dataclass(frozen=True, slots=True, eq=False)
class Top:
    """A body brought to the group's common size.

    Parameters
    ----------
    image : ndarray of float32, shape (rows, columns)
        Luminance over its surroundings' mean, minus one, softened by SOFT.
    boxes : tuple of (x0, y0, x1, y1)
        The piece's line boxes there.
    noise : float
        Robust deviation of `image` beside the print.
    """

    image: FloatImage
    boxes: tuple[tuple[float, float, float, float], ...]
    noise: float


@dataclass(frozen=True, slots=True)
class Fit:
    """One piece's line against the pattern.

    Parameters
    ----------
    x, y : float
        Where the pattern's middle lies on this piece, shares of the common body's short side from its upper left.
    wide : float
        Length of the line against the pattern's, for bodies of one length.
    left, right, top, bottom : float
        Where the body's edges lie from the line's middle if this piece's line were exactly as large as the pattern,
        in the same unit; left and top are negative.
    likeness : float
        Correlation with what at least half of the other pieces show, freed of noise: 1 for one typeface.
    u : float
        Standard uncertainty of it.
    reliable : float
        Share of the line's variance that is print and not noise, 0 to 1.
    uneven : float or None
        From `vision.between`, on the line that most pieces share; None on the others.
    """

    x: float
    y: float
    wide: float
    left: float
    right: float
    top: float
    bottom: float
    likeness: float | None
    u: float
    reliable: float
    uneven: float | None = None


def fits(
    views: Sequence[PieceView],
    bodies: Sequence[Body],
    luminances: Sequence[FloatImage],
    matched: Sequence[Sequence[MatchedLine]],
) -> list[dict[int, Fit]]:
    """Lay every line that at least three pieces share over its clearest instance.

    Parameters
    ----------
    views, bodies, luminances : sequence
        The pieces, the edges of their tops and their linear luminance.
    matched : sequence of sequences of MatchedLine
        From `vision.matching.match_lines`.

    Returns
    -------
    list of dict of int to Fit
        One entry a slot.
    """
    members: dict[int, dict[int, MatchedLine]] = {}
    for k, lines in enumerate(matched):
        for line in lines:
            members.setdefault(line.slot, {})[k] = line
    shared = {slot: of for slot, of in members.items() if len(of) >= LEAST_PIECES}
    if not shared:
        return []
    needed = {k for of in shared.values() for k in of}
    rows = int(np.clip(np.median([bodies[k].short for k in needed]), SMALLEST, TALLEST))
    aspect = float(np.median([(bodies[k].x1 - bodies[k].x0) / (bodies[k].y1 - bodies[k].y0) for k in needed]))
    tops = {k: _top(views[k], bodies[k], luminances[k], (rows, round(rows * aspect))) for k in needed}
    most = max(sorted(shared), key=lambda slot: len(shared[slot]))
    return [_slot(tops, of, uneven=slot == most) for slot, of in sorted(shared.items())]


def _top(view: PieceView, body: Body, luminance: FloatImage, shape: tuple[int, int]) -> Top:
    """Bring one body to the common size."""
    rows, columns = shape
    along, down = (body.x1 - body.x0) / columns, (body.y1 - body.y0) / rows
    matrix = np.array([[along, 0, body.x0 - 0.5 + 0.5 * along], [0, down, body.y0 - 0.5 + 0.5 * down]])
    if down > 1.5:
        luminance = cv2.GaussianBlur(luminance, (0, 0), 0.4 * down).astype(np.float32)
    flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
    image = cv2.warpAffine(luminance, matrix, (columns, rows), flags=flags, borderMode=cv2.BORDER_REPLICATE)
    image = np.maximum(image, np.float32(1e-5))
    light = cv2.GaussianBlur(image, (0, 0), rows / 9)
    relative = cv2.GaussianBlur((image / light - 1).astype(np.float32), (0, 0), SOFT).astype(np.float32)
    inverse = cv2.invertAffineTransform(matrix)
    boxes = []
    bare = np.zeros(shape, bool)
    rim = round(0.09 * rows)
    bare[rim : rows - rim, rim : columns - rim] = True
    for line in view.lines:
        points = np.asarray(line.face_outline) @ inverse[:, :2].T + inverse[:, 2]
        (x0, y0), (x1, y1) = points.min(axis=0), points.max(axis=0)
        boxes.append((float(x0), float(y0), float(x1), float(y1)))
        bare[max(0, int(y0) - 3) : max(0, int(y1) + 4), max(0, int(x0) - 3) : max(0, int(x1) + 4)] = False
    return Top(relative, tuple(boxes), robust_sd(relative[bare]) if bare.sum() > 200 else 0.05)


def _slot(tops: dict[int, Top], members: dict[int, MatchedLine], *, uneven: bool) -> dict[int, Fit]:
    """Fit one line of all pieces to the clearest one."""
    rows, columns = next(iter(tops.values())).image.shape
    texts = [line.text for line in members.values()]
    usual = max(set(texts), key=lambda t: (texts.count(t), t))
    eligible = [k for k in members if members[k].text == usual]
    clearest = max(eligible, key=lambda k: _clear(tops[k], members[k]))
    pattern, corner = _pattern(tops[clearest], members[clearest])
    if min(pattern.shape) < 6:
        return {}
    maps = {k: _laid(pattern, corner, tops[clearest], tops[k], members[clearest], members[k]) for k in members}
    found = {k: m for k, m in maps.items() if m is not None}
    if len(found) < LEAST_PIECES:
        return {}
    patches = {k: _patch(tops[k].image, m, pattern.shape) for k, m in found.items()}
    alike = _likenesses(patches, {k: tops[k].noise for k in found}, {k: members[k].text for k in found})
    between = _between(tops, found, corner) if uneven else {}
    middle = np.array([0.5 * (pattern.shape[1] - 1), 0.5 * (pattern.shape[0] - 1), 1.0])
    fitted = {}
    for k, m in found.items():
        x, y = (float(v) + 0.5 for v in m @ middle)
        likeness, u, reliable = alike[k]
        along, down = float(m[0, 0]), float(m[1, 1])
        ends = (-x / along, (columns - x) / along, -y / down, (rows - y) / down)
        left, right, upper, lower = (end / rows for end in ends)
        fitted[k] = Fit(x / rows, y / rows, along, left, right, upper, lower, likeness, u, reliable, between.get(k))
    return fitted


def _between(tops: dict[int, Top], maps: dict[int, NDArray[np.float64]], corner: tuple[int, int]) -> dict[int, float]:
    """Lay whole tops over the pattern's and ask what stands between the characters."""
    rows, columns = next(iter(tops.values())).image.shape
    rim = round(RIM * rows)
    within = np.zeros((rows, columns), np.uint8)
    within[rim : rows - rim, rim : columns - rim] = 1
    images, inside = {}, {}
    for k, m in maps.items():
        whole = m.copy()
        whole[:, 2] -= m[:, :2] @ np.array(corner, np.float64)
        images[k] = _patch(tops[k].image, whole, (rows, columns))
        flags = cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP
        inside[k] = (cv2.warpAffine(within, whole, (columns, rows), flags=flags) > 0) & (within > 0)
    return unevenness(images, inside)


def _clear(top: Top, line: MatchedLine) -> float:
    """Contrast of a line over the noise of its body."""
    contrast = line.geometry.contrast
    return abs(contrast.value) / max(top.noise, 1e-4) if isinstance(contrast, Measure) else 0.0


def _pattern(top: Top, line: MatchedLine) -> tuple[FloatImage, tuple[int, int]]:
    """Cut the pattern out, and where its upper left pixel was."""
    x0, y0, x1, y1 = top.boxes[line.geometry.line]
    pad = AROUND * (y1 - y0)
    rows, columns = top.image.shape
    left, upper = max(0, round(x0 - pad)), max(0, round(y0 - pad))
    right, lower = min(columns, round(x1 + pad)), min(rows, round(y1 + pad))
    return top.image[upper:lower, left:right], (left, upper)


def _laid(
    pattern: FloatImage, corner: tuple[int, int], source: Top, top: Top, sample: MatchedLine, line: MatchedLine
) -> NDArray[np.float64] | None:
    """The affine map (2, 3) from the pattern's pixels to this top's; None where the line is not found again."""
    if top is source:
        return np.array([[1.0, 0.0, corner[0]], [0.0, 1.0, corner[1]]])
    start = _start(pattern, top, source.boxes[sample.geometry.line], line, sample)
    if start is None:
        return None
    kinds = cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT
    find: Any = cv2.findTransformECC  # its stub knows no call with a filter size
    try:
        # Softened first: strokes a pixel or two off their place pull no more.
        _, near = find(pattern, top.image, start, cv2.MOTION_AFFINE, (kinds, 25, 1e-3), None, 5)
        alike, fitted = find(pattern, top.image, near, cv2.MOTION_AFFINE, (kinds, 20, 1e-4), None, 1)
    except cv2.error:
        return None
    found = np.asarray(fitted, np.float64)
    sizes = np.hypot(found[0, :2], found[1, :2])
    if alike < LEAST_ALIKE or max(sizes.max(), 1 / max(1e-6, sizes.min())) > STRETCHED:
        return None
    return found


def _start(
    pattern: FloatImage, top: Top, sample_box: tuple[float, ...], line: MatchedLine, sample: MatchedLine
) -> NDArray[np.float32] | None:
    """Where and how large the pattern is best found near the line's own box, by correlation alone."""
    x0, y0, x1, y1 = top.boxes[line.geometry.line]
    tall = _ratio(line.geometry.character_height, sample.geometry.character_height)
    wide = (x1 - x0) / max(1.0, sample_box[2] - sample_box[0]) if line.text == sample.text else 1.0
    reach = 0.35 * (y1 - y0) + 3
    best, found = LEAST_ALIKE, None
    for across in dict.fromkeys((1.0, round(tall, 2))):
        for along in dict.fromkeys((*SIZES, round(float(np.clip(wide, 0.75, 1.33)), 2))):
            size = (max(6, round(pattern.shape[1] * along)), max(6, round(pattern.shape[0] * across)))
            # The box may be clipped or generous: the pattern must fit into what is searched.
            extra_x, extra_y = max(0.0, size[0] - (x1 - x0)) / 2, max(0.0, size[1] - (y1 - y0)) / 2
            left, upper = max(0, int(x0 - reach - extra_x)), max(0, int(y0 - reach - extra_y))
            window = top.image[upper : int(y1 + reach + extra_y) + 1, left : int(x1 + reach + extra_x) + 1]
            if window.shape[0] < size[1] or window.shape[1] < size[0]:
                continue
            scaled = cv2.resize(pattern, size, interpolation=cv2.INTER_LINEAR)
            _, alike, _, place = cv2.minMaxLoc(cv2.matchTemplate(window, scaled, cv2.TM_CCOEFF_NORMED))
            if alike > best:
                best = alike
                found = (size[0] / pattern.shape[1], size[1] / pattern.shape[0], place[0] + left, place[1] + upper)
    if found is None:
        return None
    return np.array([[found[0], 0, found[2]], [0, found[1], found[3]]], np.float32)


def _ratio(one: object, other: object) -> float:
    """Ratio of two measures, 1 where either is lacking, within what an outline may be off."""
    if isinstance(one, Measure) and isinstance(other, Measure) and other.value > 0:
        return float(np.clip(one.value / other.value, 0.75, 1.33))
    return 1.0


def _patch(image: FloatImage, matrix: NDArray[np.float64], shape: tuple[int, ...]) -> FloatImage:
    """The line as the pattern shows it."""
    size = (shape[1], shape[0])
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    return cv2.warpAffine(image, matrix, size, flags=flags, borderMode=cv2.BORDER_REPLICATE).astype(np.float32)


def _likenesses(
    patches: dict[int, FloatImage], noises: dict[int, float], texts: dict[int, str]
) -> dict[int, tuple[float | None, float, float]]:
    """Correlation of each piece with the better half of the others, median over character cells, its
    uncertainty, and how much of the line is print.

    Each correlation is divided by the root of both reliabilities (Spearman 1904, correction for attenuation), so that
    noise alone does not make a piece unlike the others. Cells whose characters were read differently are left out.
    """
    keys = list(patches)
    cells = max(3, int(np.median([len(text) for text in texts.values()])))
    edges = np.linspace(0, next(iter(patches.values())).shape[1], cells + 1).round().astype(int)
    unit, reliable = {}, {}
    for k in keys:
        parts = [patches[k][:, a:b].astype(np.float64).ravel() for a, b in pairwise(edges)]
        parts = [p - p.mean() for p in parts]
        powers = np.array([max(float(p @ p) / p.size, 1e-12) for p in parts])
        unit[k] = [p / np.sqrt(v * p.size) for p, v in zip(parts, powers, strict=True)]
        reliable[k] = np.clip(1 - noises[k] ** 2 / powers, 0.05, 1.0)
    result: dict[int, tuple[float | None, float, float]] = {}
    good = [k for k in keys if float(np.median(reliable[k])) >= LEAST_RELIABLE]
    for k in keys:
        pairs = []
        for j in good if k in good else []:
            same = _same(texts[k], texts[j], cells)
            if j == k or len(same) < LEAST_CELLS:
                continue
            raw = np.array([float(unit[k][c] @ unit[j][c]) for c in same])
            each = np.minimum(raw / np.sqrt(reliable[k][same] * reliable[j][same]), MOST_ALIKE)
            pairs.append((float(np.median(each)), 1.2533 * float(np.std(each)) / np.sqrt(len(same))))
        pairs.sort(reverse=True)
        likeness, u = pairs[(len(pairs) - 1) // 2] if len(pairs) >= LEAST_PIECES - 1 else (None, 1.0)
        if likeness is not None and likeness < LEAST_LIKENESS:
            likeness = None
        result[k] = (likeness, u, float(np.median(reliable[k])))
    return result


def _same(one: str, other: str, cells: int) -> list[int]:
    """Cells that show the same character; all of them where the texts cannot be held beside each other."""
    if len(one) != cells or len(other) != cells:
        return list(range(cells)) if _plain(one) == _plain(other) else []
    return [c for c, (a, b) in enumerate(zip(_plain(one), _plain(other), strict=True)) if a == b]


def _plain(text: str) -> str:
    """Characters that many typefaces draw alike are one."""
    return text.translate(SHARED)
