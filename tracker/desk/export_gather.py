"""Everything on record about one lot, word for word: rows, journal entries, and which files belong to it."""

import json
import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from typing import Any

from pydantic import ValidationError
from sqlalchemy import ColumnElement, Table, or_, select
from sqlalchemy.orm import Session

from tracker import journal
from tracker.dossier.bag.records import TABLES, EntrySaid, faults, table
from tracker.errors import Damaged
from tracker.records.models import JournalEntry, Lot

Rows = dict[str, tuple[dict[str, Any], ...]]
_FIRST = 1
_BATCH = 500


@dataclass(frozen=True, slots=True)
class Wanted:
    """One evidence file and what it is: `folder` of the bag it goes to, `kind` and the name it came with."""

    sha256: str
    folder: str
    kind: str
    name: str


@dataclass(frozen=True, slots=True)
class Whole:
    """Everything on record about one lot; `tables` hold plain JSON values, dates as text."""

    lot: str
    tables: Rows
    entries: tuple[EntrySaid, ...]
    head: journal.Head
    workshop_id: str
    keys: dict[str, str]
    files: tuple[Wanted, ...]


def gather(session: Session, lot: Lot) -> Whole:
    """Return everything on record about a lot."""
    tables: Rows = {name: _rows(session, table(name), lot) for name in TABLES}
    entries = _entries(session, lot, tables)
    return Whole(
        lot=lot.label,
        tables=tables,
        entries=entries,
        head=journal.head(session),
        workshop_id=workshop_id(session),
        keys=_keys(session, entries),
        files=tuple(lot_files(tables, entries)),
    )


def workshop_id(session: Session) -> str:
    """Return what tells this workshop from any other: the hash of its journal's first entry; zeros before it."""
    return session.scalar(select(JournalEntry.hash).where(JournalEntry.id == _FIRST)) or journal.FIRST_PREVIOUS


def _keys(session: Session, entries: tuple[EntrySaid, ...]) -> dict[str, str]:
    """Return the public half of every key that signed one of these entries; the first that a key signs announces it."""
    keys: dict[str, str] = {}
    for name in sorted({entry.signing_key for entry in entries if entry.signing_key}):
        first = select(JournalEntry.body).where(JournalEntry.signing_key == name).order_by(JournalEntry.id).limit(1)
        key = parsed(session.scalar(first) or "").get("key")
        public = key.get("public_key") if isinstance(key, dict) else None
        if isinstance(public, str) and re.fullmatch(r"[0-9a-f]{64}", public):
            keys[name] = public
    return keys


def _rows(session: Session, wanted: Table, lot: Lot) -> tuple[dict[str, Any], ...]:
    found = session.execute(select(wanted).where(_of_lot(wanted, lot)).order_by(wanted.c.id)).mappings()
    return tuple({str(name): _plain(value) for name, value in row.items()} for row in found)


def _plain(value: Any) -> Any:
    return value.isoformat() if isinstance(value, date) else value


def _of_lot(wanted: Table, lot: Lot) -> ColumnElement[bool]:
    """Return which rows of a table are about a lot; by subquery, since a query takes only so many names."""
    pieces = select(table("piece").c.id).where(table("piece").c.lot_id == lot.id)
    photos = select(table("photo").c.id).where(table("photo").c.lot_id == lot.id)
    columns = wanted.c
    if wanted.name == "seller":
        return columns.id == lot.seller_id
    if wanted.name == "lot":
        return columns.id == lot.id
    if wanted.name == "inspection":
        return columns.photo_id.in_(photos)
    if wanted.name == "finding":
        inspection = table("inspection")
        return columns.inspection_id.in_(select(inspection.c.id).where(inspection.c.photo_id.in_(photos)))
    if wanted.name == "bench_sample":
        run = table("bench_run")
        return columns.run_id.in_(select(run.c.id).where(run.c.piece_id.in_(pieces)))
    if wanted.name == "machine":
        fitted, tested = table("fitting").c, table("bench_run").c
        return columns.id.in_(select(fitted.machine_id).where(fitted.piece_id.in_(pieces))) | columns.id.in_(
            select(tested.machine_id).where(tested.piece_id.in_(pieces))
        )
    return columns.lot_id == lot.id if "lot_id" in columns else columns.piece_id.in_(pieces)


