"""What the tasks of the work list do: each kind once, however often it is begun."""

import hashlib
import json
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import select

from tracker.desk.as_recorded import as_recorded, kept_photo
from tracker.desk.breaking_off import Breakable
from tracker.desk.camera import Shot
from tracker.desk.contract import PhotographDocument
from tracker.desk.inspect import Hands
from tracker.desk.photograph import Meanwhile, photograph
from tracker.desk.pieces import find_lot
from tracker.desk.task import PhotoRow, Task
from tracker.desk.task_rows import WORK, TaskRows
from tracker.desk.uploads import photo_file
from tracker.desk.workspace import Act, Workspace
from tracker.dossier.redaction import Redaction
from tracker.errors import BadRequest
from tracker.records.models import JournalEntry

MADE = "made"
_TIMES = 3
"""How often a photo is looked at when somebody else photographs the same lot meanwhile (our own choice)."""


@dataclass(frozen=True, slots=True)
class Doing:
    """A task under way.

    Parameters
    ----------
    check : callable
        Raises `BrokenOff` once it is wanted no more.
    """

    workspace: Workspace
    rows: TaskRows
    task: Task
    check: Callable[[], None]


def made_folder(folder: Path, token: str) -> Path:
    """Return where the file lies that a task made; `folder` is the workspace's."""
    return folder / WORK / MADE / token


def photograph_one(doing: Doing, photo: PhotoRow, hands: Hands) -> PhotographDocument:
    """Look at one photo of a task and record it, or say what was recorded if it was already.

    Raises
    ------
    BadRequest
        When it cannot be recorded.
    BrokenOff
        When that is wanted no more; nothing is recorded then.
    """
    if photo.entry is not None and photo.document is not None and _came_about(doing, photo):
        return PhotographDocument.model_validate_json(photo.document)
    wish, workspace = doing.task.wish, doing.workspace
    if not wish.pieces:  # with names it may be a correction, which is recorded anew
        with workspace.read() as session:
            lot = find_lot(session, wish.subject)
            known = kept_photo(session, lot, wish.role, photo.sha256)
            if known is not None and workspace.store.has(photo.sha256):
                return as_recorded(session, workspace.store, lot, known)
    data = _bytes(doing, photo)

    def tell(done: int, total: int) -> None:
        doing.check()
        beside = f", with {total - 1} earlier to compare: {done} of {total} done" if total > 1 else ""
        doing.rows.say(doing.task.number, f"Looking at {photo.name}{beside}.")

    def within(act: Act, document: PhotographDocument) -> None:
        act.body["work"] = _said(doing.task, photo)
        doing.rows.prepare_photo(doing.task.number, photo.number, act.entry_id, document.model_dump_json(by_alias=True))

    tell(0, 1)
    for time in range(1, _TIMES + 1):
        try:
            return photograph(
                workspace,
                wish.subject,
                (),
                shots=(Shot(photo.name, data, 1),),
                piece=wish.pieces,
                role=wish.role,
                operator=doing.task.operator,
                progress=tell,
                hands=Breakable(hands, doing.check),
                within=within,
            )
        except Meanwhile:
            if time == _TIMES:
                raise
    raise AssertionError  # the loop ends before


def export(doing: Doing) -> str:
    """Write the bag of a lot below the work folder; return its file's name."""
    from tracker.desk.export_bag import export_bag

    task = doing.task
    folder = made_folder(doing.workspace.folder, task.token)
    target = folder / f"{task.wish.subject}-bag-{task.token[:6]}.zip"
    if target.exists() and _handed_out(doing.workspace, task.wish.subject, target.name):
        return target.name
    shutil.rmtree(folder, ignore_errors=True)  # of an attempt that was killed
    folder.mkdir(parents=True)

    def tell(done: int, total: int) -> None:
        doing.check()
        doing.rows.tell(task.number, done, total, "Copying the evidence.")

    export_bag(
        doing.workspace,
        task.wish.subject,
        target,
        zipped=True,
        organization=task.wish.organization or None,
        operator=task.operator,
        progress=tell,
    )
    return target.name


def dossier(doing: Doing) -> str:
    """Write a dossier below the work folder; return its file's name."""
    from tracker.desk.dossier import write_dossier

    wish = doing.task.wish
    folder = made_folder(doing.workspace.folder, doing.task.token)
    target = folder / f"{wish.subject}-dossier.{wish.form}"
    doing.check()
    doing.rows.say(doing.task.number, "Setting the pages.")
    redaction = Redaction(**dict.fromkeys(wish.without, True))
    write_dossier(doing.workspace, wish.subject, target, without=redaction)
    return target.name


def _bytes(doing: Doing, photo: PhotoRow) -> bytes:
    path = photo_file(doing.rows.folder, doing.task.token, photo.number)
    try:
        data = path.read_bytes()
    except OSError as error:
        raise BadRequest(f"'{photo.name}' cannot be read any more ({error.strerror}).", "Send it again.") from None
    if hashlib.sha256(data).hexdigest() != photo.sha256:
        raise BadRequest(f"'{photo.name}' changed on the disk after it came in.", "Send it again.")
    return data


def _said(task: Task, photo: PhotoRow) -> str:
    return f"{task.label} photo {photo.number} ({task.token})"


def _came_about(doing: Doing, photo: PhotoRow) -> bool:
    """Whether the act that was under way when a server ended is in the journal."""
    with doing.workspace.read() as session:
        entry = session.get(JournalEntry, photo.entry)
        return entry is not None and json.loads(entry.body).get("work") == _said(doing.task, photo)


def _handed_out(workspace: Workspace, lot: str, name: str) -> bool:
    """Whether a bag of this name is in the journal."""
    with workspace.read() as session:
        query = select(JournalEntry.body).where(JournalEntry.act == "export", JournalEntry.subject == lot)
        return any(json.loads(body).get("to") == name for body in session.scalars(query))
