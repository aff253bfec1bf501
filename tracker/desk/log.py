"""The journal as a person reads it."""

import json
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import func, or_, select, union
from sqlalchemy.orm import Session

from tracker import journal
from tracker.desk.pieces import MANY, plain_label
from tracker.desk.workspace import Workspace
from tracker.errors import BadRequest
from tracker.records.models import BenchRun, Document, JournalEntry, Lot, Machine, Photo, Piece


@dataclass(frozen=True, slots=True)
class Logged:
    """One entry: who did what, when (UTC), about which label.

    `said` is what was said, as JSON text; `rows` counts the rows it wrote by table; `files` counts the evidence kept.
    `program` is the version of the program that wrote it, None of the oldest entries.
    """

    entry: int
    at: str
    operator: str
    act: str
    subject: str
    said: str
    rows: tuple[tuple[str, int], ...]
    files: int
    hash: str
    program: str | None = None


@dataclass(frozen=True, slots=True)
class Log:
    """Entries, the newest last, and how many matched before the limit."""

    entries: tuple[Logged, ...]
    found: int


def read_log(
    workspace: Workspace, subject: str | None = None, *, limit: int | None = None, before: int | None = None
) -> Log:
    """Return the journal's newest entries.

    Parameters
    ----------
    subject : str, optional
        A label: entries about it, about a piece of it, or that wrote something of it.
    before : int, optional
        Only entries with a lower number; `found` counts the others as well.

    Raises
    ------
    BadRequest
        When the limit is below 1.
    """
    if limit is not None and limit < 1:
        raise BadRequest(f"The limit is {limit}.", "It must be at least 1.")
    with workspace.read() as session:
        if subject is not None:
            about = entries_about(session, subject)
            numbers = [one for one in about if before is None or one < before]
            return Log(_told(session, numbers if limit is None else numbers[-limit:]), len(about))
        query = select(JournalEntry).order_by(JournalEntry.id.desc()).limit(limit)
        found = session.scalar(select(func.count()).select_from(JournalEntry)) or 0
        newest = session.scalars(query if before is None else query.where(JournalEntry.id < before)).all()
    return Log(tuple(_logged(entry) for entry in reversed(newest)), found)


def entries_about(session: Session, subject: str) -> list[int]:
    """Return the numbers of the entries that are about what a label names, or a piece of it, or wrote something of it.

    Nobody reads through the journal for it: rows name the entries that wrote them.
    """
    label = plain_label(subject)
    kind = next((kind for form, kind in _FORMS if form.fullmatch(label)), None)
    if kind is None:
        named = or_(
            JournalEntry.subject == label,
            JournalEntry.subject.startswith(f"{label}-", autoescape=True),
            JournalEntry.body.contains(f'"{label}"', autoescape=True),
        )
        return list(session.scalars(select(JournalEntry.id).where(named).order_by(JournalEntry.id)))
    asked = [select(JournalEntry.id).where(JournalEntry.subject == label)]
    number = session.scalar(select(kind.id).where(kind.label == label))
    if number is not None:
        asked += _of_rows(kind, number)
    return sorted(session.scalars(union(*asked)))


def _of_rows(kind: Any, number: int) -> Iterator[Any]:
    """Yield the questions for the entries that wrote something of a lot, piece, machine or run."""
    if kind is not Piece:  # a piece came with its lot, and nothing was said of it then
        yield select(kind.entry_id).where(kind.id == number)
    for name, of in (("lot_id", Lot), ("piece_id", Piece), ("machine_id", Machine)):
        tables = [table for table in journal.written_tables() if name in table.columns and table.name != "piece"]
        if of is kind:
            yield from (select(table.c.entry_id).where(table.c[name] == number) for table in tables)
        elif of is Piece and kind is Lot:
            pieces = select(Piece.id).where(Piece.lot_id == number)
            yield from (select(table.c.entry_id).where(table.c[name].in_(pieces)) for table in tables)
            labels = select(Piece.label).where(Piece.lot_id == number)
            yield select(JournalEntry.id).where(JournalEntry.subject.in_(labels))


_FORMS: tuple[tuple[re.Pattern[str], Any], ...] = (
    (re.compile(r"L[0-9]+-[0-9]+"), Piece),
    (re.compile(r"L[0-9]+"), Lot),
    (re.compile(r"M[0-9]+"), Machine),
    (re.compile(r"B[0-9]+"), BenchRun),
)


