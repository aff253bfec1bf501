"""How far a check of the workspace came, so that one that was broken off can be gone on with.

It lies in the work folder, which is no evidence, while a check goes on that takes longer than a few seconds, and is
removed at its end. What it says counts for nothing but going on: a check that was gone on with says so in its report,
since what was looked at before the break was right at that moment and may have been changed meanwhile. Before it is
believed, the newest entry that was known then and the last one that was seen must still be in the journal as they were,
and there must be as many entries and rows up to there as were looked at; otherwise the check has to begin anew.
"""

import json
import time
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from tracker import journal
from tracker.desk.found import Found
from tracker.desk.journal_walk import Walk
from tracker.desk.task_rows import WORK
from tracker.desk.whole_file import put_whole
from tracker.desk.workspace import Workspace
from tracker.errors import BadRequest
from tracker.records.models import JournalEntry
from tracker.records.session import place_of

NAME = "verify.json"
FORM = 1
EVERY_S = 2.0
"""So much work may be lost; a check that takes less leaves nothing behind. Common practice, no source."""
_ANEW = "Run `lotproof verify` without --resume: it begins anew."


@dataclass(slots=True)
class State:
    """How far a check came.

    Attributes
    ----------
    began : str
        When it was first begun, UTC.
    head : journal.Head
        The newest entry then.
    walk : Walk
    upto : str
        The last file, in order of the digests, that was hashed; '' for none.
    known : int
        The last entry whose files were among those.
    hashes : Found
    """

    workspace: str
    against: str | None
    began: str
    head: journal.Head
    walk: Walk = field(default_factory=Walk)
    upto: str = ""
    known: int = 0
    hashes: Found = field(default_factory=Found)


class Keeper:
    """Writes the state of a check down now and then; that it cannot is no failure."""

    def __init__(self, workspace: Workspace) -> None:
        self._path = path_of(workspace)
        self._last = time.monotonic()

    def note(self, state: State) -> None:
        """Write it down, if it is time."""
        if time.monotonic() - self._last < EVERY_S:
            return
        with suppress(OSError):
            self._path.parent.mkdir(exist_ok=True)
            put_whole(self._path, json.dumps(_as_json(state)).encode())
        self._last = time.monotonic()

    def over(self) -> None:
        """Remove it."""
        with suppress(OSError):
            self._path.unlink(missing_ok=True)


def path_of(workspace: Workspace) -> Path:
    """Return where it is written down."""
    return workspace.folder / WORK / NAME


def begun(workspace: Workspace, session: Session, against: str | None) -> State:
    """Return the state of a check that begins now."""
    now = datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
    return State(workspace.url, against, now, journal.head(session))


def gone_on(workspace: Workspace, session: Session, against: str | None) -> State:
    """Return the state of the check that was broken off.

    Raises
    ------
    BadRequest
        When there is none, it was of something else, or the records are not as they were then.
    """
    try:
        state = _from_json(json.loads(path_of(workspace).read_bytes()))
    except FileNotFoundError:
        raise BadRequest("No check of this workspace was broken off.", _ANEW) from None
    except (OSError, ValueError, LookupError, TypeError, AttributeError):
        raise BadRequest("What is noted of the check that was broken off cannot be read.", _ANEW) from None
    if (place_of(state.workspace), state.against) != (place_of(workspace.url), against):
        raise BadRequest("The check that was broken off was of another workspace or against another head.", _ANEW)
    if not _as_then(session, state):
        raise BadRequest("The records are not as they were when the check was broken off.", _ANEW)
    return state


def _as_then(session: Session, state: State) -> bool:
    """Tell whether what was looked at seems untouched; new entries behind it are no change."""
    chain = state.walk.chain
    if not all(journal.holds(session, one) for one in (state.head, journal.Head(chain.number, chain.previous))):
        return False
    entries = select(func.count()).select_from(JournalEntry).where(JournalEntry.id <= chain.number)
    if session.scalar(entries) != state.walk.links.checked:
        return False
    for table in journal.written_tables():
        rows = select(func.count()).select_from(table).where(table.c.entry_id <= chain.number)
        looked_at = state.walk.rows_there.get(table.name, Found()).checked
        if session.scalar(rows) != looked_at:
            return False
    return True


def _as_json(state: State) -> dict[str, Any]:
    return {
        "form": FORM,
        "workspace": state.workspace,
        "against": state.against,
        "began": state.began,
        "head": [state.head.entry, state.head.hash],
        "walk": state.walk.as_json(),
        "upto": state.upto,
        "known": state.known,
        "hashes": state.hashes.as_json(),
    }


def _from_json(said: dict[str, Any]) -> State:
    if said["form"] != FORM:
        raise ValueError("written by another version")
    return State(
        str(said["workspace"]),
        said["against"],
        str(said["began"]),
        journal.Head(int(said["head"][0]), str(said["head"][1])),
        Walk.from_json(said["walk"]),
        str(said["upto"]),
        int(said["known"]),
        Found.from_json(said["hashes"]),
    )
