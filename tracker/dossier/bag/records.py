"""What `data/records.json` and `data/journal.jsonl` of a bag hold: rows as they stand in the records, word for word.

The models of the rows are made from the tables, so that a bag can hold what the records can and nothing else. A row is
kept whole, with its own numbers, so that its digest can be held against the journal entry that wrote it.
"""

import json
from collections.abc import Sequence
from datetime import date
from functools import cache
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, FailFast, Field, TypeAdapter, ValidationError, create_model
from sqlalchemy import Boolean, Column, Date, Float, Integer, String, Table

from tracker.records.models import Base

SCHEMA: Literal["lotproof.bag/1"] = "lotproof.bag/1"
REQUIRED = (
    "seller",
    "lot",
    "piece",
    "document",
    "photo",
    "inspection",
    "finding",
    "bench_run",
    "bench_sample",
    "decision",
    "settlement",
    "exemplar",
    "machine",
    "fitting",
)
"""The tables every bag has, empty or not."""
TABLES = tuple(
    table.name
    for table in Base.metadata.sorted_tables
    if table.name in REQUIRED or ("entry_id" in table.columns and {"lot_id", "piece_id"} & set(table.columns.keys()))
)
"""The tables a bag takes rows from: whatever says something of a lot or a piece comes along."""
LARGEST_RECORDS = 100_000_000
LARGEST_JOURNAL = 50_000_000
LARGEST_PROVENANCE = 50_000_000
"""Bytes; our own bounds: a lot of a thousand pieces comes to about ten million."""
_LONGEST_TEXT = 20_000_000
_HASH = r"^[0-9a-f]{64}$"
Hash = Annotated[str, Field(pattern=_HASH)]
KeyName = Annotated[str, Field(pattern=r"^[0-9a-f]{32}$")]
INSTANT = r"^[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}(\.[0-9]{1,6})?Z$"


class Strict(BaseModel):
    """Base: fixed once made, nothing in it that the schema does not name, no number that is none, nothing guessed."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False, strict=True)


class Versions(BaseModel):
    """What `data/records.json` says it is, read before anything else of it."""

    model_config = ConfigDict(frozen=True, extra="ignore")

    schema_: str | None = Field(default=None, alias="schema")
    records: str | None = None


class HeadSaid(Strict):
    """The journal's head when the bag was made."""

    entry: int = Field(ge=0)
    hash: Hash


class FileSaid(Strict):
    """One evidence file of the lot, and where it lies in the bag."""

    path: str = Field(max_length=300)
    sha256: Hash
    size_bytes: int = Field(ge=0)


class EntrySaid(Strict):
    """One journal entry, word for word.

    Its hash can be worked out again from the seven members before it; the signature is over the hash.
    """

    id: int = Field(ge=1)
    at: str = Field(pattern=INSTANT)
    operator: str = Field(max_length=200)
    act: str = Field(max_length=40)
    subject: str = Field(max_length=200)
    body: str
    previous_hash: Hash
    hash: Hash
    signing_key: KeyName | None = None
    signature: Annotated[str, Field(pattern=r"^[0-9a-f]{128}$")] | None = None


class Records(Strict):
    """`data/records.json`.

    Attributes
    ----------
    records : str
        The migration the rows are of.
    program : str
        Version of the program that wrote the bag.
    workshop_id : str
        Hash of the first entry of the workshop's journal: no two workshops have the same.
    keys : dict
        The public half of every key that signed an entry in the bag, by its name; the name is its digest.
    tables : dict
        Rows by table, in order of id; each is a dict of the table's columns.
    """

    schema_: Literal["lotproof.bag/1"] = Field(alias="schema")
    records: str = Field(max_length=20)
    program: str = Field(max_length=40)
    lot: str = Field(pattern=r"^L[0-9]{4,9}$")
    exported_at: str = Field(pattern=INSTANT)
    workshop_id: Hash
    head: HeadSaid
    keys: dict[KeyName, Hash]
    files: Annotated[tuple[FileSaid, ...], FailFast()]
    tables: dict[str, Annotated[tuple[dict[str, Any], ...], FailFast()]]


def rows_checked(table: str, rows: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return the rows of one table with dates as dates, each held against the table's columns.

    Raises
    ------
    ValidationError
        When a row is not one the table could hold.
    """
    made: list[Any] = _rows_of(table).validate_python(rows)
    return [one.model_dump() for one in made]


@cache
def _rows_of(table: str) -> TypeAdapter[Any]:
    columns: dict[str, Any] = {column.name: _field(column) for column in Base.metadata.tables[table].columns}
    row: Any = create_model(f"{table}_row", __base__=Strict, **columns)
    return TypeAdapter(Annotated[list[row], FailFast()])


def _field(column: Column[Any]) -> tuple[Any, Any]:
    kind: Any
    if isinstance(column.type, Boolean):
        kind = bool
    elif isinstance(column.type, Integer):
        kind = Annotated[int, Field(ge=-(2**53), le=2**53)]
    elif isinstance(column.type, Float):
        kind = float
    elif isinstance(column.type, Date):
        kind = Annotated[date, Field(strict=False)]
    elif isinstance(column.type, String):
        kind = Annotated[str, Field(max_length=column.type.length or _LONGEST_TEXT)]
    else:
        raise TypeError(f"a bag has no form for {column.type}")
    # A column that came with a later migration is missing in an older bag.
    return (kind | None, None) if column.nullable else (kind, ...)


def faults(error: ValidationError) -> str:
    """Return what is wrong, in one line: the first fault and how many more."""
    first = error.errors(include_url=False, include_input=False, include_context=False)[0]
    where = ".".join(str(part) for part in first["loc"][:6])
    text = "".join(letter if letter.isprintable() else "?" for letter in f"{where}: {first['msg']}")[:200]
    more = error.error_count() - 1
    return f"{text}, and {more} more" if more else text


def corrected_marking(lines: str) -> str:
    """Return the lines of a row of corrected readings, joined by ' / '; '' where they cannot be read or are none."""
    try:
        found = json.loads(lines)
    except (ValueError, RecursionError):
        return ""
    return " / ".join(map(str, found)) if isinstance(found, list) else ""


def table(name: str) -> Table:
    """Return one of our tables."""
    return Base.metadata.tables[name]