def _told(session: Session, numbers: Sequence[int]) -> tuple[Logged, ...]:
    found: list[JournalEntry] = []
    for start in range(0, len(numbers), MANY):
        some = numbers[start : start + MANY]
        found += session.scalars(select(JournalEntry).where(JournalEntry.id.in_(some)).order_by(JournalEntry.id))
    return tuple(_logged(entry) for entry in found)


def _logged(entry: JournalEntry) -> Logged:
    body = journal.body_of(entry)
    rows, files, program = body.pop("rows", {}), body.pop("files", {}), body.pop(journal.PROGRAM, None)
    return Logged(
        entry=entry.id,
        at=entry.at,
        operator=entry.operator,
        act=entry.act,
        subject=entry.subject,
        said=json.dumps(body, ensure_ascii=False),
        rows=tuple((name, _count(said)) for name, said in rows.items()) if isinstance(rows, dict) else (),
        files=len(files) if isinstance(files, dict) else 0,
        hash=entry.hash,
        program=program if isinstance(program, str) else None,
    )


def _count(said: Any) -> int:
    count = said.get("count") if isinstance(said, dict) else None
    return count if isinstance(count, int) else 0


_LONG = 120


def in_words(entry: Logged) -> str:
    """Return what was said in an entry as a line of words; long lists are cut, the JSON has them whole."""
    said = json.loads(entry.said)
    parts = [
        f"{name.replace('_', ' ')}: {_plain(value)}" for name, value in said.items() if value not in (None, [], {})
    ]
    if entry.files:
        parts.append("1 file kept" if entry.files == 1 else f"{entry.files} files kept")
    # A rule spelled out hides what was found by it.
    parts.sort(key=lambda part: len(part) > _LONG)
    return "; ".join(parts)


def _plain(value: object) -> str:
    if isinstance(value, dict) and "lot" in value and "part" in value:
        return f"{value['lot']} ({value.get('pieces')} of {value['part']} from {value.get('seller')})"
    if isinstance(value, dict) and value.keys() >= {"folder", "records", "evidence"}:
        return _place(value)
    if isinstance(value, dict) and value.keys() >= {"tables", "files", "head"}:
        return _carried(value)
    if isinstance(value, dict) and value.keys() >= {"name", "public_key", "bench"}:
        return f"{value['name']} of bench {value['bench']}"
    if isinstance(value, dict):
        return " ".join(_plain(one) for one in value.values() if one is not None)
    if isinstance(value, list):
        shown = ", ".join(_plain(one) for one in value[:4])
        return shown if len(value) <= 4 else f"{shown} and {len(value) - 4} more"
    return f"{value:.4g}" if isinstance(value, float) else str(value)


def _place(said: dict[str, Any]) -> str:
    """Return where a workspace lies: its folder, and its records and evidence where these are not in it."""
    folder = str(said["folder"])
    apart = [f"{name} in {said[name]}" for name in ("records", "evidence") if folder not in str(said[name])]
    return f"{folder} ({', '.join(apart)})" if apart else folder


def _carried(said: dict[str, Any]) -> str:
    """Return how much a move carried; its digests are in the JSON."""
    tables, head = said["tables"], said["head"]
    rows = sum(int(one.get("rows", 0)) for one in tables.values()) if isinstance(tables, dict) else 0
    entry = head.get("entry") if isinstance(head, dict) else None
    files = "1 file" if said["files"] == 1 else f"{said['files']} files"
    return f"{rows} rows and {files}, up to entry {entry}"


@dataclass(frozen=True, slots=True)
class JournalState:
    """The newest entry, by which the journal can be checked later, and how much there is to check.

    Parameters
    ----------
    head : Head
    at : str
        When it was written, UTC; '' for an empty journal.
    key : str or None
        Name of the key it is signed with.
    kept_bytes : int
        Of photos and documents.
    """

    head: journal.Head
    at: str
    key: str | None
    kept_bytes: int


def journal_state(workspace: Workspace) -> JournalState:
    """Return the state of the journal."""
    with workspace.read() as session:
        head = journal.head(session)
        newest = session.get(JournalEntry, head.entry)
        kept = sum(int(session.scalar(select(func.sum(table.size_bytes))) or 0) for table in (Photo, Document))
    at, key = ("", None) if newest is None else (newest.at, newest.signing_key)
    return JournalState(head, at, key, kept)
