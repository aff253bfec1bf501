"""Are the characters of one line those of its siblings? Equal lines, already laid over each other, cell by cell.

Each piece's cell is held against the middle of the others' cells with the same character. A little room is left for a
registration that is off by a pixel; noise is allowed for, so that a noisy picture is not another typeface.
"""

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import pairwise

import cv2
import numpy as np

from vision.light import FloatImage
from vision.matching import SHARED
from vision.seat import peak
from vision.stand_ins import stand_ins

LEAST_PIECES = 3
"""Of two pieces that differ neither is the odd one."""
LEAST_RELIABLE = 0.3
"""Share of a line's variance that is print and not noise; below it shapes say nothing (common practice, no source)."""
LEAST_CELLS = 4
"""Fewer equal characters than this do not show a typeface (common practice, no source)."""
MOST_ALIKE = 1.1
"""A noise taken too large must not make a line more than itself."""
LEAST_LIKENESS = 0.5
"""No two typefaces are as unlike as this; such a line was laid a character too far (common practice, no source)."""
INNER = 0.14
"""Left out above and below: the feet and heads of the neighbouring lines, which may say something else."""
ROOM = 1
"""Pixels by which a cell may be off."""
LEAST_INK = 0.3
"""A cell of less spread than this part of its line's is a gap."""
SHOWS_FOCUS = 0.9
"""Share of a line that must be print for its edges to tell of focus (common practice, no source)."""
EDGES = 1.0
"""Gaussian sigma, pixels: what it takes away are a stroke's edges."""
USUAL = 0.4
"""Quantile over the characters: a typeface differs in most of them, a scratch or a dimple in one or two."""

