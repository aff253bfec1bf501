"""Workspaces as older programs left them: the rows of a workshop of today, in the tables and columns of then.

At a revision the migrations up to it are run, and rows go in up to the first act that needs a table of later; the
journal is chained and signed anew over what went in, as the program of that time would have done.
"""

import json
from collections.abc import Mapping
from typing import Any

from sqlalchemy import Connection, Engine, MetaData, Table, func, insert, select, text

from tracker import journal
from tracker.records.schema import upgrade
from tracker.records.session import read_transaction, write_transaction
from tracker.signing import SigningKey

Rows = Mapping[str, list[dict[str, Any]]]


def rows_of(engine: Engine) -> Rows:
    """Return every row that an act wrote, by table, and the journal's."""
    with read_transaction(engine) as connection:
        return {
            table.name: [dict(row) for row in connection.execute(select(table).order_by(table.c.id)).mappings()]
            for table in _tables(connection)
        }


def write_at(engine: Engine, revision: str, rows: Rows) -> None:
    """Set up an empty database at a revision and fill it."""
    with write_transaction(engine) as connection:
        upgrade(connection, revision)
        tables = {table.name: table for table in _tables(connection)}
        entries = tables.pop("journal_entry")
        later = [
            row["entry_id"] for name, there in rows.items() if name not in (*tables, entries.name) for row in there
        ]
        first = min(later, default=2**31)
        said: dict[int, dict[str, Any]] = {}
        for name, table in tables.items():
            columns = {column.name for column in table.columns}
            old = [row for row in rows[name] if row["entry_id"] < first]
            kept = [{key: value for key, value in row.items() if key in columns} for row in old]
            if kept:
                connection.execute(insert(table), kept)
            for row in connection.execute(select(table).order_by(table.c.id)).mappings():
                said.setdefault(row["entry_id"], {}).setdefault(name, {})[row["id"]] = journal.row_text(row)
        _write_journal(connection, entries, [row for row in rows[entries.name] if row["id"] < first], said)
        if connection.dialect.name == "postgresql":
            for table in tables.values():
                highest = connection.scalar(select(func.max(table.c.id))) or 1
                connection.execute(text(f"SELECT setval(pg_get_serial_sequence('{table.name}', 'id'), {highest})"))


def _tables(connection: Connection) -> list[Table]:
    """Return the tables there are whose rows an act writes, and the journal, in order of their keys."""
    found = MetaData()
    found.reflect(connection)
    return [table for table in found.sorted_tables if table.name == "journal_entry" or "entry_id" in table.columns]


def _write_journal(
    connection: Connection, table: Table, entries: list[dict[str, Any]], said: Mapping[int, Mapping[str, Any]]
) -> None:
    key = SigningKey.new() if "signature" in table.columns else None
    previous = journal.FIRST_PREVIOUS
    for entry in entries:
        body = {name: value for name, value in json.loads(entry["body"]).items() if name not in ("key", "program")}
        body["rows"] = {name: journal.rows_said(texts) for name, texts in said.get(entry["id"], {}).items()}
        if key is not None and previous == journal.FIRST_PREVIOUS:
            body["key"] = {"name": key.name, "public_key": key.public_key, "bench": "of then"}
        names = ("id", "at", "operator", "act", "subject")
        values = {**{name: entry[name] for name in names}, "body": journal.canonical(body), "previous_hash": previous}
        previous = journal.entry_hash(**values)
        signed = {}
        if key is not None:
            signature = key.sign(previous)
            signed = {"signing_key": signature.key, "signature": signature.signature}
        connection.execute(insert(table).values(**values, hash=previous, **signed))
