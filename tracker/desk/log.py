"""The journal as a person reads it."""

import json
from dataclasses import dataclass
from typing import Any

from sqlalchemy import func, or_, select

from tracker import journal
from tracker.desk.pieces import plain_label
from tracker.desk.workspace import Workspace
from tracker.errors import BadRequest
from tracker.records.models import Document, JournalEntry, Photo


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
        A label: entries about it, about a piece of it, or that name it.
    before : int, optional
        Only entries with a lower number; `found` counts the others as well.

    Raises
    ------
    BadRequest
        When the limit is below 1.
    """
    if limit is not None and limit < 1:
        raise BadRequest(f"The limit is {limit}.", "It must be at least 1.")
    query = select(JournalEntry)
    if subject is not None:
        label = plain_label(subject)
        query = query.where(
            or_(
                JournalEntry.subject == label,
                JournalEntry.subject.startswith(f"{label}-", autoescape=True),
                JournalEntry.body.contains(f'"{label}"', autoescape=True),
            )
        )
    with workspace.read() as session:
        found = session.scalar(select(func.count()).select_from(query.subquery())) or 0
        wanted = query if before is None else query.where(JournalEntry.id < before)
        newest = session.scalars(wanted.order_by(JournalEntry.id.desc()).limit(limit)).all()
    return Log(tuple(_logged(entry) for entry in reversed(newest)), found)


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
    if isinstance(value, dict):
        return " ".join(_plain(one) for one in value.values() if one is not None)
    if isinstance(value, list):
        shown = ", ".join(_plain(one) for one in value[:4])
        return shown if len(value) <= 4 else f"{shown} and {len(value) - 4} more"
    return f"{value:.4g}" if isinstance(value, float) else str(value)


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
