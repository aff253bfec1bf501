"""The documents of the work list: what waits, what is at work, what became of it."""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

from tracker.desk.documents.base import Document
from tracker.desk.task import DONE, PhotoRow, Refused, Task


@dataclass(frozen=True, kw_only=True)
class TaskPhoto:
    """One photo of a task; `recorded` is what `photograph --json` prints, null where nothing is recorded of it."""

    number: int
    name: str
    sha256: str
    size_bytes: int
    state: str
    warnings: tuple[str, ...]
    what: str
    advice: str
    recorded: dict[str, Any] | None


@dataclass(frozen=True, kw_only=True)
class TaskRow:
    """One task: what was asked for, how far it is, and why it failed (`what`, `advice`)."""

    task: str
    title: str
    kind: str
    subject: str
    state: str
    stopping: bool
    done: int
    total: int
    words: str
    operator: str
    asked_at: str
    began_at: str | None
    ended_at: str | None
    what: str
    advice: str
    made: str


@dataclass(frozen=True, kw_only=True)
class TaskDocument(TaskRow, Document):
    """One task with its wish and its photos."""

    schema: Literal["lotproof.task/1"] = "lotproof.task/1"
    role: str
    pieces: tuple[str, ...]
    form: str
    without: tuple[str, ...]
    organization: str
    refused: tuple[Refused, ...]
    photos: tuple[TaskPhoto, ...]


@dataclass(frozen=True, kw_only=True)
class WorkDocument(Document):
    """The newest tasks, the newest first."""

    schema: Literal["lotproof.work/1"] = "lotproof.work/1"
    tasks: tuple[TaskRow, ...]


def work_document(tasks: Sequence[Task]) -> WorkDocument:
    """Return the document of a work list."""
    return WorkDocument(tasks=tuple(TaskRow(**_row(one)) for one in tasks))


def task_document(task: Task) -> TaskDocument:
    """Return the document of one task."""
    wish = task.wish
    return TaskDocument(
        **_row(task),
        role=wish.role,
        pieces=wish.pieces,
        form=wish.form,
        without=wish.without,
        organization=wish.organization,
        refused=task.refused,
        photos=tuple(map(_photo, task.photos)),
    )


def _row(task: Task) -> dict[str, Any]:
    as_they_are = ("state", "stopping", "done", "total", "words", "operator", "asked_at", "began_at", "ended_at")
    kept = {name: getattr(task, name) for name in (*as_they_are, "what", "advice", "made")}
    return {"task": task.label, "title": task.title, "kind": task.wish.kind, "subject": task.wish.subject, **kept}


def _photo(one: PhotoRow) -> TaskPhoto:
    recorded = json.loads(one.document) if one.state == DONE and one.document is not None else None
    return TaskPhoto(
        number=one.number,
        name=one.name,
        sha256=one.sha256,
        size_bytes=one.size_bytes,
        state=one.state,
        warnings=one.warnings,
        what=one.what,
        advice=one.advice,
        recorded=recorded,
    )
