"""Many rows of one table at once: written by columns, and read back as the database holds them."""

from collections.abc import Iterator, Mapping, Sequence
from datetime import date
from typing import Any

from sqlalchemy import Boolean, Connection, Date, Select, Table, select, type_coerce
from sqlalchemy.exc import DBAPIError
from sqlalchemy.types import NULLTYPE

_MOST_VALUES = 900
"""Values in one statement; SQLite took 999 before version 3.32 (from memory)."""
BLOCK = 500
"""Rows read at once: few enough that they are gone before Python's collector looks for them (our own
choice)."""
_BOOLEANS = {0: False, 1: True}


def by_column(rows: Sequence[Mapping[str, Any]]) -> dict[str, list[Any]]:
    """Return rows that all have the same columns, as the values of each column."""
    return {name: [row[name] for row in rows] for name in (rows[0] if rows else ())}


def insert_columns(connection: Connection, table: Table, columns: Mapping[str, Sequence[Any]]) -> None:
    """Insert rows, given as the values of each column; the database numbers them in this order.

    Many rows to a statement: with our indices and keys, SQLite takes half the time it takes for one row to each.
    """
    dialect = connection.dialect
    prepared = []
    for name, values in columns.items():
        to_driver = table.c[name].type.dialect_impl(dialect).bind_processor(dialect)
        prepared.append(values if to_driver is None else list(map(to_driver, values)))
    quoted = dialect.identifier_preparer
    names = ", ".join(quoted.quote(name) for name in columns)
    mark = "?" if dialect.paramstyle == "qmark" else "%s"
    row = f"({', '.join([mark] * len(columns))})"
    step = max(1, _MOST_VALUES // len(columns))
    count = len(prepared[0])
    for first in range(0, count, step):
        values = tuple(
            value for row in zip(*(one[first : first + step] for one in prepared), strict=True) for value in row
        )
        rows = ", ".join([row] * (len(values) // len(columns)))
        connection.exec_driver_sql(f"INSERT INTO {quoted.format_table(table)} ({names}) VALUES {rows}", values)


def pour(connection: Connection, table: Table, rows: Sequence[Sequence[Any]]) -> None:
    """Insert rows as `select_bare` gives them, of whichever of our databases, with the keys they bring along.

    PostgreSQL is told by COPY, which takes a third of the time of INSERT (measured, with our indices and keys).
    """
    quoted = connection.dialect.identifier_preparer
    names = ", ".join(quoted.quote(name) for name in canonical_names(table))
    into = f"{quoted.format_table(table)} ({names})"
    told = list(zip(*_as_told(table, rows), strict=True))
    if connection.dialect.name != "postgresql":
        marks = ", ".join(["?"] * len(table.columns))
        connection.exec_driver_sql(f"INSERT INTO {into} VALUES ({marks})", told)
        return
    driver: Any = connection.dialect.loaded_dbapi
    try:
        with (
            connection.connection.cursor() as cursor,  # type: ignore[attr-defined]
            cursor.copy(f"COPY {into} FROM STDIN") as copy,
        ):
            for row in told:
                copy.write_row(row)
    except driver.Error as error:  # worded as SQLAlchemy words what it is told itself
        said = DBAPIError.instance("COPY", None, error, driver.Error, dialect=connection.dialect)
        raise said from error


def _as_told(table: Table, rows: Sequence[Sequence[Any]]) -> list[Sequence[Any]]:
    """Return rows by column, in values that every driver of ours takes: dates as text."""
    columns = columns_read(table, rows)
    for place, name in enumerate(canonical_names(table)):
        if isinstance(table.c[name].type, Date):
            columns[place] = [one.isoformat() if isinstance(one, date) else one for one in columns[place]]
    return columns


def canonical_names(table: Table) -> list[str]:
    """Return the names of a table's columns in the order in which canonical JSON writes them."""
    return sorted(column.name for column in table.columns)


def select_bare(table: Table) -> Select[Any]:
    """Return the question for all columns in `canonical_names`' order, as the driver gives them.

    Nothing is converted on the way: an edited value that no date or number can be made of is a value that differs.
    """
    bare: Any = [type_coerce(table.c[name], NULLTYPE).label(name) for name in canonical_names(table)]
    asked: Select[Any] = select(*bare)
    return asked


def columns_read(table: Table, rows: Sequence[Sequence[Any]]) -> list[Sequence[Any]]:
    """Return rows that `select_bare` gave, by column, with true and false where SQLite has 1 and 0."""
    columns: list[Sequence[Any]] = list(zip(*rows, strict=True))
    for place, name in enumerate(canonical_names(table) if rows else ()):
        if isinstance(table.c[name].type, Boolean):
            columns[place] = [_BOOLEANS.get(value, value) for value in columns[place]]
    return columns


def blocks(connection: Connection, query: Select[Any]) -> Iterator[Sequence[Any]]:
    """Yield what a question gives, `BLOCK` rows at a time, never more of it in memory."""
    with connection.execute(query.execution_options(stream_results=True)) as result:
        yield from result.partitions(BLOCK)
