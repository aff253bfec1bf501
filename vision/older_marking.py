"""An older marking beside the present one, held against what siblings and exemplars show."""

from collections.abc import Sequence

import numpy as np

from vision.geometry import apply, as_quad
from vision.observations import Measure, Observation, PieceView, Surface
from vision.old_marks import OldMark
from vision.spread import LEAST_SIBLINGS
from vision.surface import old_mark

OLD_MARK_SLIGHT, OLD_MARK_CLEAR = 4, 6
"""Shapes in a row outside the print: three may be chance, six are not (common practice, no source). Where the siblings
show none at all, one less will do."""
FAINTEST_SOUGHT = 0.3
"""An old mark was looked for where one of this contrast would have been seen (common practice, no source)."""


def older_marking(
    k: int, views: Sequence[PieceView], exemplars: Sequence[PieceView], looked: set[str]
) -> list[Observation]:
    """Say that a row of faint characters stands here that siblings and exemplars do not show.

    Parameters
    ----------
    k : int
        Which of `views` is asked about.
    views, exemplars : sequence of PieceView
    looked : set of str
        Codes that were looked for; this one is added where it would have been seen.
    """
    mine = _old_characters(views[k])
    if mine is None:
        return []
    if _limit(views[k]) <= FAINTEST_SOUGHT:
        looked.add("surface-old-mark")
    others = [c for j, v in enumerate([*views, *exemplars]) if j != k and (c := _old_characters(v)) is not None]
    # What most of the others show as well is a logo or a moulded letter, not an old mark.
    usual = float(np.median(others)) if len(others) >= LEAST_SIBLINGS else 0.0
    alone = len(others) >= LEAST_SIBLINGS and max(others) <= 1
    if mine < OLD_MARK_SLIGHT - int(alone) or mine < 2 * usual:
        return []
    view = views[k]
    mark = old_mark(view.face, view.lines)
    place = mark.outline if isinstance(mark, OldMark) else None
    return [
        Observation(
            "surface-old-mark",
            "surface",
            f"Beside the marking the top shows {mine} faint shapes in a row, as large as characters, as an older "
            "marking leaves them.",
            float(mine),
            "1",
            usual,
            "clear" if mine >= OLD_MARK_CLEAR else "slight",
            as_quad(apply(view.face.to_photo, np.asarray(place))) if place else view.outline,
        )
    ]


def _limit(view: PieceView) -> float:
    """The contrast an old mark must have to be seen here."""
    mark = view.surface.old_mark if isinstance(view.surface, Surface) else None
    return mark.u if isinstance(mark, Measure) else float("inf")


def _old_characters(view: PieceView) -> int | None:
    """How many characters the old mark has, 0 for none; None where it could not be looked for."""
    if not isinstance(view.surface, Surface) or not isinstance(view.surface.old_mark, Measure):
        return None
    return view.surface.old_mark.n
