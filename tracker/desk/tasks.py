"""Long work that is asked for now and done in its turn: photos to look at, bags and dossiers to write.

Whoever asks gets an answer once the task is safe on the disk; `tracker/desk/task_worker.py` does it.
"""

import re
import secrets
from collections.abc import Iterable, Sequence
from pathlib import Path

from tracker.desk.contract import PhotographDocument
from tracker.desk.facts import LISTING
from tracker.desk.fields import one_line, one_of
from tracker.desk.moved import refuse_if_closed
from tracker.desk.photograph import ROLES
from tracker.desk.pieces import find_lot, find_piece, plain_label, resolve_pieces
from tracker.desk.task import DONE, DOSSIER, EXPORT, PHOTOGRAPH, PhotoRow, Refused, Task, Wish
from tracker.desk.task_kinds import made_folder
from tracker.desk.task_rows import TaskRows
from tracker.desk.uploads import Upload, drop, drop_photo, receive
from tracker.desk.workspace import Workspace, operator_name
from tracker.errors import BadRequest, NoSuch

MOST_SHOWN = 200
_LABEL = re.compile(r"[Ww]0*([0-9]{1,9})")
_LEFT_OUT = ("prices", "operators", "owners")


class NothingTaken(BadRequest):
    """None of the files can be used; `refused` says why, file by file."""

    def __init__(self, refused: Sequence[Refused]) -> None:
        first = refused[0]
        if len(refused) == 1:
            super().__init__(first.what, first.advice)
        else:
            super().__init__(f"None of the {len(refused)} files can be used.", "Each says below why.")
        self.refused = tuple(refused)


def ask_photograph(
    workspace: Workspace,
    rows: TaskRows,
    lot: str,
    uploads: Iterable[Upload],
    *,
    role: str = "top",
    piece: Sequence[str] = (),
    operator: str | None = None,
) -> Task:
    """Take in photos of a lot's pieces to be looked at and recorded, one act a photo.

    Parameters
    ----------
    lot : str
        Label of the lot.
    uploads : iterable of Upload
        What cannot be used is refused one by one; the others are taken.
    role : str
        As of `photograph`.
    piece : sequence of str
        Labels of the pieces in view in each of the photos, in reading order.

    Returns
    -------
    Task
        Its photos are safe: they will be looked at whatever happens to this process.

    Raises
    ------
    BadRequest
        When lot, role or a piece is not known, or nothing can be taken (`NothingTaken`).
    """
    who = operator_name(operator)
    wish = _photo_wish(workspace, lot, role, piece)
    came = receive(rows.folder, uploads, wish.subject)
    if not came.taken:
        raise NothingTaken(came.refused) if came.refused else BadRequest("No photo was sent.", "Choose one or more.")
    try:
        task = rows.add(wish, who, came.token, came.taken, came.refused)
    except BaseException:
        drop(rows.folder, came.token)
        raise
    kept = {one.number for one in task.photos}
    for one in came.taken:
        if one.number not in kept:
            drop_photo(rows.folder, came.token, one.number)
    return task


def ask_export(
    workspace: Workspace, rows: TaskRows, lot: str, *, organization: str = "", operator: str | None = None
) -> Task:
    """Ask for the bag of a lot as a zip file.

    Raises
    ------
    BadRequest
        When there is no such lot.
    """
    workspace.refuse_if_moved()
    ours = one_line(organization, "organization") if organization.strip() else ""
    with workspace.read() as session:
        label = find_lot(session, lot).label
    return rows.add(Wish(EXPORT, label, organization=ours), operator_name(operator), _token())


def ask_dossier(
    workspace: Workspace,
    rows: TaskRows,
    label: str,
    *,
    form: str = "pdf",
    without: Iterable[str] = (),
    operator: str | None = None,
) -> Task:
    """Ask for the dossier of a lot or a piece, as 'pdf' or 'html'; `without` 'prices', 'operators' or 'owners'.

    Raises
    ------
    BadRequest
        When nothing has this label.
    """
    left_out = tuple(one_of(one, "part to leave out", _LEFT_OUT) for one in without)
    word = plain_label(label)
    with workspace.read() as session:
        found = find_piece(session, word).label if "-" in word else find_lot(session, word).label
    wish = Wish(DOSSIER, found, form=one_of(form, "form", ("pdf", "html")), without=left_out)
    return rows.add(wish, operator_name(operator), _token())


def find_task(rows: TaskRows, label: str) -> Task:
    """Return the task with this label (`W0007`, also `w7`).

    Raises
    ------
    BadRequest
        When there is none.
    """
    match = _LABEL.fullmatch(label.strip())
    if match is None:
        raise NoSuch("That is not the label of work.", "It looks like W0007; the work list shows what there is.")
    return rows.get(int(match[1]))


def cancel(rows: TaskRows, label: str) -> Task:
    """Take a waiting task off the list, or ask that a running one be broken off; what is recorded stays recorded.

    Raises
    ------
    BadRequest
        When there is none, or it is over.
    """
    task = find_task(rows, label)
    if not task.open:
        raise BadRequest(f"{task.label} is over already: {task.state}.", "Nothing was changed.")
    rows.cancel(task.number)
    return rows.get(task.number)


def retry(rows: TaskRows, label: str) -> Task:
    """Let what failed or was cancelled wait for its turn again; what is recorded is not done twice.

    Raises
    ------
    BadRequest
        When there is none, or it did neither.
    """
    task = find_task(rows, label)
    if not rows.retry(task.number):
        raise BadRequest(f"{task.label} is {task.state}, so there is nothing to do again.", "Nothing was changed.")
    return rows.get(task.number)


def made_file(workspace: Workspace, task: Task) -> Path:
    """Return the file a task made.

    Raises
    ------
    BadRequest
        When it made none, or it was tidied away.
    """
    path = made_folder(workspace.folder, task.token) / task.made
    if task.state != DONE or not task.made or not path.is_file():
        raise NoSuch(f"There is no file of {task.label}.", "Ask for it again.")
    return path


def recorded(photo: PhotoRow) -> PhotographDocument | None:
    """Return what was recorded of a photo of a task; None where it is not done."""
    if photo.state != DONE or photo.document is None:
        return None
    return PhotographDocument.model_validate_json(photo.document)


def _photo_wish(workspace: Workspace, label: str, role: str, words: Sequence[str]) -> Wish:
    chosen = one_of(role, "role", ROLES)
    with workspace.read() as session:
        refuse_if_closed(session)  # now: what is taken in waits in this folder, and could never be recorded
        lot = find_lot(session, label)
        named = tuple(piece.label for piece in resolve_pieces(session, [word for word in words if word.strip()]))
        known = [piece.label for piece in lot.pieces]
    strangers = [name for name in named if name not in known]
    if strangers:
        raise BadRequest(f"{strangers[0]} is not a piece of {lot.label}.", f"Its pieces are {known[0]} to {known[-1]}.")
    if named and chosen == LISTING:
        raise BadRequest("A listing picture shows no piece of the lot for certain.", "Name no piece with it.")
    return Wish(PHOTOGRAPH, lot.label, role=chosen, pieces=named)


def _token() -> str:
    return secrets.token_hex(8)
