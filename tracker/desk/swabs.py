"""The same piece before and after a swab."""

from collections.abc import Mapping, Sequence

from tracker.desk.companions import EarlierPhoto
from tracker.desk.inspect import Beside, Progress
from tracker.desk.same_chips import same_chips
from tracker.knowledge.lexicon import lexicon
from vision.compare import swab
from vision.crew import Crew
from vision.inspection import inspect as look
from vision.observations import Inspection, PieceView

SWAB_CODES = ("swab-mark-loss", "swab-surface-change")


def beside_of_swabs(
    after: Inspection,
    wanted: Mapping[tuple[int, int], str],
    before: Sequence[EarlierPhoto],
    progress: Progress | None = None,
    hands: Crew | None = None,
) -> dict[tuple[int, int], Beside]:
    """Compare pieces after a swab with themselves before it.

    Parameters
    ----------
    after : Inspection
    wanted : mapping
        Label of the piece by (photo index, chip index) in `after`.
    before : sequence of EarlierPhoto
        Oldest first; the newest view of a piece is compared.

    Returns
    -------
    dict
        By (photo index, chip index); a piece without an earlier view is left out.
    """
    views = _views_of(before, progress, hands)
    return {
        (photo, index): Beside(swab(views[label], after.photos[photo].pieces[index]), SWAB_CODES)
        for (photo, index), label in wanted.items()
        if label in views
    }


def _views_of(before: Sequence[EarlierPhoto], progress: Progress | None, hands: Crew | None) -> dict[str, PieceView]:
    if not before:
        return {}
    seen = look([photo.source for photo in before], lexicon=lexicon(), progress=progress, hands=hands)
    found: dict[str, PieceView] = {}
    for photo, view in zip(before, seen.photos, strict=True):
        now = same_chips(photo.outlines, [piece.outline for piece in view.pieces])
        found |= {chip.piece: view.pieces[now[chip.index]] for chip in photo.chips if chip.index in now}
    return found
