"""Every row against the entry that wrote it: edited, removed and added rows are each named."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from sqlalchemy import RowMapping, Table, select
from sqlalchemy.orm import Session

from tracker import journal
from tracker.errors import BadRequest
from tracker.records.models import JournalEntry


@dataclass(frozen=True, slots=True)
class RowFault:
    """One row, or the rows of one entry, that are not as the journal says."""

    code: str
    subject: str
    message: str


def check_rows(session: Session) -> Iterator[RowFault | int]:
    """Hold every row against the journal.

    Yields
    ------
    RowFault or int
        A fault, or a number of rows checked.
    """
    entries = set(session.scalars(select(JournalEntry.id)))
    for table in journal.written_tables():
        said = _said(session, table.name)
        for entry_id, rows in _by_entry(session, table):
            yield len(rows)
            if entry_id not in entries:
                yield _without_entry(table.name, len(rows), entry_id)
            elif entry_id not in said:
                yield from (_added(table.name, row, entry_id) for row in rows)
            else:
                yield from _compare(table.name, entry_id, rows, said.pop(entry_id))
        for entry_id, lost in said.items():
            yield from _compare(table.name, entry_id, {}, lost)


def _said(session: Session, table: str) -> dict[int, dict[str, Any]]:
    """Return what each entry says of its rows in one table."""
    said = {}
    query = select(JournalEntry).order_by(JournalEntry.id).execution_options(yield_per=500)
    for entry in session.scalars(query):
        rows = journal.body_of(entry).get("rows")
        of_table = rows.get(table) if isinstance(rows, dict) else None
        if isinstance(of_table, dict):
            said[entry.id] = of_table
    return said


def _by_entry(session: Session, table: Table) -> Iterator[tuple[int, dict[int, RowMapping]]]:
    """Yield the rows of a table entry by entry."""
    query = select(table).order_by(table.c.entry_id, table.c.id).execution_options(yield_per=500)
    current: int | None = None
    rows: dict[int, RowMapping] = {}
    for row in session.execute(query).mappings():
        if rows and row["entry_id"] != current:
            yield int(current or 0), rows
            rows = {}
        current = row["entry_id"]
        rows[row["id"]] = row
    if rows:
        yield int(current or 0), rows


def _compare(table: str, entry_id: int, rows: dict[int, RowMapping], said: dict[str, Any]) -> Iterator[RowFault]:
    texts = {number: _text(row) for number, row in rows.items()}
    if journal.rows_said(texts) == said:
        return
    marks = said.get("each")
    marks = marks if isinstance(marks, dict) else {}
    name = table.replace("_", " ")
    faults = []
    for mark in sorted(marks.keys() - {str(number) for number in texts}, key=_number):
        message = f"The {name} row {mark}, written by journal entry {entry_id}, was removed."
        faults.append(RowFault("row-removed", f"{name} row {mark}", message))
    for number, text in texts.items():
        if str(number) not in marks:
            faults.append(_added(table, number, entry_id))
        elif journal.row_mark(text) != marks[str(number)]:
            subject = _label(rows[number]) or f"{name} row {number}"
            message = f"The {name} row {number} ({subject}), written by journal entry {entry_id}, was edited."
            faults.append(RowFault("row-edited", subject, message))
    # The marks only help to name a row; where they agree and the whole does not, the whole decides.
    message = f"The {name} rows of journal entry {entry_id} are not what it wrote."
    yield from faults or [RowFault("rows-differ", f"entry {entry_id}", message)]


def _added(table: str, number: int, entry_id: int) -> RowFault:
    name = table.replace("_", " ")
    message = f"The {name} row {number} says journal entry {entry_id} wrote it, and that entry does not."
    return RowFault("row-added", f"{name} row {number}", message)


def _without_entry(table: str, count: int, entry_id: int) -> RowFault:
    name = table.replace("_", " ")
    rows = f"The {name} row" if count == 1 else f"The {count} {name} rows"
    message = f"{rows} of journal entry {entry_id} can be held against nothing: that entry is missing."
    return RowFault("entry-missing", f"entry {entry_id}", message)


def _text(row: RowMapping) -> str:
    try:
        return journal.row_text(row)
    except BadRequest:
        return "unreadable"  # an edited value that no JSON has a form for; it equals nothing that was written


def _label(row: RowMapping) -> str | None:
    label = row.get("label")
    return str(label) if label is not None else None


def _number(text: str) -> tuple[int, str]:
    return (int(text), text) if text.isdigit() else (0, text)
