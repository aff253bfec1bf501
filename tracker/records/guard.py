"""What every session refuses before it reaches a database: changed rows, and values only one database would take."""

import math
import re
from collections.abc import Mapping, Sequence
from typing import Any

from sqlalchemy import Column, Integer, String, Table, event
from sqlalchemy.orm import Session

from tracker.errors import BadRequest
from tracker.records.models import JournalEntry, Written

_HALVES = re.compile("[\ud800-\udfff]")  # of surrogate pairs: no characters by themselves
_LARGEST = 2**31 - 1  # PostgreSQL's integer; SQLite's holds more, and both must refuse the same.


def stamp_new_rows(session: Session, entry_id: int) -> set[str]:
    """Give every new row of `session` the journal entry that writes it, check it, and refuse changes to old rows.

    Returns
    -------
    set of str
        Names of the tables that rows were written to; it grows while the session writes.
    """
    wrote: set[str] = set()

    @event.listens_for(session, "before_flush")
    def _before_flush(session: Session, *_: object) -> None:
        changed = [row for row in session.dirty if session.is_modified(row)]
        if changed or session.deleted:
            raise RuntimeError("rows are written once: add a new one that supersedes")
        for row in session.new:
            if isinstance(row, Written):
                row.entry_id = entry_id
                wrote.add(row.__tablename__)
            check_row(row)

    return wrote


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
        _refuse(row.__tablename__, column.name, _refused(getattr(row, column.key), column.type))


def check_columns(table: Table, columns: Mapping[str, Sequence[Any]]) -> None:
    """Refuse, as `check_row` does, what is to be written into many rows, given as the values of each column."""
    for name, values in columns.items():
        if not _harmless(values, table.c[name]):
            for value in values:
                _refuse(table.name, name, _refused(value, table.c[name].type))


def _harmless(values: Sequence[Any], column: Column[Any]) -> bool:
    """Tell at a glance that all values of a column can be written; False where each must be looked at."""
    kinds = set(map(type, values))
    if kinds == {int} and type(column.type) is Integer:
        return bool(max(map(abs, values)) <= _LARGEST)
    if kinds == {str} and isinstance(column.type, String):
        together = "".join(values)
        longest = max(map(len, values)) <= (column.type.length or math.inf)
        return longest and together.isascii() and "\0" not in together
    return False


def _refuse(table: str, column: str, reason: str | None) -> None:
    if reason:
        name = f"{table} {column}".replace("_", " ")
        raise BadRequest(f"The {name} {reason}.", "Nothing was changed.")


def _refused(value: object, kind: object) -> str | None:
    if isinstance(value, str):
        limit = kind.length if isinstance(kind, String) else None
        if limit is not None and len(value) > limit:
            return f"is longer than {limit} characters"
        if "\0" in value or (not value.isascii() and _HALVES.search(value)):
            return "holds characters that are no text"
    elif isinstance(value, float) and not math.isfinite(value):
        return f"is {value}, not a number"
    elif type(kind) is Integer and isinstance(value, int) and abs(value) > _LARGEST:
        return "is too large a number"
    return None
