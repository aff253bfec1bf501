"""Writing thousands of acts at once: rows in bulk, and for each act the journal entry that the desk would have written.

The desk takes the write lock, reads back its rows and syncs the disk for every act. `Scribe` leaves that out and keeps
what proof rests on: each entry holds the digests of its rows (`journal.rows_said`), is hashed by the recipe of
`tracker.journal` and signed as the desk signs, and every entry follows from the one before. `lotproof verify` finds
nothing to say about the result.
"""

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from json.encoder import encode_basestring as quoted
from typing import Any

from sqlalchemy import Connection, Date, Table, func, select, text
from sqlalchemy.orm import Session

from tracker import __version__, journal
from tracker.canonical import canonical, row_texts
from tracker.desk import keys
from tracker.desk.workspace import Workspace
from tracker.evidence import Kept
from tracker.records import session as sessions
from tracker.records.models import Base, JournalEntry, Written

AT_ONCE = 20_000
"""Rows kept in memory before they are written."""


@dataclass(frozen=True, slots=True)
class _Columns:
    """A table's columns in order, in the order of canonical JSON, and which hold dates."""

    names: tuple[str, ...]
    sorted: tuple[str, ...]
    dates: tuple[int, ...]

    @classmethod
    def of(cls, table: Table) -> "_Columns":
        names = tuple(column.name for column in table.columns)
        dates = tuple(at for at, column in enumerate(table.columns) if isinstance(column.type, Date))
        return cls(names, tuple(sorted(names)), dates)


class Scribe:
    """Writes acts into a new workspace; everything is there once the `with` block has ended, or nothing.

        with Scribe(workspace) as scribe:
            lot = scribe.add(Lot, label="L0001", ...)      # the row's id
            scribe.end("mira", "receive", "L0001", {"lots": [...]}, at)

    Parameters
    ----------
    large : bool
        For hundreds of thousands of acts: commits on the way, and makes the indexes at the end. When it is broken off,
        what is there is no workspace.

    Attributes
    ----------
    entries : int
        Journal entries written so far.
    """

    def __init__(self, workspace: Workspace, *, large: bool = False) -> None:
        self._workspace = workspace
        self._large = large and workspace._engine.dialect.name == "sqlite"
        self.entries = 0
        self._hash = journal.FIRST_PREVIOUS
        self._ids: dict[str, int] = {}
        self._columns = {table.name: _Columns.of(table) for table in Base.metadata.sorted_tables}
        self._waiting: dict[str, list[tuple[Any, ...]]] = {name: [] for name in self._columns}
        self._count = 0
        self._rows: dict[str, dict[int, str]] = {}
        self._files: dict[str, int] = {}
        self._indexes: list[str] = []

    def __enter__(self) -> "Scribe":
        if self._large:
            self._hasten()
        self._begin()
        with Session(bind=self._connection) as session:
            if journal.head(session).entry:
                raise ValueError("only a new workspace is filled at once")
            self._key = keys.of_workspace(session, self._workspace.url, first=True)
        return self

    def __exit__(self, kind: Any, error: Any, at: Any) -> None:
        if kind is None:
            self._flush()
            self._follow_ids()
            for statement in self._indexes:
                self._connection.exec_driver_sql(statement)
        self._transaction.__exit__(kind, error, at)
        if self._large:
            self._workspace._engine.dispose()
        if kind is None and self.entries:
            keys.remember(self._key.key.name, self._workspace.url, journal.Head(self.entries, self._hash))

    def _begin(self) -> None:
        self._transaction = sessions.write_transaction(self._workspace._engine)
        self._connection: Connection = self._transaction.__enter__()

    def _hasten(self) -> None:
        """Leave out what costs most while nobody else looks: syncing, looking up other rows, keeping indexes."""
        self._workspace._engine.dispose()
        with self._workspace._engine.connect() as connection:
            driver: Any = connection.connection.driver_connection
            for setting in ("query_only=OFF", "synchronous=OFF", "foreign_keys=OFF", "cache_size=-262144"):
                driver.execute(f"PRAGMA {setting}")
            own = "SELECT name, sql FROM sqlite_master WHERE type = 'index' AND sql IS NOT NULL"
            for name, statement in driver.execute(own).fetchall():
                driver.execute(f'DROP INDEX "{name}"')
                self._indexes.append(statement)

    def add(self, model: type[Written], **values: Any) -> int:
        """Add a row to the act under way and return its id; columns that are not named stay empty."""
        table = model.__tablename__
        columns = self._columns[table]
        number = self._ids[table] = self._ids.get(table, 0) + 1
        values["id"] = number
        values["entry_id"] = self.entries + 1
        found = values.get
        (told,) = row_texts(columns.sorted, [(found(name),) for name in columns.sorted])
        self._rows.setdefault(table, {})[number] = told
        self._waiting[table].append(tuple([found(name) for name in columns.names]))
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
        said = {name: journal.rows_said(rows) for name, rows in self._rows.items()}
        whole = {**body, journal.PROGRAM: __version__, "rows": said, "files": self._files}
        if self.entries == 0 and self._key.announce is not None:
            whole["key"] = self._key.announce
        self.entries += 1
        spoken = canonical(whole)
        instant = at.astimezone(UTC).isoformat(timespec="microseconds").replace("+00:00", "Z")
        # The seven members in the order of their names: what `journal.entry_hash` makes of them.
        members = (
            f'{{"act":{quoted(act)},"at":"{instant}","body":{quoted(spoken)},"id":{self.entries},'
            f'"operator":{quoted(operator)},"previous_hash":"{self._hash}","subject":{quoted(subject)}}}'
        )
        before, self._hash = self._hash, hashlib.sha256(members.encode("utf-8")).hexdigest()
        signed = self._key.key.sign(self._hash)
        row = (self.entries, instant, operator, act, subject, spoken, before, self._hash, signed.key, signed.signature)
        self._waiting[JournalEntry.__tablename__].append(row)
        self._count += 1
        self._rows, self._files = {}, {}
        if self._count >= AT_ONCE:
            self._flush()
            if self._large:
                self._transaction.__exit__(None, None, None)
                self._begin()

    def _flush(self) -> None:
        driver: Any = self._connection.connection.driver_connection
        postgres = self._connection.dialect.name == "postgresql"
        for name, rows in self._waiting.items():
            if rows:
                (_copied if postgres else _inserted)(driver, name, self._columns[name], rows)
                rows.clear()
        self._count = 0

    def _follow_ids(self) -> None:
        """PostgreSQL counts ids apart from the rows: let it go on after those that were given."""
        if self._connection.dialect.name != "postgresql":
            return
        for name in self._ids:
            highest = self._connection.scalar(select(func.max(Base.metadata.tables[name].c.id)))
            self._connection.execute(text(f"SELECT setval(pg_get_serial_sequence('{name}', 'id'), {highest})"))


def _inserted(driver: Any, table: str, columns: _Columns, rows: Sequence[tuple[Any, ...]]) -> None:
    given = ",".join(f'"{name}"' for name in columns.names)
    marks = ",".join("?" * len(columns.names))
    if columns.dates:
        rows = [tuple(one.isoformat() if isinstance(one, date) else one for one in row) for row in rows]
    driver.executemany(f'INSERT INTO "{table}" ({given}) VALUES ({marks})', rows)


def _copied(driver: Any, table: str, columns: _Columns, rows: Sequence[tuple[Any, ...]]) -> None:
    given = ",".join(f'"{name}"' for name in columns.names)
    with driver.cursor() as cursor, cursor.copy(f'COPY "{table}" ({given}) FROM STDIN') as copy:
        for row in rows:
            copy.write_row(row)
