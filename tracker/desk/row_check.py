"""Every row against the entry that wrote it: edited, removed and added rows are each named.

The rows of each table come in order of their entry, so journal and tables are read side by side, and no more of them is
in memory than a block of each table and the rows of one entry.
"""

import heapq
import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import Connection, Table
from sqlalchemy.orm import Session

from tracker import journal
from tracker.desk.fault import Fault
from tracker.desk.found import Found
from tracker.errors import BadRequest
from tracker.records import bulk

RUNG = "rows"
_NEVER = 2**62  # stands for an entry's number that is none
Texts = dict[int, str]


@dataclass(slots=True)
class _Table:
    """One table's rows in order of their entry: `entry` is that of the rows to come, None at the end."""

    name: str
    groups: Iterator[tuple[int, Texts]]
    entry: int | None = None
    texts: Texts = field(default_factory=dict)

    def step(self) -> None:
        """Go on to the rows of the next entry."""
        self.entry, self.texts = next(self.groups, (None, {}))


class RowCheck:
    """Holds the rows of all tables against the journal, entry by entry in order.

    Parameters
    ----------
    after : int
        The entry up to which rows were checked before.

    Attributes
    ----------
    there, lost : dict of str to Found
        By table, what was found of rows that are there, and of entries none of whose rows is.
    """

    def __init__(self, session: Session, after: int = 0) -> None:
        connection = session.connection()
        self._tables = {
            table.name: _Table(table.name, _by_entry(connection, table, after)) for table in journal.written_tables()
        }
        self.there = {name: Found() for name in self._tables}
        self.lost = {name: Found() for name in self._tables}
        self._next: list[tuple[int, str]] = []
        for table in self._tables.values():
            self._step(table)

    def entry(self, number: int, body: Mapping[str, Any]) -> None:
        """Check the rows of the next entry, whose parsed body is `body`."""
        self._without_entry(number)
        rows = body.get("rows")
        said = dict(rows) if isinstance(rows, dict) else {}
        while self._next and self._next[0][0] == number:
            table = self._tables[heapq.heappop(self._next)[1]]
            found, of_table = self.there[table.name], said.pop(table.name, None)
            found.checked += len(table.texts)
            if isinstance(of_table, dict):
                found.take(_compare(table.name, number, table.texts, of_table))
            else:
                found.take(_added(table.name, row, number) for row in table.texts)
            self._step(table)
        for name, of_table in said.items():
            if isinstance(of_table, dict) and name in self._tables:
                self.lost[name].take(_compare(name, number, {}, of_table))

    def end(self) -> Found:
        """Return all that was found, in order of the tables, once the journal came to its end."""
        self._without_entry(_NEVER + 1)
        whole = Found()
        for name in self._tables:
            whole.add(self.there[name])
            whole.add(self.lost[name])
        return whole

    def _step(self, table: _Table) -> None:
        table.step()
        if table.entry is not None:
            heapq.heappush(self._next, (table.entry, table.name))

    def _without_entry(self, before: int) -> None:
        """Name the rows of entries that are missing, up to the entry that comes now."""
        while self._next and self._next[0][0] < before:
            number, name = heapq.heappop(self._next)
            table = self._tables[name]
            self.there[name].checked += len(table.texts)
            self.there[name].take([_entry_missing(name, len(table.texts), number)])
            self._step(table)


def _by_entry(connection: Connection, table: Table, after: int) -> Iterator[tuple[int, Texts]]:
    """Yield the rows of a table, as canonical text by id, entry by entry."""
    query = bulk.select_bare(table).order_by(table.c.entry_id, table.c.id)
    if after:
        query = query.where(table.c.entry_id > after)
    place = bulk.canonical_names(table).index("entry_id")
    texts: Texts = {}
    current = _NEVER
    for rows in bulk.blocks(connection, query):
        told = _texts(table, rows)
        for row, (number, text) in zip(rows, told, strict=True):
            entry = row[place] if type(row[place]) is int else _NEVER
            if entry != current and texts:
                yield current, texts
                texts = {}
            current = entry
            texts[number] = text
    if texts:
        yield current, texts


def _texts(table: Table, rows: Any) -> list[tuple[int, str]]:
    try:
        return list(journal.table_texts(table, rows).items())
    except BadRequest:
        place = bulk.canonical_names(table).index("id")
        return [(row[place], _alone(table, row)) for row in rows]


def _alone(table: Table, row: Any) -> str:
    try:
        return next(iter(journal.table_texts(table, [row]).values()))
    except BadRequest:
        return "unreadable"  # an edited value that no JSON has a form for; it equals nothing that was written


def _compare(table: str, entry_id: int, texts: Texts, said: Mapping[str, Any]) -> Iterator[Fault]:
    if journal.rows_said(texts) == said:
        return
    marks = said.get("each")
    marks = marks if isinstance(marks, dict) else {}
    name = table.replace("_", " ")
    faults = []
    for mark in sorted(marks.keys() - {str(number) for number in texts}, key=_number):
        message = f"The {name} row {mark}, written by journal entry {entry_id}, was removed."
        faults.append(Fault(RUNG, "row-removed", f"{name} row {mark}", message))
    for number, text in texts.items():
        if str(number) not in marks:
            faults.append(_added(table, number, entry_id))
        elif journal.row_mark(text) != marks[str(number)]:
            subject = _label(text) or f"{name} row {number}"
            message = f"The {name} row {number} ({subject}), written by journal entry {entry_id}, was edited."
            faults.append(Fault(RUNG, "row-edited", subject, message))
    # The marks only help to name a row; where they agree and the whole does not, the whole decides.
    message = f"The {name} rows of journal entry {entry_id} are not what it wrote."
    yield from faults or [Fault(RUNG, "rows-differ", f"entry {entry_id}", message)]


def _added(table: str, number: int, entry_id: int) -> Fault:
    name = table.replace("_", " ")
    message = f"The {name} row {number} says journal entry {entry_id} wrote it, and that entry does not."
    return Fault(RUNG, "row-added", f"{name} row {number}", message)


def _entry_missing(table: str, count: int, entry_id: int) -> Fault:
    name = table.replace("_", " ")
    rows = f"The {name} row" if count == 1 else f"The {count} {name} rows"
    message = f"{rows} of journal entry {entry_id} can be held against nothing: that entry is missing."
    return Fault(RUNG, "entry-missing", f"entry {entry_id}", message)


def _label(text: str) -> str | None:
    try:
        label = json.loads(text).get("label")
    except ValueError:
        return None
    return str(label) if label is not None else None


def _number(text: str) -> tuple[int, str]:
    return (int(text), text) if text.isdigit() else (0, text)
