"""What stands between the characters: an old mark under a new one lies mostly where the new one does.

Siblings laid over each other by their print share print, logo, dimples and light. Strokes that rise above what any of
them shows at that place, or a pixel or two beside it, are a top's own; a row of characters leaves many of them.

The bounds here are common practice, no source, set on altered and genuine tops of this project's tests.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.light import FloatImage, Mask, robust_sd
from vision.stand_ins import stand_ins

SOFT = 1.0
"""Gaussian sigma, rows: a third of a stroke of small print."""
ROOM, HALO = 5, 5
"""Pixels across: where a sibling's strokes may stand for a piece's, and how wide the print's own halo is."""
STRONG, INK = 0.35, 0.3
"""Parts of the print's level from which the siblings' and a piece's own brightness are print (common practice)."""
LANDMARK, LEAST_LANDMARK = 4.0, 6
"""Robust deviations, and pixels, from which a sibling's top shows a dimple or a notch (common practice, no source)."""
SLOW = 0.12
"""Gaussian sigma, body units: light and shade wider than this are no strokes."""
ABOVE, ABOVE_TWO = 1.5, 3.5
"""Deviations of the noise by which a stroke must rise above all siblings; two siblings bound it poorly (set on altered
and genuine tops of this project's tests)."""
NOISIER = 1.2
"""A piece counts as no noisier than this against its siblings and its own quiet parts: strokes all over it must not
excuse themselves."""
TILES, LEAST_TILE, LEAST_TILES, QUIET = 10, 40, 6, 35
"""Tiles to the height of the picture, the pixels and the number of them that tell, and the percentile of quiet ones:
an old mark of one or two rows leaves a third of a top quiet (common practice, no source)."""
LEAST_STROKE = 10
"""Pixels; what is smaller is noise."""
SPOT = 0.24
"""A dimple, a scar or a grain of dust, body units: the heaviest spot of this size does not count, a row of characters
has others."""
WINDOW = (0.9, 0.4)
"""Several characters of one or two rows, body units; tried along and across."""
LEAST_FREE, LEAST_GAIN = 200, 0.3


@dataclass(frozen=True, slots=True, eq=False)
class LaidTop:
    """A top laid over the pattern's.

    Parameters
    ----------
    image : ndarray of float32, shape (rows, columns)
        Luminance over the light minus one.
    inside : ndarray of bool, same shape
        Where it shows the top within its rim.
    ink : ndarray of bool, same shape
        Print that its siblings do not have.
    printed : ndarray of bool, same shape
        Boxes of its lines.
    """

    image: FloatImage
    inside: Mask
    ink: Mask
    printed: Mask


def strokes_of_their_own(members: Sequence[int], laid: Callable[[int], LaidTop], rows: int) -> dict[int, float]:
    """Return how much each top shows in strokes that none of its siblings has there.

    Parameters
    ----------
    members : sequence of int
        The pieces; three or more.
    laid : callable
        Gives a piece's top laid over the pattern by its print: of a large group only a few are held at a time.
    rows : int
        Short side of a body there.

    Returns
    -------
    dict of int to float
        Area of such strokes in the window that holds most of them, squares of the short side; pieces too much covered
        are left out.
    """
    kept = {k: laid(k) for k in stand_ins(members)}
    found = {}
    for k in members:
        own = kept[k] if k in kept else laid(k)
        others = [top for j, top in kept.items() if j != k]
        area = _own_strokes(own, others, rows) if len(others) > 1 else None
        if area is not None:
            found[k] = area
    return found


def _own_strokes(own: LaidTop, others: Sequence[LaidTop], rows: int) -> float | None:
    """Area of the strokes of one top; None where too little of it is free."""
    inside = own.inside & (np.sum([top.inside for top in others], axis=0) >= min(2, len(others)))
    if inside.sum() < LEAST_FREE:
        return None
    usual = np.median([top.image for top in others], axis=0).astype(np.float32)
    level = float(np.percentile(np.abs(usual[inside]), 98))
    print_ = usual[inside & (np.abs(usual) > 2 * INK * level)]
    sense = -1.0 if float(print_.sum()) < 0 else 1.0
    tops = [_levelled(top.image, usual, inside, INK * level, sense, rows) for top in (own, *others)]
    mine, siblings = tops[0], tops[1:]
    usual = np.median(siblings, axis=0).astype(np.float32)
    free = inside & ~own.ink & ~_printed(usual, inside, siblings, others)
    if free.sum() < LEAST_FREE:
        return None
    noise = _noise(mine, siblings, usual, free)
    highest = np.max([cv2.dilate(sense * one, np.ones((ROOM, ROOM), np.uint8)) for one in siblings], axis=0)
    above = (ABOVE if len(others) > 2 else ABOVE_TWO) * noise
    return _heaviest(free & (sense * mine - highest > above), rows)


