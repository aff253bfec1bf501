"""Writing thousands of acts at once: rows in bulk, and for each act the journal entry that the desk would have written.

The desk takes the write lock, reads back its rows and syncs the disk for every act. `Scribe` leaves that out and keeps
what proof rests on: each entry holds the digests of its rows (`journal.rows_said`), hashes and signatures are made by
the functions of `tracker.journal` and `tracker.signing`, and every entry follows from the one before. `lotproof verify`
finds nothing to say about the result.
"""

from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import Connection, Table, func, insert, select, text
from sqlalchemy.orm import Session

from tracker import __version__, journal
from tracker.desk import keys
from tracker.desk.workspace import Workspace
from tracker.evidence import Kept
from tracker.records import session as sessions
from tracker.records.models import Base, JournalEntry, Written

AT_ONCE = 20_000
"""Rows kept in memory before they are written."""


class Scribe:
    """Writes acts into a new workspace; everything is there once the `with` block has ended, or nothing.

        with Scribe(workspace) as scribe:
            lot = scribe.add(Lot, label="L0001", ...)      # the row's id
            scribe.end("mira", "receive", "L0001", {"lots": [...]}, at)

    Attributes
    ----------
    entries : int
        Journal entries written so far.
    """

    def __init__(self, workspace: Workspace) -> None:
        self._workspace = workspace
        self.entries = 0
        self._hash = journal.FIRST_PREVIOUS
        self._ids: dict[str, int] = {}
        self._waiting: dict[Table, list[dict[str, Any]]] = {table: [] for table in Base.metadata.sorted_tables}
        self._count = 0
        self._rows: dict[str, list[dict[str, Any]]] = {}
        self._files: dict[str, int] = {}

    def __enter__(self) -> "Scribe":
        self._transaction = sessions.write_transaction(self._workspace._engine)
        self._connection: Connection = self._transaction.__enter__()
        with Session(bind=self._connection) as session:
            if journal.head(session).entry:
                raise ValueError("only a new workspace is filled at once")
            self._key = keys.of_workspace(session, self._workspace.url, first=True)
        return self

    def __exit__(self, kind: Any, error: Any, at: Any) -> None:
        if kind is None:
            self._flush()
            self._follow_ids()
        self._transaction.__exit__(kind, error, at)
        if kind is None and self.entries:
            keys.remember(self._key.key.name, self._workspace.url, journal.Head(self.entries, self._hash))

    def add(self, model: type[Written], **values: Any) -> int:
        """Add a row to the act under way and return its id; columns that are not named stay empty."""
        table = model.__table__
        number = self._ids[table.name] = self._ids.get(table.name, 0) + 1
        row = dict.fromkeys(_columns(table)) | values | {"id": number, "entry_id": self.entries + 1}
        self._rows.setdefault(table.name, []).append(row)
        self._waiting[table].append(row)
        self._count += 1
        return number

    def keep(self, data: bytes) -> Kept:
        """Keep a file as evidence of the act under way."""
        kept = self._workspace.store.keep(data)
        return self.keep_again(kept)

    def keep_again(self, kept: Kept) -> Kept:
        """Name a file that is kept already as evidence of the act under way, too."""
        self._files[kept.sha256] = kept.size_bytes
        return kept

    def end(self, operator: str, act: str, subject: str, body: Mapping[str, Any], at: datetime) -> None:
        """End the act under way: write the journal entry that holds it."""
        said = {
            name: journal.rows_said({row["id"]: journal.row_text(row) for row in rows})
            for name, rows in sorted(self._rows.items())
        }
        whole = {**body, journal.PROGRAM: __version__, "rows": said, "files": self._files}
        if self.entries == 0 and self._key.announce is not None:
            whole["key"] = self._key.announce
        self.entries += 1
        values = {
            "id": self.entries,
            "at": at.astimezone(UTC).isoformat(timespec="microseconds").replace("+00:00", "Z"),
            "operator": operator,
            "act": act,
            "subject": subject,
            "body": journal.canonical(whole),
            "previous_hash": self._hash,
        }
        self._hash = journal.entry_hash(**values)
        signed = self._key.key.sign(self._hash)
        self._waiting[JournalEntry.__table__].append(
            {**values, "hash": self._hash, "signing_key": signed.key, "signature": signed.signature}
        )
        self._rows, self._files = {}, {}
        if self._count >= AT_ONCE:
            self._flush()

    def _flush(self) -> None:
        for table, rows in self._waiting.items():
            if rows:
                self._connection.execute(insert(table), rows)
                rows.clear()
        self._count = 0

    def _follow_ids(self) -> None:
        """PostgreSQL counts ids apart from the rows: let it go on after those that were given."""
        if self._connection.dialect.name != "postgresql":
            return
        for name in self._ids:
            highest = self._connection.scalar(select(func.max(Base.metadata.tables[name].c.id)))
            self._connection.execute(text(f"SELECT setval(pg_get_serial_sequence('{name}', 'id'), {highest})"))


_COLUMNS: dict[str, tuple[str, ...]] = {}


def _columns(table: Table) -> tuple[str, ...]:
    if table.name not in _COLUMNS:
        _COLUMNS[table.name] = tuple(column.name for column in table.columns)
    return _COLUMNS[table.name]
