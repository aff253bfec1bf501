"""Rows of leads in a photo: bright spots that stand in a line at one pitch.

A top that is as dark as the foam under it, with print too faint to be seen from afar, still has its leads. Spots are
maxima of a difference of Gaussians at a few sizes; a pair of neighbours says where the next one has to stand, and a row
is followed as long as one stands there. Bounds are common practice, no source, unless they name one.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.geometry import Corners

# Sizes of a lead's glint in the working picture (standard deviation in pixels), each 1.6 times the last: Lowe 2004,
# 'Distinctive image features from scale-invariant keypoints', takes about as many steps to the octave.
_SIZES = (1.2, 1.9, 3.1, 5.0, 8.0)
_CONTRAST = 5.0  # grey levels by which a spot outshines its surroundings
_MOST_SPOTS = 1500
# Pitch in sizes of the spot: a lead is about half as wide as its pitch (JEDEC MS-001 and MS-012).
_NEAREST, _FARTHEST = 3.0, 10.0
_STRAY = 0.17  # how far a spot may lie from its place, in pitches
_LEAST_LEADS = 4
_MOST_LEADS = 60
_NEIGHBOURS = 6
# Rows with pitches so alike, no more than so many pitches apart, are one.
_SAME_PITCH, _MISSED = 1.06, 2.3
# Where beside the spots their pitch is looked for, in pitches; samples a pitch; grey levels of ripple that are nothing.
_BESIDE, _SAMPLES, _NOTHING = (0.35, 0.5, 0.65), 12, 2.0


@dataclass(frozen=True, slots=True, eq=False)
class LeadRow:
    """Spots in a line at one pitch.

    Parameters
    ----------
    points : ndarray of float64, shape (n, 2)
        From one end to the other, working pixels.
    pitch : float
        Mean distance of neighbours.
    lean : float
        -1 to 1: on which side the pitch goes on, that is, to which side the leads stretch from the body. Positive:
        to the side of `across`; near 0: the picture does not tell.
    """

    points: Corners
    pitch: float
    lean: float = 0.0

    @property
    def along(self) -> Corners:
        """Unit vector from the first spot to the last."""
        way = self.points[-1] - self.points[0]
        return np.asarray(way / (np.linalg.norm(way) + 1e-9))

    @property
    def across(self) -> Corners:
        """Unit vector a quarter turn clockwise (as seen) from `along`."""
        x, y = self.along
        return np.array([-y, x])


def lead_rows(grey: NDArray[np.float32]) -> list[LeadRow]:
    """Find rows of evenly spaced bright spots.

    Parameters
    ----------
    grey : ndarray of float32, shape (height, width)

    Returns
    -------
    list of LeadRow
        The most telling first; no two of the same leads.
    """
    found: list[LeadRow] = []
    for size in _SIZES:
        found += _rows(_spots(grey, size), size)
    rows = _distinct(sorted(_joined(found), key=lambda row: _telling(grey, row), reverse=True))
    return [_leaning(grey, row) for row in rows]


def _telling(grey: NDArray[np.float32], row: LeadRow) -> float:
    """Rank rows of the same leads: long ones first, but only with the pitch that the brightness itself repeats at.

    Small spots see both edges of each lead, at half the pitch, and large ones two leads as one.
    """
    length = float(np.linalg.norm(row.points[-1] - row.points[0]))
    return length * _ripple(grey, row, 0.0)


def _leaning(grey: NDArray[np.float32], row: LeadRow) -> LeadRow:
    """Say on which side of the spots their pitch shows more: leads stretch away from the body, which is even."""
    strengths = [float(np.mean([_ripple(grey, row, side * away) for away in _BESIDE])) for side in (1.0, -1.0)]
    return replace(row, lean=(strengths[0] - strengths[1]) / (sum(strengths) + _NOTHING))


def _ripple(grey: NDArray[np.float32], row: LeadRow, away: float) -> float:
    """Amplitude in grey levels of what repeats at the row's pitch, on a line so many pitches beside it."""
    # Spots are numbered by their place, for some may be missing.
    number = np.round((row.points - row.points[0]) @ row.along / row.pitch)
    share = np.arange(_SAMPLES * int(number[-1])) / _SAMPLES
    places = np.stack([np.interp(share, number, row.points[:, axis]) for axis in (0, 1)], axis=1)
    places = (places + away * row.pitch * row.across).astype(np.float32)
    profile = cv2.remap(grey, places[:, :1], places[:, 1:], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE).ravel()
    wave = np.exp(-2j * np.pi * np.arange(len(profile)) / _SAMPLES)
    return float(2 * abs(np.mean((profile - profile.mean()) * wave)))


