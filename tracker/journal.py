"""The journal: what was said and done, each entry chained to the one before.

The recipe, so that anyone can check it by hand:

1. An entry has the seven values `id` (1, 2, 3 ... without gaps), `at` (UTC, RFC 3339 with microseconds and `Z`),
   `operator`, `act`, `subject`, `body` (text: the canonical JSON, RFC 8785, of what was said) and `previous_hash`.
2. `previous_hash` is the `hash` of the entry before; for entry 1 it is 64 zeros.
3. `hash` is the SHA-256, in lower-case hexadecimal, of the UTF-8 bytes of the canonical JSON (RFC 8785) of the object
   with exactly these seven members; `id` is a number, the others are strings (`body` is the text itself, not parsed).
4. `body.rows` names, for each table, the rows the entry wrote: `count`; `sha256` of the canonical JSON of the list of
   the rows in order of id, each an object of all its columns (dates as YYYY-MM-DD, empty as null); and `each`, from the
   row's id to the first eight characters of the SHA-256 of that one row's canonical JSON, which serves to name the row
   that differs. `body.files` names the evidence the entry kept, from SHA-256 to size in bytes.

5. An entry may be signed: `signing_key` names the key, `signature` is Ed25519 (RFC 8032) over the UTF-8 text
   `lotproof journal entry HASH`, both in hexadecimal. The first entry a key signs announces it in `body.key`, with the
   public key; a key's name is the beginning of the SHA-256 of that key's 32 bytes.
6. `at` never goes back by more than a minute without the entry saying so in `body.clock_behind_s`.
7. `body.program` is the version of the program that wrote the entry; the oldest entries have none.

RFC 8785 of an object whose members are strings and whole numbers is what Python's
`json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False)` gives, so hashlib and json suffice.
"""

import hashlib
import json
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Any, Protocol

from sqlalchemy import Connection, RowMapping, Table, select
from sqlalchemy.orm import Session

from tracker.canonical import canonical, row_texts
from tracker.records import bulk
from tracker.records.models import Base, JournalEntry
from tracker.signing import Signature

FIRST_PREVIOUS = "0" * 64
_MARK = 8
PROGRAM = "program"
"""In an entry's body: the version of the program that wrote it. Entries from before it was written have none."""
CLOCK_SLACK_S = 60
"""Clocks of two benches may differ by so much without a word; common practice, no source."""


@dataclass(frozen=True, slots=True)
class Head:
    """The newest entry; who notes it down elsewhere can later prove that nothing before it was changed."""

    entry: int
    hash: str


def entry_hash(*, id: int, at: str, operator: str, act: str, subject: str, body: str, previous_hash: str) -> str:
    """Return the hash of an entry by the recipe above."""
    members = {
        "id": id,
        "at": at,
        "operator": operator,
        "act": act,
        "subject": subject,
        "body": body,
        "previous_hash": previous_hash,
    }
    return hashlib.sha256(canonical(members).encode("utf-8")).hexdigest()


def head(session: Session) -> Head:
    """Return the newest entry's number and hash; entry 0 and 64 zeros when there is none."""
    newest = session.execute(
        select(JournalEntry.id, JournalEntry.hash).order_by(JournalEntry.id.desc()).limit(1)
    ).first()
    return Head(0, FIRST_PREVIOUS) if newest is None else Head(newest.id, newest.hash)


def holds(records: Session | Connection, earlier: Head) -> bool:
    """Tell whether an entry is one of this journal: all before it is then as it was when that head was noted."""
    if earlier.entry == 0:
        return earlier.hash == FIRST_PREVIOUS
    found = records.scalar(select(JournalEntry.hash).where(JournalEntry.id == earlier.entry))
    return bool(found == earlier.hash)


