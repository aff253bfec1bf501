"""Propose tops between two rows of leads, with edges looked for where the leads say they should be.

Bounds are common practice, no source, unless they name one: set while looking at rendered and real photographs.
"""

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.geometry import Corners, clockwise, meet, outward
from vision.lead_rows import LeadRow
from vision.proposals import Proposal

# Distance of the rows in pitches: from a narrow small outline (about 3) to a wide one (8); DIP have 3 and 6 (JEDEC
# MS-001, MS-011, MS-012, MS-013). Perspective and leads bent outwards widen and narrow it.
_NARROWEST, _WIDEST = 1.8, 9.5
_PARALLEL, _ALIKE_PITCH, _BESIDE = 0.985, 1.22, 0.5
# From the outermost lead's middle to the end of the body, in pitches: 0.25 to 0.75 for the outlines named above.
_OVERHANG = 0.5
_INWARD = 0.15  # sum of what both rows' leads stretch towards each other, above which no body lies between
_SEARCH = 0.6  # how far from there, in pitches, an edge is looked for
_STEPS = 25
_CORE, _LIKE = 0.8, 0.6
# Widths of bodies in pitches (6.35 and 13.7 mm over 2.54, JEDEC MS-001 and MS-011), how far they begin behind the
# middle of their leads, and how many leads and how much lean tell of them.
_BODIES, _SETBACK, _LEAST_ALONE, _LEAST_WIDE, _LEANS = (2.5, 5.4), 0.15, 5, 9, 0.15
# What the fit to a region would have said of a proposal that no region backs, and its votes.
_FILL, _VOTES = 0.96, 6.0


def from_rows(grey: NDArray[np.float32], rows: Sequence[LeadRow]) -> list[Proposal]:
    """Propose the tops between rows that face each other.

    Parameters
    ----------
    grey : ndarray of float32, shape (height, width)
    rows : sequence of LeadRow

    Returns
    -------
    list of Proposal
    """
    found: list[Proposal] = []
    for k, j in _facing(rows):
        corners = _edged(grey, _between(rows[k], rows[j]), rows[k].pitch)
        if corners is not None and not _astride(corners, rows, k, j):
            found.append(Proposal(corners, _FILL, _outline(corners), _VOTES, (k, j)))
    return found


def from_single_rows(rows: Sequence[LeadRow]) -> list[Proposal]:
    """Propose the tops that rows would have if the row across from them could not be seen.

    Parameters
    ----------
    rows : sequence of LeadRow

    Returns
    -------
    list of Proposal
        On the side that the leads stretch away from, or on both; of a narrow body and, at long rows, of a wide one.
    """
    found: list[Proposal] = []
    for k, row in enumerate(rows):
        if len(row.points) < _LEAST_ALONE:
            continue
        wide = _BODIES if len(row.points) >= _LEAST_WIDE else _BODIES[:1]
        over = _OVERHANG * row.pitch * row.along
        ends = row.points[0] - over, row.points[-1] + over
        for side in (1.0, -1.0):
            if row.lean * side > _LEANS:
                continue
            for body in wide:
                near, far = (side * row.pitch * away * row.across for away in (_SETBACK, _SETBACK + body))
                corners = clockwise(np.array([ends[0] + near, ends[1] + near, ends[1] + far, ends[0] + far]))
                found.append(Proposal(corners, _FILL, _outline(corners), 1.0, (k,)))
    return found


def stretching_out(rows: Sequence[LeadRow], pair: tuple[int, ...]) -> float:
    """Return how much the leads of two facing rows stretch away from each other, -2 to 2."""
    one, other = (rows[k] for k in pair)
    return -_into(one, other.points.mean(axis=0)) - _into(other, one.points.mean(axis=0))


def _astride(corners: Corners, rows: Sequence[LeadRow], k: int, j: int) -> bool:
    """Whether a third row like these two stands between them: then they belong to different chips."""
    centre = corners.mean(axis=0)
    core = (centre + _CORE * (corners - centre)).astype(np.float32)
    for i, row in enumerate(rows):
        x, y = row.points.mean(axis=0)
        alike = len(row.points) >= _LIKE * len(rows[k].points) and (
            1 / _ALIKE_PITCH < row.pitch / rows[k].pitch < _ALIKE_PITCH
        )
        if i not in (k, j) and alike and cv2.pointPolygonTest(core, (float(x), float(y)), False) > 0:
            return True
    return False


