"""Photos looked at one after another as they come, and judged as one lot each time."""

from collections.abc import Sequence
from datetime import UTC, date, datetime
from pathlib import Path

from tracker.desk.contract import InspectionDocument, PhotoInspected, PieceFound
from tracker.desk.inspect import judge
from tracker.judgement.marking import Claim
from tracker.knowledge.lexicon import lexicon
from vision.crew import Crew
from vision.inspection import PhotoSource, together
from vision.inspection import inspect as look
from vision.observations import PhotoView


class Sitting:
    """What was seen so far.

    Parameters
    ----------
    exemplars : sequence of Path
        Photos of known-good pieces to compare with.
    claimed : str, optional
        The part number the seller claims.
    today : date, optional
        No date code can be later; the current day where not given.
    hands : Crew, optional
        Who shares the work; this process alone where not given.
    """

    def __init__(
        self,
        *,
        exemplars: Sequence[Path] = (),
        claimed: str | None = None,
        today: date | None = None,
        hands: Crew | None = None,
    ) -> None:
        self._hands = hands
        self._claim = Claim(part=claimed)
        self._today = today or datetime.now(UTC).date()
        self._views: list[PhotoView] = []
        known_good = [PhotoSource(str(path)) for path in exemplars]
        seen = look([], exemplars=known_good, lexicon=lexicon(), hands=hands)
        self._exemplars = seen.exemplars
        self._shown: list[tuple[PieceFound, ...]] = []
        self.document = self._judged()

    def see(self, path: str, data: bytes | None = None) -> PhotoView:
        """Look at one more photo, by its bytes where they are at hand; `add` then makes it one of the lot's.

        Slow, and nothing is changed by it: it may be broken off.
        """
        return look([PhotoSource(path, data)], lexicon=lexicon(), hands=self._hands).photos[0]

    def add(self, view: PhotoView) -> PhotoInspected:
        """Add a photo that was seen and return what it shows beside the others."""
        self._views.append(view)
        self.document = self._judged()
        self._shown.append(self.document.photos[-1].pieces)
        return self.document.photos[-1]

    def add_unusable(self, path: str, error: str) -> PhotoInspected:
        """Take note of a photo that could not be used."""
        return self.add(PhotoView(path, "", 0, 0, error=error))

    def changed(self) -> list[tuple[int, int]]:
        """Return [photo index, piece index] of those of whom something else was found once later photos had come."""
        return [
            (p, k)
            for p, (photo, shown) in enumerate(zip(self.document.photos, self._shown, strict=True))
            for k, (now, then) in enumerate(zip(photo.pieces, shown, strict=True))
            if _said(now) != _said(then)
        ]

    def _judged(self) -> InspectionDocument:
        return judge(together(self._views, self._exemplars), self._claim, today=self._today)


def _said(piece: PieceFound) -> set[tuple[str, str]]:
    return {(finding.code, finding.strength) for finding in piece.findings}
