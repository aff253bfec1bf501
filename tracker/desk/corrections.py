"""The readings that a person corrected, as they hold now."""

import json
from collections.abc import Iterable
from dataclasses import dataclass

from sqlalchemy import ColumnElement, select
from sqlalchemy.orm import Session

from tracker.desk.contract import PieceDocument
from tracker.errors import Damaged
from tracker.records.models import Inspection, JournalEntry, Lot, Photo, ReadingCorrection

Chip = tuple[int, int, int]
"""(photo, chip of the photo, piece), ids and index."""


@dataclass(frozen=True, slots=True)
class Correction:
    """What a person says that a chip in a photo reads.

    Parameters
    ----------
    id : int
    chip : (int, int, int)
    photo : str
        Its name.
    lines : tuple of str
        Top to bottom; none where the reading was given back to the readers.
    remark : str or None
    at, operator : str
        When it was said, UTC, and by whom.
    """

    id: int
    chip: Chip
    photo: str
    lines: tuple[str, ...]
    remark: str | None
    at: str
    operator: str

    @property
    def marking(self) -> str:
        """The lines, joined by ' / '."""
        return " / ".join(self.lines)


@dataclass(frozen=True, slots=True)
class ByHand:
    """Who corrected a reading that is shown, when (UTC) and on what it rests; `as_read` is what the readers read."""

    photo: str
    operator: str
    at: str
    remark: str | None
    as_read: tuple[str, ...]


def by_hand(session: Session, inspection: Inspection, document: PieceDocument) -> ByHand | None:
    """Return who corrected the reading of an inspection; None where nobody did."""
    read = document.piece.as_read
    if read is None:
        return None
    chip = (inspection.photo_id, document.index, inspection.piece_id)
    said = _holding(_corrections(session, ReadingCorrection.piece_id == inspection.piece_id)).get(chip)
    if said is None:
        raise Damaged(
            f"Inspection {inspection.id} in the records is corrected by hand, and nobody's correction is there.",
            "Run `lotproof verify`.",
        )
    return ByHand(said.photo, said.operator, said.at, said.remark, tuple(line.text for line in read))


def corrections_of_lot(session: Session, lot: Lot) -> dict[Chip, Correction]:
    """Return the corrections that hold of a lot's photos, by the chip."""
    return _holding(_corrections(session, Photo.lot_id == lot.id))


def _holding(said: Iterable[Correction]) -> dict[Chip, Correction]:
    """Return the latest word of each chip; where that gave the reading back, nobody corrects it."""
    latest = {one.chip: one for one in said}
    return {chip: one for chip, one in latest.items() if one.lines}


def _corrections(session: Session, which: ColumnElement[bool]) -> list[Correction]:
    """Return what was ever said, oldest first."""
    rows = session.execute(
        select(ReadingCorrection, Photo.name, JournalEntry.at, JournalEntry.operator)
        .join(Photo, Photo.id == ReadingCorrection.photo_id)
        # An act asks before its own entry is written.
        .outerjoin(JournalEntry, JournalEntry.id == ReadingCorrection.entry_id)
        .where(which)
        .order_by(ReadingCorrection.id)
    )
    return [
        Correction(
            row.id,
            (row.photo_id, row.chip, row.piece_id),
            name,
            lines_of(row),
            row.remark,
            at or "",
            operator or "",
        )
        for row, name, at, operator in rows
    ]


def lines_of(row: ReadingCorrection) -> tuple[str, ...]:
    """Return the lines of a correction.

    Raises
    ------
    Damaged
        When they cannot be read any more.
    """
    try:
        lines = json.loads(row.lines)
    except (ValueError, RecursionError):
        lines = None
    if not isinstance(lines, list) or not all(isinstance(line, str) for line in lines):
        raise Damaged(f"The corrected reading {row.id} in the records cannot be read.", "Run `lotproof verify`.")
    return tuple(lines)
