"""The documents of what is asked of the records: due, recall, log."""

import json
from dataclasses import dataclass
from datetime import date
from typing import Any, Literal

from tracker.desk.documents.base import Document, members
from tracker.desk.due import Due, due, due_page
from tracker.desk.log import Log, Logged
from tracker.desk.recall import Loose, Recall, Stay
from tracker.desk.workspace import Workspace


@dataclass(frozen=True, kw_only=True)
class DueDocument(Document):
    """Claim windows that close: `found` is how many there are, `next` the lot to go on after where there are more."""

    schema: Literal["lotproof.due/1"] = "lotproof.due/1"
    due: tuple[Due, ...]
    found: int
    next: str | None = None


def due_document(
    workspace: Workspace,
    lot: str | None,
    *,
    today: date,
    within: int | None = None,
    limit: int | None = None,
    after: str | None = None,
) -> DueDocument:
    """Return the claim windows that close: all, the soonest first; with `limit`, open ones before closed ones."""
    if lot is not None or (limit is None and after is None):
        found = due(workspace, lot, today=today, within=within)
        return DueDocument(due=found, found=len(found))
    page = due_page(workspace, today=today, within=within, limit=limit, after=after)
    return DueDocument(due=page.due, found=page.found, next=page.next)


@dataclass(frozen=True, kw_only=True)
class RecallDocument(Document):
    """Every stay of every matching piece, those still in a machine first, and the pieces in no machine."""

    schema: Literal["lotproof.recall/1"] = "lotproof.recall/1"
    pieces: int
    fittings: tuple[Stay, ...]
    not_in_a_machine: tuple[Loose, ...]


def recall_document(found: Recall) -> RecallDocument:
    """Return the document of a recall."""
    return RecallDocument(pieces=found.pieces, fittings=found.stays, not_in_a_machine=found.loose)


@dataclass(frozen=True, kw_only=True)
class EntrySaid:
    """One entry of the journal: who did what, when (UTC), about which label, and how many rows by table it wrote.

    `program` is the version of the program that wrote it; null of the oldest entries, which do not say.
    """

    entry: int
    at: str
    operator: str
    act: str
    subject: str
    said: dict[str, Any]
    rows: dict[str, int]
    files: int
    hash: str
    program: str | None


@dataclass(frozen=True, kw_only=True)
class LogDocument(Document):
    """Entries of the journal, the newest last, and how many there were before the limit."""

    schema: Literal["lotproof.log/1"] = "lotproof.log/1"
    entries: tuple[EntrySaid, ...]
    found: int


def log_document(found: Log) -> LogDocument:
    """Return the document of the journal."""
    return LogDocument(entries=tuple(_entry(one) for one in found.entries), found=found.found)


def _entry(one: Logged) -> EntrySaid:
    return EntrySaid(**{**members(one), "said": json.loads(one.said), "rows": dict(one.rows)})
