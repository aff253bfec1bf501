"""Copies in the user's cache folder of what was worked out from the records, for the next process.

None is evidence, and any may be removed at any time. One is used only where it is whole (its SHA-256 is in it), was
made by the same program and rules, and names an entry and a hash that the journal at hand has: the journal is a chain,
so all before that entry is as it was when the copy was made.
"""

import hashlib
import json
import os
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracker import journal
from tracker.desk.whole_file import put_whole
from tracker.journal import Head
from tracker.records.models import JournalEntry

VARIABLE = "LOTPROOF_CACHE"
"""Names the cache folder; empty, and there is none."""
MOST_WORKSHOPS = 8
"""Copies of a kind are kept of so many workspaces, the latest; our own choice."""


@dataclass(frozen=True, slots=True)
class Copy:
    """What was kept: the entry it holds for, what was said of it beside, and the bytes."""

    at: Head
    said: Mapping[str, Any]
    body: bytes


def cache_folder() -> Path | None:
    """Return the user's cache folder; None where nothing is to be kept."""
    named = os.environ.get(VARIABLE)
    if named is not None:
        return Path(named).expanduser().absolute() if named.strip() else None
    from platformdirs import user_cache_path

    return user_cache_path("lotproof", appauthor=False)


def place_of(session: Session, ending: str) -> Path | None:
    """Return where a workspace's copy lies: under the name of its journal's first entry; None where none is kept."""
    folder = cache_folder()
    first = None if folder is None else session.scalar(select(JournalEntry.hash).where(JournalEntry.id == 1))
    if folder is None or first is None:
        return None
    # The name is a digest of what the records hold: nothing in them can name another path.
    return folder / "known" / f"{hashlib.sha256(first.encode()).hexdigest()[:32]}{ending}"


def load(session: Session, ending: str, made_by: str) -> Copy | None:
    """Return what was kept of the journal that a session sees; None where there is nothing that can be used."""
    path = place_of(session, ending)
    try:
        if path is None:
            return None
        first, _, body = path.read_bytes().partition(b"\n")
        said: Any = json.loads(first)
        if said["made_by"] != made_by or said["sha256"] != hashlib.sha256(body).hexdigest():
            return None
        at = Head(int(said["entry"]), str(said["hash"]))
    except (OSError, ValueError, KeyError, TypeError):
        return None
    return Copy(at, said, body) if journal.holds(session, at) else None


def is_old(session: Session, ending: str, older_s: float, now: float) -> bool:
    """Tell whether something was kept so many seconds before `now` or earlier, and not for the newest entry."""
    path = place_of(session, ending)
    try:
        # What bears a later time than now was kept while the clock stood ahead: nobody knows how old it is.
        if path is None or 0 <= now - path.stat().st_mtime < older_s:
            return False
        with path.open("rb") as file:
            said: Any = json.loads(file.readline())
        return Head(int(said["entry"]), str(said["hash"])) != journal.head(session)
    except (OSError, ValueError, KeyError, TypeError):
        return False


def keep(session: Session, ending: str, made_by: str, copy: Copy) -> None:
    """Keep a copy; a folder that cannot be written is no fault, it is only slower."""
    path = place_of(session, ending)
    if path is None:
        return
    said = {**copy.said, "made_by": made_by, "entry": copy.at.entry, "hash": copy.at.hash}
    said["sha256"] = hashlib.sha256(copy.body).hexdigest()
    with suppress(OSError):
        path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        put_whole(path, json.dumps(said).encode() + b"\n" + copy.body)
        for old in sorted(path.parent.glob(f"*{ending}"), key=lambda one: one.stat().st_mtime)[:-MOST_WORKSHOPS]:
            old.unlink(missing_ok=True)