def _facing(rows: Sequence[LeadRow]) -> list[tuple[int, int]]:
    """Pairs of rows with one pitch that stand opposite each other, the nearest two partners of each."""
    pairs: list[tuple[int, int]] = []
    for k, one in enumerate(rows):
        partners = [(d, j) for j in range(k + 1, len(rows)) if (d := _distance(one, rows[j])) is not None]
        pairs += [(k, j) for _, j in sorted(partners)[:2]]
    return pairs


def _distance(one: LeadRow, other: LeadRow) -> float | None:
    """How far apart two rows stand in pitches, None where they do not face each other."""
    pitch = (one.pitch + other.pitch) / 2
    along = one.along
    if not 1 / _ALIKE_PITCH < one.pitch / other.pitch < _ALIKE_PITCH or abs(float(along @ other.along)) < _PARALLEL:
        return None
    away = other.points - one.points[0]
    across = float(np.abs(away[:, 0] * along[1] - away[:, 1] * along[0]).mean()) / pitch
    if not _NARROWEST < across < _WIDEST:
        return None
    mine, theirs = (one.points - one.points[0]) @ along, away @ along
    if stretching_out((one, other), (0, 1)) < -_INWARD:
        return None
    shared = min(mine.max(), theirs.max()) - max(mine.min(), theirs.min())
    return across if shared > _BESIDE * max(np.ptp(mine), np.ptp(theirs)) else None


def _into(row: LeadRow, place: Corners) -> float:
    """How much a row's leads stretch towards a place, -1 to 1: between two chips they do, from a body they do not."""
    return row.lean * float(np.sign((place - row.points[0]) @ row.across))


def _between(one: LeadRow, other: LeadRow) -> Corners:
    """The quadrilateral spanned by two rows, lengthened at both ends."""
    flip = float(one.along @ other.along) < 0
    far = other.points[::-1] if flip else other.points
    ends = []
    low = min(0.0, float((far[0] - one.points[0]) @ one.along))
    high = max(0.0, float((far[-1] - one.points[-1]) @ one.along))
    for points in (one.points, far):
        way = (points[-1] - points[0]) / (np.linalg.norm(points[-1] - points[0]) + 1e-9)
        # A lead that was missed in one row was seen in the other: both rows end together.
        start = float((points[0] - one.points[0]) @ one.along) - low
        end = high - float((points[-1] - one.points[-1]) @ one.along)
        ends.append(
            (points[0] - (start + _OVERHANG * one.pitch) * way, points[-1] + (end + _OVERHANG * one.pitch) * way)
        )
    return clockwise(np.array([ends[0][0], ends[0][1], ends[1][1], ends[1][0]]))


def _edged(grey: NDArray[np.float32], corners: Corners, pitch: float) -> Corners | None:
    """Move each side to the strongest rise of brightness from inside to outside near it."""
    centre = corners.mean(axis=0)
    moved = []
    for start, end in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        away = outward(start, end, centre)
        offsets = np.linspace(-_SEARCH, _SEARCH, _STEPS) * pitch
        along = np.linspace(0.12, 0.88, 96)[:, None] * (end - start) + start
        points = (along[None] + offsets[:, None, None] * away).astype(np.float32)
        profile = cv2.remap(grey, points[..., 0], points[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        level = cv2.GaussianBlur(np.median(profile, axis=1).reshape(-1, 1), (0, 0), 1.2).ravel()
        rise = np.abs(np.gradient(level)) * np.exp(-0.5 * (offsets / (0.5 * pitch)) ** 2)
        best = offsets[int(np.argmax(rise))]
        moved.append(np.array([start + best * away, end + best * away]))
    fitted = np.array([meet(moved[i - 1], moved[i]) for i in range(4)])
    return fitted if np.isfinite(fitted).all() and cv2.isContourConvex(fitted.astype(np.float32)) else None


def _outline(corners: Corners) -> Corners:
    """Points along the sides, as a region's contour would have them."""
    share = np.linspace(0, 1, 40, endpoint=False)[:, None]
    ends = np.roll(corners, -1, axis=0)
    return np.concatenate([a + share * (b - a) for a, b in zip(corners, ends, strict=True)])
