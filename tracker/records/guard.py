"""What every session refuses before it reaches a database: changed rows, and values only one database would take."""

import math

from sqlalchemy import Integer, String, event
from sqlalchemy.orm import Session

from tracker.errors import BadRequest
from tracker.records.models import JournalEntry, Written

_LARGEST = 2**31 - 1  # PostgreSQL's integer; SQLite's holds more, and both must refuse the same.


def stamp_new_rows(session: Session, entry_id: int) -> None:
    """Give every new row of `session` the journal entry that writes it, check it, and refuse changes to old rows."""

    @event.listens_for(session, "before_flush")
    def _before_flush(session: Session, *_: object) -> None:
        changed = [row for row in session.dirty if session.is_modified(row)]
        if changed or session.deleted:
            raise RuntimeError("rows are written once: add a new one that supersedes")
        for row in session.new:
            if isinstance(row, Written):
                row.entry_id = entry_id
            check_row(row)


def refuse_rows(session: Session) -> None:
    """Refuse every new, changed or deleted row of the records in `session`: it writes what follows from them alone."""

    @event.listens_for(session, "before_flush")
    def _before_flush(session: Session, *_: object) -> None:
        if session.new or session.dirty or session.deleted:
            raise RuntimeError("records are written in an act alone")


def check_row(row: object) -> None:
    """Refuse a row that one of the databases would take and another not.

    Raises
    ------
    BadRequest
        When a text is too long or holds characters that cannot be stored, or a number is out of range.
    """
    if not isinstance(row, Written | JournalEntry):
        raise TypeError(f"{type(row).__name__} is not one of our records")
    for column in type(row).__table__.columns:
        reason = _refused(getattr(row, column.key), column.type)
        if reason:
            name = f"{row.__tablename__} {column.key}".replace("_", " ")
            raise BadRequest(f"The {name} {reason}.", "Nothing was changed.")


def _refused(value: object, kind: object) -> str | None:
    if isinstance(value, str):
        limit = kind.length if isinstance(kind, String) else None
        if limit is not None and len(value) > limit:
            return f"is longer than {limit} characters"
        if "\0" in value or any(0xD800 <= ord(letter) <= 0xDFFF for letter in value):
            return "holds characters that are no text"
    elif isinstance(value, float) and not math.isfinite(value):
        return f"is {value}, not a number"
    elif type(kind) is Integer and isinstance(value, int) and abs(value) > _LARGEST:
        return "is too large a number"
    return None