ASIDE = 0.25
"""How far a character is looked for beside its place, widths of a cell (common practice, no source)."""
FOUND = 0.5
"""Correlation from which it was found there (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Alike:
    """One line against the others'.

    Parameters
    ----------
    likeness : float or None
        Correlation with the middle of the others, divided by the root of both reliabilities (Spearman 1904, correction
        for attenuation), a low quantile over characters: 1 for one typeface.
    u : float
        Its standard uncertainty.
    reliable : float
        Share of the line's variance that is print and not noise, 0 to 1.
    sharp : float or None
        Logarithm of how much of the line's variance is in its edges: the same print is less so out of focus. None where
        the ground's own texture has too large a share in it.
    steps : float or None
        How far characters stand off where the others' stand, mean, widths of a cell: typefaces set them differently.
    """

    likeness: float | None
    u: float
    reliable: float
    sharp: float | None
    steps: float | None
    read_alike: bool = True
    """Whether it was read as most of the others."""


def likenesses(
    patches: Mapping[int, FloatImage], noises: Mapping[int, float], texts: Mapping[int, str]
) -> dict[int, Alike]:
    """Return how alike each piece's characters are to the others'.

    Parameters
    ----------
    patches : mapping of int to ndarray of float32, shape (rows, columns)
        The line of each piece as the pattern shows it, all of one shape.
    noises : mapping of int to float
        Robust deviation of each beside the print.
    texts : mapping of int to str
        As read, without spaces.

    Returns
    -------
    dict of int to Alike
    """
    keys = list(patches)
    cells = max(3, int(np.median([len(text) for text in texts.values()])))
    rows, columns = patches[keys[0]].shape
    edges = np.linspace(0, columns, cells + 1).round().astype(int)
    cut = round(INNER * rows)
    scaled = {k: _scaled(patches[k][cut : rows - cut]) for k in keys}
    noise = {k: (noises[k] / max(1e-6, float(patches[k][cut : rows - cut].std()))) ** 2 for k in keys}
    reliable = {k: float(np.clip(1 - noise[k], 0.05, 1.0)) for k in keys}
    good = [k for k in keys if reliable[k] >= LEAST_RELIABLE]
    read = {k: plain(text) for k, text in texts.items()}
    said = Counter(read.values())
    usual = max(sorted(said), key=lambda text: said[text])
    result: dict[int, Alike] = {}
    for k in keys:
        scores: list[float] = []
        offsets: list[float] = []
        for c, (a, b) in enumerate(pairwise(edges)) if k in good else ():
            like = [j for j in good if j != k and _same(read[k], read[j], c, cells)]
            if len(like) < LEAST_PIECES - 1:
                continue
            like = stand_ins(like)
            middle = np.median([scaled[j][:, a:b] for j in like], axis=0).astype(np.float32)
            spread = noise[k], float(np.mean([noise[j] for j in like])) / len(like)
            score, offset = _cell(scaled[k], middle, a, spread)
            scores += [] if score is None else [score]
            offsets += [] if offset is None else [offset]
        sharp = _sharpness(patches[k][cut : rows - cut], noises[k]) if reliable[k] >= SHOWS_FOCUS else None
        result[k] = replace(_summed(scores, offsets, reliable[k], sharp), read_alike=read[k] == usual)
    return result


def _sharpness(patch: FloatImage, noise: float) -> float:
    """Logarithm of the standard deviation of a line's edges over its whole, the noise's share taken out."""
    edges = patch - cv2.GaussianBlur(patch, (0, 0), EDGES)
    # Noise softened as the picture was keeps about half of its variance in that band.
    fine = max(float(edges.var()) - 0.5 * noise**2, 0.1 * float(edges.var()), 1e-9)
    return 0.5 * float(np.log(fine / max(float(patch.var()) - noise**2, 0.1 * float(patch.var()), 1e-9)))


def _summed(scores: list[float], offsets: list[float], reliable: float, sharp: float | None) -> Alike:
    """Over the characters of a line."""
    steps = None
    if len(offsets) >= LEAST_CELLS:
        away = np.abs(np.array(offsets) - np.median(offsets))
        # One character that is found beside itself, in a scratch or a dimple, counts no more than the others.
        steps = float(np.minimum(away, 3 * float(np.median(away)) + 0.01).mean())
    if len(scores) < LEAST_CELLS:
        return Alike(None, 1.0, reliable, sharp, steps)
    likeness = float(np.quantile(scores, USUAL))
    u = 1.2533 * float(np.std(scores)) / float(np.sqrt(len(scores)))
    return Alike(likeness, u, reliable, sharp, steps)


def _scaled(patch: FloatImage) -> FloatImage:
    """Of mean 0 and deviation 1."""
    return np.asarray((patch - patch.mean()) / max(1e-6, float(patch.std())), np.float32)


def _cell(
    own: FloatImage, middle: FloatImage, left: int, spread: tuple[float, float]
) -> tuple[float | None, float | None]:
    """Correlation of two cells where they fit best, freed of noise, and how far aside that is, cell widths.

    None where there is little print in either, or nothing alike near.
    """
    wide = middle.shape[1]
    reach = max(2, round(ASIDE * wide))
    inner = np.ascontiguousarray(middle[ROOM:-ROOM, ROOM:-ROOM])
    if inner.size < 30 or float(inner.std()) < LEAST_INK:
        return None, None
    begin, end = max(0, left - reach), min(own.shape[1], left + wide + reach)
    alike = cv2.matchTemplate(np.ascontiguousarray(own[:, begin:end]), inner, cv2.TM_CCOEFF_NORMED)
    expected = left + ROOM - begin
    near = alike[:, max(0, expected - ROOM) : expected + ROOM + 1]
    cell = own[:, left : left + wide]
    reliable = [1 - share / max(1e-6, float(np.var(one))) for one, share in zip((cell, middle), spread, strict=True)]
    score = None
    if min(reliable) >= LEAST_RELIABLE:
        score = min(float(near.max()) / float(np.sqrt(reliable[0] * min(1.0, reliable[1]))), MOST_ALIKE)
    y, x = (int(v) for v in np.unravel_index(int(np.argmax(alike)), alike.shape))
    if alike[y, x] < FOUND or not 0 < x < alike.shape[1] - 1:
        return score, None
    return score, (x + peak(alike[y, x - 1 : x + 2]) - expected) / wide


def _same(one: str, other: str, cell: int, cells: int) -> bool:
    """Whether two plain texts show the same character there; where their lengths differ, whether they are one text."""
    if len(one) != cells or len(other) != cells:
        return True
    return one[cell] == other[cell]


def plain(text: str) -> str:
    """Return a text in which characters that many typefaces draw alike are one."""
    return text.translate(SHARED)
