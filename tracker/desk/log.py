"""The journal as a person reads it."""

import json
from dataclasses import dataclass
from typing import Any

from sqlalchemy import func, or_, select

from tracker import journal
from tracker.desk.pieces import plain_label
from tracker.desk.workspace import Workspace
from tracker.errors import BadRequest
from tracker.records.models import JournalEntry


@dataclass(frozen=True, slots=True)
class Logged:
    """One entry: who did what, when (UTC), about which label.

    `said` is what was said, as JSON text; `rows` counts the rows it wrote by table; `files` counts the evidence kept.
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


@dataclass(frozen=True, slots=True)
class Log:
    """Entries, the newest last, and how many matched before the limit."""

    entries: tuple[Logged, ...]
    found: int


def read_log(workspace: Workspace, subject: str | None = None, *, limit: int | None = None) -> Log:
    """Return the journal's newest entries.

    Parameters
    ----------
    subject : str, optional
        A label: entries about it, about a piece of it, or that name it.

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
        newest = session.scalars(query.order_by(JournalEntry.id.desc()).limit(limit)).all()
    return Log(tuple(_logged(entry) for entry in reversed(newest)), found)


def _logged(entry: JournalEntry) -> Logged:
    body = journal.body_of(entry)
    rows, files = body.pop("rows", {}), body.pop("files", {})
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
    )


def _count(said: Any) -> int:
    count = said.get("count") if isinstance(said, dict) else None
    return count if isinstance(count, int) else 0