def append(
    session: Session,
    *,
    operator: str,
    act: str,
    subject: str,
    body: dict[str, Any],
    at: datetime | None = None,
    sign: Callable[[str], Signature] | None = None,
) -> JournalEntry:
    """Add an entry to the chain; the caller holds the write lock.

    Parameters
    ----------
    at : datetime, optional
        Aware; now when not given.
    sign : callable, optional
        Gives the signature of a hash.
    """
    last = session.scalars(select(JournalEntry).order_by(JournalEntry.id.desc()).limit(1)).first()
    instant = (at or datetime.now(UTC)).astimezone(UTC)
    behind = 0.0 if last is None else behind_s(last.at, instant)
    if behind > CLOCK_SLACK_S:
        body = {**body, "clock_behind_s": round(behind)}
    values: dict[str, Any] = {
        "id": 1 if last is None else last.id + 1,
        "at": instant.isoformat(timespec="microseconds").replace("+00:00", "Z"),
        "operator": operator,
        "act": act,
        "subject": subject,
        "body": canonical(body),
        "previous_hash": FIRST_PREVIOUS if last is None else last.hash,
    }
    found = entry_hash(**values)
    signature = None if sign is None else sign(found)
    entry = JournalEntry(
        **values,
        hash=found,
        signing_key=None if signature is None else signature.key,
        signature=None if signature is None else signature.signature,
    )
    session.add(entry)
    session.flush()
    return entry


def behind_s(earlier: str, now: datetime) -> float:
    """Return by how many seconds `now` lies before an instant as entries spell it; 0 where that cannot be read."""
    try:
        return (datetime.fromisoformat(earlier) - now).total_seconds()
    except (ValueError, TypeError):
        return 0.0


class Entry(Protocol):
    """A journal entry, wherever it comes from: a row of the records, or a line of a bag."""

    @property
    def id(self) -> int: ...
    @property
    def at(self) -> str: ...
    @property
    def operator(self) -> str: ...
    @property
    def act(self) -> str: ...
    @property
    def subject(self) -> str: ...
    @property
    def body(self) -> str: ...
    @property
    def previous_hash(self) -> str: ...
    @property
    def hash(self) -> str: ...
    @property
    def signing_key(self) -> str | None: ...
    @property
    def signature(self) -> str | None: ...


def written_tables() -> list[Table]:
    """Return every table whose rows an entry writes, by name."""
    return sorted(
        (table for table in Base.metadata.tables.values() if "entry_id" in table.columns), key=lambda table: table.name
    )


def row_text(row: RowMapping) -> str:
    """Return the canonical JSON of one row: all its columns."""
    return canonical({str(name): _plain(value) for name, value in row.items()})


def _plain(value: Any) -> Any:
    return value.isoformat() if isinstance(value, date) else value


def rows_said(texts: dict[int, str]) -> dict[str, Any]:
    """Return what an entry says of the rows it wrote in one table; `texts` is canonical text by id, in order of id."""
    whole = "[" + ",".join(texts.values()) + "]"
    return {
        "count": len(texts),
        "sha256": hashlib.sha256(whole.encode("utf-8")).hexdigest(),
        "each": {str(number): row_mark(text) for number, text in texts.items()},
    }


def row_mark(text: str) -> str:
    """Return the short digest that serves to name a row that differs."""
    return hashlib.sha256(text.encode("utf-8")).hexdigest()[:_MARK]


def rows_written(session: Session, entry_id: int, tables: Iterable[str]) -> dict[str, Any]:
    """Return what entry `entry_id` has to say of its rows, read back from the database.

    Parameters
    ----------
    tables : iterable of str
        The tables it wrote to; nothing is asked of the others.
    """
    said: dict[str, Any] = {}
    for name in sorted(tables):
        table = Base.metadata.tables[name]
        texts: dict[int, str] = {}
        wanted = bulk.select_bare(table).where(table.c.entry_id == entry_id).order_by(table.c.id)
        for rows in bulk.blocks(session.connection(), wanted):
            texts.update(table_texts(table, rows))
        if texts:
            said[name] = rows_said(texts)
    return said


def table_texts(table: Table, rows: Sequence[Sequence[Any]]) -> dict[int, str]:
    """Return the canonical JSON by id of rows as `bulk.select_bare` gives them.

    Raises
    ------
    BadRequest
        When one of them holds what JSON has no form for.
    """
    names, columns = bulk.canonical_names(table), bulk.columns_read(table, rows)
    return dict(zip(columns[names.index("id")], row_texts(names, columns), strict=True)) if rows else {}


def program_of(entry: Entry) -> str | None:
    """Return the version of the program that wrote an entry; None of entries from before it was written."""
    program = body_of(entry).get(PROGRAM)
    return program if isinstance(program, str) else None


def body_of(entry: Entry) -> dict[str, Any]:
    """Return an entry's body parsed; empty when it is not an object any more."""
    try:
        body = json.loads(entry.body)
    except ValueError:
        return {}
    return body if isinstance(body, dict) else {}