def _noise(mine: FloatImage, siblings: Sequence[FloatImage], usual: FloatImage, free: Mask) -> float:
    """Of a top: as its quiet parts have it, or as its siblings have it all over, whichever is more."""
    rest = mine - usual
    expected = float(np.median([robust_sd((one - usual)[free]) for one in siblings]))
    side = max(8, free.shape[0] // TILES)
    tiles = [
        robust_sd(rest[y : y + side, x : x + side][use])
        for y in range(0, free.shape[0] - side + 1, side)
        for x in range(0, free.shape[1] - side + 1, side)
        if (use := free[y : y + side, x : x + side]).sum() >= LEAST_TILE
    ]
    quiet = float(np.percentile(tiles, QUIET)) if len(tiles) >= LEAST_TILES else 0.0
    return min(robust_sd(rest[free]), NOISIER * max(expected, quiet))


def _levelled(image: FloatImage, usual: FloatImage, inside: Mask, ink: float, sense: float, rows: int) -> FloatImage:
    """A top as if its print were as strong as the others', what is slow on its ground taken out, softened."""
    gain = float((image[inside] * usual[inside]).sum() / max(float((usual[inside] ** 2).sum()), 1e-9))
    scaled = (image / np.float32(max(LEAST_GAIN, gain))).astype(np.float32)
    ground = cv2.erode(((sense * scaled < ink) & inside).astype(np.uint8), np.ones((3, 3), np.uint8)).astype(np.float32)
    total = cv2.GaussianBlur(scaled * ground, (0, 0), SLOW * rows)
    slow = total / np.maximum(cv2.GaussianBlur(ground, (0, 0), SLOW * rows), np.float32(0.05))
    return np.asarray(cv2.GaussianBlur(scaled - slow, (0, 0), SOFT), np.float32)


def _printed(usual: FloatImage, inside: Mask, siblings: Sequence[FloatImage], others: Sequence[LaidTop]) -> Mask:
    """What the siblings show in common, with its halo: print, and beside it dimples and notches."""
    level = float(np.percentile(np.abs(usual[inside]), 98))
    print_ = cv2.dilate((np.abs(usual) > STRONG * level).astype(np.uint8), np.ones((HALO, HALO), np.uint8)) > 0
    boxes = 2 * np.sum([top.printed for top in others], axis=0) >= len(others)
    bare = inside & ~boxes
    marks = np.zeros(inside.shape, bool)
    for one in siblings:
        marks |= np.abs(one) > LANDMARK * robust_sd(one[bare if bare.sum() > 300 else inside])
    return print_ | (cv2.dilate(_large(marks & ~boxes, LEAST_LANDMARK), np.ones((5, 5), np.uint8)) > 0)


def _large(mask: Mask, least: int) -> NDArray[np.uint8]:
    """The components of at least so many pixels."""
    count, labels, stats, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8), connectivity=8)
    keep = np.array([k > 0 and stats[k][4] >= least for k in range(count)])
    return np.asarray(keep[labels], np.uint8)


def _heaviest(strokes: Mask, rows: int) -> float:
    """Area of strokes in the window that holds most, without the heaviest spot."""
    area = _large(strokes, LEAST_STROKE).astype(np.float32)
    size = round(SPOT * rows) | 1
    y, x = np.unravel_index(int(np.argmax(_sums(area, (size, size)))), area.shape)
    half = size // 2
    area[max(0, y - half) : y + half + 1, max(0, x - half) : x + half + 1] = 0
    wide, tall = (round(share * rows) | 1 for share in WINDOW)
    return max(float(_sums(area, shape).max()) for shape in ((wide, tall), (tall, wide))) / rows**2


def _sums(area: FloatImage, shape: tuple[int, int]) -> FloatImage:
    summed = cv2.boxFilter(area, -1, shape, normalize=False, borderType=cv2.BORDER_CONSTANT)
    return np.asarray(summed, np.float32)
