"""The rows of a workspace carried into another database, and digests that show that none was lost or changed.

What is written once (the journal, and every table whose rows name an entry) comes in order of its keys, some thousand
rows a transaction; so a copy that was broken off is the beginning of the whole, and goes on where it stopped. Tables
that are worked out from others may change, and come last, each at once. A table added later comes along by itself.
"""

import hashlib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, Engine, Integer, Table, delete, func, select, text, tuple_
from sqlalchemy.orm import Session

from tracker import journal
from tracker.canonical import row_texts
from tracker.errors import Damaged
from tracker.records import (
    bulk,
    derived,  # noqa: F401  its tables are to be known here
)
from tracker.records.models import Base, JournalEntry
from tracker.records.session import read_transaction, write_transaction

AT_ONCE = 2000
"""Rows held in memory, and in one transaction; some megabytes where they hold whole documents; our own choice."""
Tell = Callable[[str, int, int], None]
"""Is told what goes on, how much of it is done, and how much there is."""


def quietly(_what: str, _done: int, _total: int) -> None:
    """Tell nobody."""


@dataclass(frozen=True, slots=True)
class TableSum:
    """What a table holds: how many rows, and the SHA-256 of their canonical texts, each with a line feed, by key."""

    rows: int
    sha256: str


def tables() -> tuple[Table, ...]:
    """Return every table in an order in which rows can be written: those that others point at come first."""
    return tuple(Base.metadata.sorted_tables)


def written_once(table: Table) -> bool:
    """Tell whether rows of a table never change once they are there."""
    return table is JournalEntry.__table__ or "entry_id" in table.columns


def copy_rows(source: Connection, target: Engine, tell: Tell) -> None:
    """Carry over what is not there yet.

    Parameters
    ----------
    source : Connection
        Sees one moment of the records.
    target : Engine
        Has our tables: empty, or the beginning of these.
    """
    counts = {table: _count(source, table) for table in tables()}
    done, total = 0, sum(counts.values())
    for table in tables():
        if not written_once(table):
            continue
        with read_transaction(target) as connection:
            there, last = _count(connection, table), _last(connection, table)
        done += there
        for rows in _pages(source, table, last):
            with write_transaction(target) as connection:
                bulk.pour(connection, table, rows)
            done += len(rows)
            tell("Copying records", done, total)
    for table in tables():
        if not written_once(table):
            _copy_anew(source, target, table)
    _follow_ids(target)


def _copy_anew(source: Connection, target: Engine, table: Table) -> None:
    with write_transaction(target) as connection:
        connection.execute(delete(table))
        for rows in _pages(source, table, None):
            bulk.pour(connection, table, rows)


def table_sums(connection: Connection, what: str, tell: Tell) -> dict[str, TableSum]:
    """Return what each table that is written once holds, read row by row; the others can be made from these anew."""
    looked_at = [table for table in tables() if written_once(table)]
    total, done, found = sum(_count(connection, table) for table in looked_at), 0, {}
    for table in looked_at:
        seen, rows = hashlib.sha256(), 0
        for page in _pages(connection, table, None):
            seen.update("".join(f"{line}\n" for line in texts(table, page)).encode())
            rows += len(page)
            tell(what, done + rows, total)
        done += rows
        found[table.name] = TableSum(rows, seen.hexdigest())
    return found


def texts(table: Table, rows: Sequence[Sequence[Any]]) -> list[str]:
    """Return the canonical text of each row that `bulk.select_bare` gave, as the journal's digests are made from it."""
    return row_texts(bulk.canonical_names(table), bulk.columns_read(table, rows))


def same(here: dict[str, TableSum], there: dict[str, TableSum], place: str) -> None:
    """Refuse a copy that is not what it was made from.

    Raises
    ------
    Damaged
        When a table differs; it is named.
    """
    for name in sorted(here.keys() | there.keys()):
        if here.get(name) != there.get(name):
            rows, copied = (0 if one is None else one.rows for one in (here.get(name), there.get(name)))
            raise Damaged(
                f"The table {name} in {place} is not what it should be (it has {copied} rows, for {rows}).",
                "It was not put to use. Remove the copy and begin again.",
            )


def begins_alike(source: Connection, target: Connection) -> bool:
    """Tell whether the journal at the target is empty or the beginning of the source's."""
    with Session(bind=target) as session:
        last = journal.head(session)
    return journal.holds(source, last)


def _count(connection: Connection, table: Table) -> int:
    return connection.scalar(select(func.count()).select_from(table)) or 0


def _last(connection: Connection, table: Table) -> Sequence[Any] | None:
    keys = list(table.primary_key.columns)
    found = connection.execute(select(*keys).order_by(*(key.desc() for key in keys)).limit(1)).first()
    return None if found is None else tuple(found)


def _pages(connection: Connection, table: Table, after: Sequence[Any] | None) -> Iterator[Sequence[Sequence[Any]]]:
    """Yield the rows behind a key, some at a time, in order of their keys, as `bulk.select_bare` gives them."""
    keys = list(table.primary_key.columns)
    places = [bulk.canonical_names(table).index(key.name) for key in keys]
    while True:
        query = bulk.select_bare(table).order_by(*keys).limit(AT_ONCE)
        if after is not None:
            query = query.where(keys[0] > after[0] if len(keys) == 1 else tuple_(*keys) > tuple_(*after))
        page = connection.execute(query).all()
        if page:
            yield page
        if len(page) < AT_ONCE:
            return
        after = [page[-1][place] for place in places]


def _follow_ids(target: Engine) -> None:
    """PostgreSQL counts ids apart from the rows: let it go on after those that were copied."""
    if target.dialect.name != "postgresql":
        return
    with write_transaction(target) as connection:
        for table in tables():
            key = table.autoincrement_column
            if key is None or not isinstance(key.type, Integer):
                continue
            named = connection.scalar(text(f"SELECT pg_get_serial_sequence('{table.name}', '{key.name}')"))
            highest = connection.scalar(select(func.max(key)))
            if named and highest:
                connection.execute(text("SELECT setval(CAST(:name AS regclass), :at)"), {"name": named, "at": highest})
        connection.execute(text("ANALYZE"))  # else questions are planned for empty tables, until it finds out itself
