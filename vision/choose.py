"""Which of many candidate outlines are kept: none that overlap, none between two chips, patches give way to their tops.

Bounds are common practice, no source: set while looking at rendered pictures and at photographs of boards.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from vision.evidence import Evidence
from vision.geometry import Corners, axis_box, box_overlap, quad_area, quad_overlap, quad_sides

_KEPT, _SURE, _PLAIN = 0.5, 0.8, 0.9
_LARGER, _LARGEST = 1.25, 7.0  # how many times a patch's area its top has
_COVERED = 0.7  # share of a side of the top along which leads are seen
_WITHIN = 0.85
_PART = 0.3  # least share of an outline that each of two chips in it covers
# Chips of one kind look equally large in one photo, but for perspective: what it may change (logarithm), how many there
# must be, and what they add to the odds of another one (logarithm).
_TWIN_SIZE, _TWINS, _TWIN_ODDS = 0.1, 3, 3.0


@dataclass(frozen=True, slots=True, eq=False)
class Candidate:
    """An outline in working pixels, shape (4, 2), and what is known of it."""

    corners: Corners
    evidence: Evidence

    @property
    def score(self) -> float:
        """Probability that it is a top."""
        return self.evidence.score


def chosen(candidates: Sequence[Candidate]) -> list[Candidate]:
    """Return the candidates that are tops, best first.

    Parameters
    ----------
    candidates : sequence of Candidate
    """
    likely, twins = _with_twins(candidates)
    return _apart([c for c in likely if not _several(c, twins)])


def _apart(candidates: Sequence[Candidate]) -> list[Candidate]:
    """Greedily, best first; a row of leads belongs to one chip only."""
    ordered = sorted((c for c in candidates if c.score >= _KEPT), key=lambda c: -c.score)
    kept: list[Candidate] = []
    claimed: set[int] = set()
    beside: set[int] = set()
    for candidate in ordered:
        whole = _whole(candidate, ordered)
        rows = set(whole.evidence.rows)
        # Bare ground is told from a chip even by rows that others seem to have.
        taken = claimed if whole.evidence.on or whole.score >= _PLAIN else beside
        if (rows and rows <= taken) or any(clash(whole.corners, other.corners) for other in kept):
            continue
        claimed |= rows
        beside |= rows | set(whole.evidence.claims)
        kept.append(whole)
    return kept


def _whole(patch: Candidate, ordered: Sequence[Candidate]) -> Candidate:
    """Return the top around a candidate that is only a patch, label or window on it: no rows of leads of its own."""
    area = quad_area(patch.corners)
    for other in ordered:
        ratio = quad_area(other.corners) / area
        if other.score < _SURE or other.evidence.covered < _COVERED or not _LARGER < ratio < _LARGEST:
            continue
        own = set(patch.evidence.rows) - set(other.evidence.rows)
        if (own and patch.evidence.facing) or not set(patch.evidence.on) <= set(other.evidence.on):
            continue
        if quad_overlap(patch.corners, other.corners, of_smaller=True) > _WITHIN:
            return other
    return patch


def _with_twins(candidates: Sequence[Candidate]) -> tuple[list[Candidate], list[Candidate]]:
    """Raise the odds of candidates that are as large as several sure ones; return all, and those that now are kept."""
    sure = [c for c in _apart(candidates) if c.score >= _SURE]
    if len(sure) < _TWINS:
        return list(candidates), []
    sizes = np.array([_size(c) for c in sure])
    raised = [_likelier(c) if _like(c, sure, sizes) >= _TWINS else c for c in candidates]
    twins = [c for c, before in zip(raised, candidates, strict=True) if c is not before and c.score >= _KEPT]
    return raised, twins


def _several(candidate: Candidate, twins: Sequence[Candidate]) -> bool:
    """Whether two chips of a size seen elsewhere lie in an outline side by side: their rows were followed as one."""
    area = quad_area(candidate.corners)
    parts = [t for t in twins if _PART * area < quad_area(t.corners) < (1 - _PART) * area]
    parts = [t for t in parts if quad_overlap(t.corners, candidate.corners, of_smaller=True) > _WITHIN]
    return any(not clash(one.corners, other.corners) for one, other in combinations(parts, 2))


def _like(candidate: Candidate, sure: Sequence[Candidate], sizes: NDArray[np.float64]) -> int:
    alike = np.abs(sizes - _size(candidate)).max(axis=1) < _TWIN_SIZE
    return int(sum(alike[k] and other is not candidate for k, other in enumerate(sure)))


def _likelier(candidate: Candidate) -> Candidate:
    odds = candidate.score / max(1 - candidate.score, 1e-9) * np.exp(_TWIN_ODDS)
    return replace(candidate, evidence=replace(candidate.evidence, score=float(odds / (1 + odds))))


def _size(candidate: Candidate) -> NDArray[np.float64]:
    return np.asarray(np.log(np.sort(quad_sides(candidate.corners))))


def clash(one: Corners, other: Corners) -> bool:
    """Return whether two outlines cannot both be packages: they overlap, or one lies inside the other."""
    if box_overlap(axis_box(one), axis_box(other), of_smaller=True) < 0.3:
        return False
    return quad_overlap(one, other, of_smaller=True) > 0.3