def _entries(session: Session, lot: Lot, tables: Rows) -> tuple[EntrySaid, ...]:
    """Return the entries that wrote any of these rows or are about the lot or a piece of it, oldest first."""
    wrote = {row["entry_id"] for rows in tables.values() for row in rows}
    # SQLite finds what begins so by the index with GLOB alone; a label holds nothing that it would take for a pattern.
    is_sqlite = session.connection().dialect.name == "sqlite"
    begins = JournalEntry.subject.op("GLOB", is_comparison=True)(f"{lot.label}-*")
    pieces = begins if is_sqlite else JournalEntry.subject.startswith(f"{lot.label}-", autoescape=True)
    subject = or_(JournalEntry.subject == lot.label, pieces)
    wrote |= set(session.scalars(select(JournalEntry.id).where(subject)))
    ids = sorted(wrote)
    batches = (ids[at : at + _BATCH] for at in range(0, len(ids), _BATCH))
    queries = (select(JournalEntry).where(JournalEntry.id.in_(batch)).order_by(JournalEntry.id) for batch in batches)
    return tuple(_said(entry) for query in queries for entry in session.scalars(query))


def _said(entry: JournalEntry) -> EntrySaid:
    try:
        return EntrySaid(
            id=entry.id,
            at=entry.at,
            operator=entry.operator,
            act=entry.act,
            subject=entry.subject,
            body=entry.body,
            previous_hash=entry.previous_hash,
            hash=entry.hash,
            signing_key=entry.signing_key,
            signature=entry.signature,
        )
    except ValidationError as error:
        raise Damaged(
            f"Journal entry {entry.id} cannot be read ({faults(error)}).", "Run `lotproof verify` for the whole list."
        ) from None


def lot_files(tables: Rows, entries: tuple[EntrySaid, ...]) -> Iterator[Wanted]:
    """Yield every evidence file of the lot once."""
    seen: set[str] = set()
    for one in _all_files(tables, entries):
        if one.sha256 not in seen:
            seen.add(one.sha256)
            yield one


def _all_files(tables: Rows, entries: tuple[EntrySaid, ...]) -> Iterator[Wanted]:
    photos = {row["id"]: row for row in tables["photo"]}
    for row in tables["photo"]:
        yield Wanted(row["sha256"], "photos", row["role"], row["name"])
    for row in tables["document"]:
        yield Wanted(row["sha256"], "documents", row["kind"], row["name"])
    for row in tables["inspection"]:
        if row["overlay_sha256"]:
            stem = str(photos[row["photo_id"]]["name"]).rpartition(".")[0] or "photo"
            yield Wanted(row["overlay_sha256"], "annotated", "annotated", f"{stem}.jpg")
    kept = {entry.id: files_in(entry.body) for entry in entries}
    for name, rows in tables.items():
        for row in rows:
            for column, value in row.items():
                # Whatever else names a file that its own entry kept.
                if column.endswith("sha256") and value in kept.get(row["entry_id"], ()):
                    yield Wanted(value, "documents", name, f"{name}-{row['id']}")
    for row in tables["bench_run"]:
        # An act may keep a file for another piece as well; the run's own result says which is its.
        for sha256 in kept.get(row["entry_id"], ()):
            if sha256 in row["result"]:
                yield Wanted(sha256, "bench", row["label"], table_name(row["result"]))


def table_name(result: str) -> str:
    """Return the name of the table or dump a run was read from."""
    named = parsed(result).get("table")
    name = named.get("name") if isinstance(named, dict) else None
    return str(name) if name else "table.csv"


def files_in(body: str) -> tuple[str, ...]:
    """Return the digests of the files that an entry's body says it kept."""
    files = parsed(body).get("files")
    return tuple(str(sha256) for sha256 in files) if isinstance(files, dict) else ()


def parsed(text: str) -> dict[str, Any]:
    """Return a text of JSON as an object; empty when it is none."""
    try:
        value = json.loads(text)
    except (ValueError, RecursionError):
        return {}
    return value if isinstance(value, dict) else {}
