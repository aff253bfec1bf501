"""One line of print followed over another one, cell by cell: where perspective makes one end larger than the other.

A single size fits the middle of such a line or one of its ends, never both. From the cell that is found best, each next
one is looked for where those before lead to; the places found give a homography to start a finer fit from.
"""

from collections.abc import Sequence
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.light import FloatImage

Matrix = NDArray[np.float64]

ASIDE, DOWN = 0.35, 0.3
"""How far from where it is expected a cell is looked for, its widths and heights (common practice, no source)."""
FOUND = 0.55
"""Correlation from which a cell was found (common practice, no source)."""
SEEDS = 4
"""Cells from which the way is tried."""
LEAST = 4
"""Fewer cells give no perspective."""
OFF = 2.5
"""A place this many robust deviations off the others' curve is a mistake."""


def tracked(pattern: FloatImage, image: FloatImage, start: Matrix, cells: int) -> Matrix | None:
    """Return the homography from pattern to image, as its cells lead from one to the next.

    Parameters
    ----------
    pattern, image : ndarray of float32
    start : ndarray of float64, shape (2, 3)
        Sizes and place by the line as a whole, without turn.
    cells : int
        About as many as characters.

    Returns
    -------
    ndarray of float64, shape (3, 3), or None
        None where too few cells are found again.
    """
    edges = np.linspace(0, pattern.shape[1], cells + 1).round().astype(int)
    sized = [_sized(pattern[:, a:b], start) for a, b in pairwise(edges)]
    middles = 0.5 * (edges[:-1] + edges[1:] - 1)
    expected = np.stack(
        [start[0, 0] * middles + start[0, 2], np.full(cells, start[1, 1] * 0.5 * (pattern.shape[0] - 1) + start[1, 2])],
        axis=1,
    )
    first = [_found(sized[c], image, expected[c]) for c in range(cells)]
    seeds = [int(c) for c in np.argsort([-score for _, score in first])[:SEEDS] if first[c][1] >= FOUND]
    followed = [_followed(sized, image, middles, seed, first[seed], float(start[0, 0])) for seed in seeds]
    if not followed:
        return None
    places = max(followed, key=lambda found: sum(score for _, score in found.values()))
    return _fitted({c: place for c, (place, _) in places.items()}, middles, pattern.shape, start)


Places = dict[int, tuple[NDArray[np.float64], float]]


def _followed(
    sized: Sequence[FloatImage],
    image: FloatImage,
    middles: NDArray[np.float64],
    seed: int,
    first: tuple[NDArray[np.float64], float],
    size: float,
) -> Places:
    """Places and correlations of the cells that are found on the way from one of them to both ends."""
    places: Places = {seed: first}
    for step in (1, -1):
        c = seed + step
        while 0 <= c < len(sized):
            place, score = _found(sized[c], image, _ahead(places, middles, c, size))
            if score >= FOUND:
                places[c] = place, score
            c += step
    return places


def _sized(cell: FloatImage, start: Matrix) -> FloatImage:
    """A cell as large as it is expected."""
    size = max(4, round(cell.shape[1] * float(start[0, 0]))), max(6, round(cell.shape[0] * float(start[1, 1])))
    return cv2.resize(cell, size, interpolation=cv2.INTER_LINEAR).astype(np.float32)


def _ahead(places: Places, middles: NDArray[np.float64], cell: int, size: float) -> NDArray[np.float64]:
    """Where a cell is expected by its nearest three neighbours."""
    near = sorted(places, key=lambda c: abs(c - cell))[:3]
    one = near[0]
    slope = np.array([size, 0.0])
    if len(near) > 1:
        far = near[-1]
        slope = (places[one][0] - places[far][0]) / (middles[one] - middles[far])
    return np.asarray(places[one][0] + slope * (middles[cell] - middles[one]))


def _found(cell: FloatImage, image: FloatImage, at: NDArray[np.float64]) -> tuple[NDArray[np.float64], float]:
    """Place of a cell's middle near `at`, and its correlation; -1 where it does not fit into the picture."""
    high, wide = cell.shape
    right, down = ASIDE * wide + 2, DOWN * high + 2
    x, y = at - 0.5 * (np.array([wide, high]) - 1)
    left, upper = max(0, int(x - right)), max(0, int(y - down))
    window = image[upper : int(y + down) + high + 1, left : int(x + right) + wide + 1]
    if window.shape[0] < high or window.shape[1] < wide:
        return at, -1.0
    alike = cv2.matchTemplate(window, cell, cv2.TM_CCOEFF_NORMED)
    _, score, _, (k, j) = cv2.minMaxLoc(alike)
    return np.array([left + k + 0.5 * (wide - 1), upper + j + 0.5 * (high - 1)]), float(score)


def _fitted(
    places: dict[int, NDArray[np.float64]], middles: NDArray[np.float64], shape: tuple[int, ...], start: Matrix
) -> Matrix | None:
    """A homography through the places: along the line a curve of second degree.

    Perspective stretches a plane along the line of sight as the square of what it does across it.
    """
    x = np.array([middles[c] for c in places])
    found = np.array(list(places.values()))
    use = np.ones(x.size, bool)
    for _ in range(3):
        if use.sum() < LEAST:
            return None
        curve = np.polynomial.Polynomial.fit(x[use], found[use, 0], 2 if use.sum() > LEAST else 1)
        height = np.polynomial.Polynomial.fit(x[use], found[use, 1], 1)
        off = np.abs(np.stack([found[:, 0] - curve(x), found[:, 1] - height(x)])).max(axis=0)
        use = off <= max(1.0, OFF * 1.4826 * float(np.median(off[use])))
    rows, columns = shape[0] - 1, shape[1] - 1
    slope = curve.deriv()
    usual = (curve(columns) - curve(0)) / columns
    corners = []
    for at in (0.0, float(columns)):
        half = 0.5 * rows * float(start[1, 1]) * float(np.sqrt(max(0.25, slope(at) / usual)))
        corners += [(curve(at), height(at) - half), (curve(at), height(at) + half)]
    source = np.array([[0, 0], [0, rows], [columns, 0], [columns, rows]], np.float32)
    return np.asarray(cv2.getPerspectiveTransform(source, np.array(corners, np.float32)), np.float64)