def _spots(grey: NDArray[np.float32], size: float) -> Corners:
    """Where the picture has bright spots of a size, shape (n, 2) as x, y; the strongest if there are too many."""
    step = max(1, int(size / 1.5))
    small = grey if step == 1 else cv2.resize(grey, None, fx=1 / step, fy=1 / step, interpolation=cv2.INTER_AREA)
    sigma = size / step
    response = cv2.GaussianBlur(small, (0, 0), sigma) - cv2.GaussianBlur(small, (0, 0), 1.9 * sigma)
    around = cv2.dilate(response, np.ones((3, 3), np.uint8), iterations=max(1, round(sigma)))
    rows, columns = np.nonzero((response >= around) & (response > _CONTRAST))
    if len(rows) > _MOST_SPOTS:
        best = np.argsort(-response[rows, columns], kind="stable")[:_MOST_SPOTS]
        rows, columns = rows[best], columns[best]
    return np.stack([columns, rows], axis=1).astype(np.float64) * step + (step - 1) / 2


def _rows(spots: Corners, size: float) -> list[LeadRow]:
    if len(spots) < _LEAST_LEADS:
        return []
    near = _Nearest(spots, 2 * size)
    first, second = _pairs(spots, size)
    vector = spots[second] - spots[first]
    starts = near.at(spots[first] - vector, _STRAY * np.linalg.norm(vector, axis=1)) < 0
    first, second, vector = first[starts], second[starts], vector[starts]
    chains = [first, second]
    alive = np.ones(len(first), bool)
    last, way = second, vector
    for _ in range(_MOST_LEADS):
        follow = near.at(spots[last] + way, _STRAY * np.linalg.norm(way, axis=1))
        follow[(follow == last) | ~alive] = -1
        alive = follow >= 0
        if not alive.any():
            break
        chains.append(follow)
        step = len(chains) - 1
        last = np.where(alive, follow, last)
        # The mean step so far: one spot a little off must not lead the row astray.
        way = np.where(alive[:, None], (spots[last] - spots[first]) / step, way)
    table = np.stack(chains, axis=1)
    lengths = (table >= 0).sum(axis=1)
    rows, taken = [], np.zeros(len(spots), bool)
    for k in np.argsort(-lengths, kind="stable"):
        members = table[k][table[k] >= 0]
        if lengths[k] < _LEAST_LEADS:
            break
        if taken[members].mean() > 0.3:
            continue
        taken[members] = True
        points = spots[members]
        rows.append(LeadRow(points, float(np.linalg.norm(points[-1] - points[0]) / (len(points) - 1))))
    return rows


