"""Where a workspace lies and how much there is of it."""

from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import func, select, text
from sqlalchemy.orm import Session

from tracker import journal
from tracker.bucket import endpoint_in_use
from tracker.desk import keys, task_leftovers
from tracker.desk import place as places
from tracker.desk import spool as spools
from tracker.desk.carry_files import files_on_record
from tracker.desk.carry_rows import tables, written_once
from tracker.desk.moved import came_from, closed_by
from tracker.desk.workspace import Workspace
from tracker.records import schema


@dataclass(frozen=True, slots=True)
class Whereabouts:
    """Where a workspace lies.

    Attributes
    ----------
    folder : str
    records, evidence : str
        Addresses, without a password.
    endpoint : str or None
        Where a bucket's store is asked; None for a folder, or the default of S3.
    revision : str
        Of the records' schema.
    head : Head
    rows : dict
        Rows by table, of those that are written once.
    records_bytes, evidence_bytes, files : int
        Size of the records, and of the evidence that the journal names.
    moved_to : dict or None
        Where it went, if it moved: folder, records, evidence.
    came_from : tuple of str
        Where its records lay before.
    keys : str
        Folder with this bench's signing keys, which no backup holds.
    waiting : int
        What waits in this folder alone: photos of the work list, readings in the spool.
    """

    folder: str
    records: str
    evidence: str
    endpoint: str | None
    revision: str
    head: journal.Head
    rows: dict[str, int]
    records_bytes: int
    evidence_bytes: int
    files: int
    moved_to: dict[str, str] | None
    came_from: tuple[str, ...]
    keys: str
    waiting: int


def whereabouts(workspace: Workspace) -> Whereabouts:
    """Return where a workspace lies and how much there is of it; its evidence is not read."""
    place = places.find(workspace.folder)
    with workspace.read() as session:
        named = files_on_record(session)
        once = [table for table in tables() if written_once(table)]
        rows = {table.name: session.scalar(select(func.count()).select_from(table)) or 0 for table in once}
        waiting = sum(one.wanted for one in task_leftovers.look(workspace.folder))
        return Whereabouts(
            folder=str(workspace.folder),
            records=workspace.url,
            evidence=workspace.store.url,
            endpoint=endpoint_in_use(place.endpoint) if workspace.store.url.startswith("s3://") else None,
            revision=str(schema.revision(session.connection())),
            head=journal.head(session),
            rows=rows,
            records_bytes=_size(session, place.records),
            evidence_bytes=sum(named.values()),
            files=len(named),
            moved_to=closed_by(session),
            came_from=tuple(came_from(session)),
            keys=str(keys.folder()),
            waiting=waiting + len(spools.left_over(workspace.folder)),
        )


def _size(session: Session, path: Path) -> int:
    if session.connection().dialect.name == "sqlite":
        return sum(one.stat().st_size for one in path.parent.glob(f"{path.name}*") if one.is_file())
    return session.scalar(text("SELECT pg_database_size(current_database())")) or 0
