"""What lies in the work folder and is no evidence: photos that wait, photos nobody recorded, files that were made.

None of it is a fault, and none is removed unless that is asked for; what waits is never removed.
"""

import shutil
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from tracker.desk.task import DONE, Task
from tracker.desk.task_kinds import MADE
from tracker.desk.task_rows import LIST, WORK, TaskRows
from tracker.desk.uploads import INCOMING

QUIET = timedelta(days=2)
"""What was written to since then is left: somebody may be about to try again, or photos may be coming in (common
practice, no source; as for the spool, tracker/desk/spool.py)."""


@dataclass(frozen=True, slots=True)
class LeftOver:
    """One folder below the work folder.

    Attributes
    ----------
    path : Path
    what, then : str
        What it is, and what can be done with it, in sentences.
    size_bytes : int
    written : datetime
        When it was last written to, in UTC.
    wanted : bool
        Work that is not over needs it.
    """

    path: Path
    what: str
    then: str
    size_bytes: int
    written: datetime
    wanted: bool

    @property
    def sentence(self) -> str:
        """What it is and what can be done with it."""
        return f"{self.what} {self.then}".rstrip()

    @property
    def name(self) -> str:
        """Its name, relative to the workspace."""
        return f"{WORK}/{self.path.parent.name}/{self.path.name}"

    def removable(self, now: datetime) -> bool:
        """Tell whether nobody can still need it."""
        return not self.wanted and now - self.written > QUIET


def look(folder: Path) -> tuple[LeftOver, ...]:
    """Return what lies in the work folder of the workspace at `folder`; nothing is set up where there is none."""
    work = folder / WORK
    if not (work / LIST).exists():
        tasks: dict[str, Task] = {}
    else:
        rows = TaskRows(folder)
        try:
            tasks = {task.token: task for task in rows.every()}
        finally:
            rows.close()
    found = []
    for kind in (INCOMING, MADE):
        for path in _inside(work / kind):
            files = [one for one in _inside(path) if one.is_file()] if path.is_dir() else [path]
            with suppress(FileNotFoundError):  # recorded since it was listed
                written = datetime.fromtimestamp(max(one.stat().st_mtime for one in (path, *files)), UTC)
                size = sum(one.stat().st_size for one in files)
                task = tasks.get(path.name)
                said = _said(kind, path, files, task)
                found.append(LeftOver(path, *said, size, written, bool(task and task.open)))
    return tuple(found)


def removable(folder: Path) -> tuple[LeftOver, ...]:
    """Return what `tidy` would remove now from the work folder of the workspace at `folder`."""
    now = datetime.now(UTC)
    return tuple(one for one in look(folder) if one.removable(now))


def discard(one: LeftOver) -> bool:
    """Remove it and return whether it is gone; it is left where the system refuses."""
    try:
        if one.path.is_dir() and not one.path.is_symlink():
            shutil.rmtree(one.path)
        else:
            one.path.unlink(missing_ok=True)
    except OSError:
        return False
    return True


def _inside(folder: Path) -> Iterator[Path]:
    with suppress(FileNotFoundError, NotADirectoryError):
        yield from sorted(folder.iterdir())


def _said(kind: str, path: Path, files: list[Path], task: Task | None) -> tuple[str, str]:
    """Return what it is, and what can be done with it."""
    name = f"{WORK}/{kind}/{path.name}"
    later = f"`lotproof tidy --work` removes it after {QUIET.days} days."
    if kind == MADE:
        if task is None or task.state != DONE:
            return f"{name} holds what an interrupted task was writing.", later
        return f"{name} holds {task.made}, which {task.label} made: a copy of what is on record.", later
    photos = "1 photo" if len(files) == 1 else f"{len(files)} photos"
    if task is None:
        return f"{name} holds {photos} of a sending that broke off and was never acknowledged.", later
    if task.open:
        are = "waits" if len(files) == 1 else "wait"
        return f"{name}: {photos} of {task.wish.subject} {are} as {task.label} to be looked at; a server does that.", ""
    if task.state == DONE:
        return f"{name} is evidence, and a copy of it was left.", later
    what = f"{name} holds {photos} of {task.wish.subject} that {task.label} did not record ({task.state})."
    return what, f"Try that again on the work list; {later}"