def _pairs(spots: Corners, size: float) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return (i, j) of spots that could be neighbours in a row, each pair both ways."""
    order = np.argsort(spots[:, 0], kind="stable")
    ordered = spots[order]
    reach = _FARTHEST * size
    firsts, seconds, distances = [], [], []
    ends = np.searchsorted(ordered[:, 0], ordered[:, 0] + reach)
    for i, end in enumerate(ends):
        others = np.arange(i + 1, end)
        away = ordered[others] - ordered[i]
        length = np.hypot(away[:, 0], away[:, 1])
        fits = (length > _NEAREST * size) & (length < reach)
        firsts.append(np.full(int(fits.sum()), i))
        seconds.append(others[fits])
        distances.append(length[fits])
    if not firsts:
        return np.zeros(0, np.intp), np.zeros(0, np.intp)
    one, two = np.concatenate(firsts), np.concatenate(seconds)
    length = np.concatenate(distances)
    both = np.concatenate([one, two]), np.concatenate([two, one]), np.concatenate([length, length])
    # Only the nearest few of each spot.
    rank = np.lexsort((both[2], both[0]))
    one, two = both[0][rank], both[1][rank]
    position = np.arange(len(one)) - np.searchsorted(one, one)
    keep = position < _NEIGHBOURS
    return order[one[keep]], order[two[keep]]


class _Nearest:
    """Which spot stands nearest to a place: cells of a grid that remember the spots in them."""

    def __init__(self, spots: Corners, cell: float) -> None:
        self._spots, self._cell = spots, max(cell, 2.0)
        cells = (spots / self._cell).astype(int) + 1
        self._shape = cells.max(axis=0) + 2
        self._table = np.full((self._shape[0], self._shape[1]), -1, np.intp)
        self._table[cells[:, 0], cells[:, 1]] = np.arange(len(spots))

    def at(self, places: Corners, reach: NDArray[np.float64]) -> NDArray[np.intp]:
        """Return the index of the nearest spot within reach of each place, -1 where there is none."""
        cells = np.floor(places / self._cell).astype(int) + 1
        best = np.full(len(places), -1, np.intp)
        nearest = np.asarray(reach, np.float64).copy()
        for dx in (-1, 0, 1):
            for dy in (-1, 0, 1):
                x = np.clip(cells[:, 0] + dx, 0, self._shape[0] - 1)
                y = np.clip(cells[:, 1] + dy, 0, self._shape[1] - 1)
                spot = self._table[x, y]
                away = np.where(spot >= 0, np.linalg.norm(self._spots[spot] - places, axis=1), np.inf)
                closer = away < nearest
                best[closer], nearest[closer] = spot[closer], away[closer]
        return best


def _joined(rows: Sequence[LeadRow]) -> list[LeadRow]:
    """Join rows that go on behind a lead or two that were not seen."""
    left = sorted(rows, key=lambda row: -len(row.points))
    out: list[LeadRow] = []
    while left:
        row = left.pop(0)
        grown = True
        while grown:
            grown = False
            for other in left:
                longer = _continued(row, other)
                if longer is not None:
                    left.remove(other)
                    row, grown = longer, True
                    break
        out.append(row)
    return out


def _continued(row: LeadRow, other: LeadRow) -> LeadRow | None:
    """The two rows as one, None where the other is not the continuation of the first."""
    if not 1 / _SAME_PITCH < row.pitch / other.pitch < _SAME_PITCH:
        return None
    away = other.points - row.points[0]
    stray = np.abs(away @ row.across)
    if float(stray.max()) > 2 * _STRAY * row.pitch:
        return None
    along = away @ row.along
    length = float((row.points[-1] - row.points[0]) @ row.along)
    gap = max(float(along.min()) - length, -float(along.max()))
    steps = gap / row.pitch
    if not 0.5 < steps < _MISSED or abs(steps - round(steps)) > _STRAY:
        return None  # another chip's row begins anywhere, the same row's rest a whole number of pitches on
    points = np.vstack([row.points, other.points])
    points = points[np.argsort((points - row.points[0]) @ row.along, kind="stable")]
    whole = float(np.linalg.norm(points[-1] - points[0]))
    return LeadRow(points, whole / max(round(whole / row.pitch), 1))


def _distinct(rows: Sequence[LeadRow]) -> list[LeadRow]:
    """Drop rows that lie on one before them (the same leads seen at another size)."""
    if not rows:
        return []
    starts, ways = np.array([row.points[0] for row in rows]), np.array([row.along for row in rows])
    ends, pitches = np.array([row.points[-1] for row in rows]), np.array([row.pitch for row in rows])
    lengths = np.linalg.norm(ends - starts, axis=1)
    kept: list[int] = []
    for k, row in enumerate(rows):
        away = row.points.mean(axis=0) - starts[kept]
        along = (away * ways[kept]).sum(axis=1)
        across = np.abs(away[:, 0] * ways[kept, 1] - away[:, 1] * ways[kept, 0])
        alike = np.abs(ways[kept] @ ways[k]) > 0.95
        beside = (along > -pitches[kept]) & (along < lengths[kept] + pitches[kept])
        if not (alike & beside & (across < 0.6 * pitches[kept])).any():
            kept.append(k)
    return [rows[k] for k in kept]
