"""The document of one lot."""

from dataclasses import dataclass
from typing import Literal

from tracker.desk.documents.base import Document, members
from tracker.desk.lot_plans import LotOutlook
from tracker.desk.origin import Origin, Theirs
from tracker.desk.rows import LotRow, PieceRow
from tracker.desk.showing import File, LotShown


@dataclass(frozen=True, kw_only=True)
class LotDocument(LotRow, Document):
    """One lot: its row, its pieces and papers, and what is known of it as a whole."""

    schema: Literal["lotproof.lot/1"] = "lotproof.lot/1"
    remark: str | None
    pieces: tuple[PieceRow, ...]
    documents: tuple[File, ...]
    photos: tuple[File, ...]
    origin: Origin | None
    theirs: tuple[Theirs, ...]
    outlook: LotOutlook | None


def lot_document(shown: LotShown) -> LotDocument:
    """Return the document of one lot."""
    whole = members(shown)
    return LotDocument(**members(whole.pop("summary")), **whole)
