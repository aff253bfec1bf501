"""How settled pieces were judged for calibration, kept in the user's cache folder with the journal entry it holds for.

It is no evidence and may be removed at any time. At the same entry, with the same rules, it is what would be worked out
anew; after later entries it is what held then, and whoever shows it says so. A file that is not whole, of another
version, or of a journal without that entry and hash is passed over, as in `tracker/desk/known_kept.py`.
"""

import hashlib
import json
import time
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import astuple, dataclass
from typing import TYPE_CHECKING, Any

from sqlalchemy.orm import Session

from tracker.desk.known_kept import WORTH_IT, make_room, place_of
from tracker.desk.known_pieces import holds
from tracker.desk.standing_suspicion import mark
from tracker.desk.whole_file import put_whole
from tracker.journal import Head, head
from tracker.judgement.weights import declared_version

if TYPE_CHECKING:
    from tracker.desk.calibration import Judged

_ENDING = ".calibration.json"
_FORMAT = 1


@dataclass(frozen=True, slots=True)
class Kept:
    """What was kept: the entry it holds for, the weights' version, the pieces, and how many were left out."""

    head: Head
    weights: str
    judged: tuple["Judged", ...]
    left_out: int


def load(session: Session) -> Kept | None:
    """Return what was kept of the journal that a session sees, None where there is nothing that can be used."""
    from tracker.desk.calibration import Judged

    path = place_of(session, _ENDING)
    if path is None:
        return None
    try:
        first, _, body = path.read_bytes().partition(b"\n")
        said: Any = json.loads(first)
        if said.get("made_by") != _made_by() or said.get("sha256") != hashlib.sha256(body).hexdigest():
            return None
        earlier = Head(int(said["entry"]), str(said["hash"]))
        if not holds(session, earlier):
            return None
        judged = tuple(Judged(*one) for one in json.loads(body))
        return Kept(earlier, str(said["weights"]), judged, int(said["left_out"]))
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return None


def is_old(session: Session, older_s: float) -> bool:
    """Tell whether something was kept so many seconds ago or earlier, and not for the newest entry."""
    path = place_of(session, _ENDING)
    try:
        if path is None or time.time() - path.stat().st_mtime < older_s:
            return False
        with path.open("rb") as file:
            said: Any = json.loads(file.readline())
        return (said["entry"], said["hash"]) != astuple(head(session))
    except (OSError, ValueError, KeyError, TypeError):
        return False


def keep(session: Session, at: Head, weights: str, judged: "Sequence[Judged]", left_out: int) -> None:
    """Keep what was worked out, where it took long; a folder that cannot be written is no fault."""
    path = place_of(session, _ENDING) if len(judged) >= WORTH_IT else None
    if path is None:
        return
    body = json.dumps([astuple(one) for one in judged]).encode()
    said = {"made_by": _made_by(), "entry": at.entry, "hash": at.hash, "weights": weights, "left_out": left_out}
    with suppress(OSError):
        path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        put_whole(path, json.dumps(said | {"sha256": hashlib.sha256(body).hexdigest()}).encode() + b"\n" + body)
        make_room(path.parent, _ENDING)


def _made_by() -> str:
    return f"{_FORMAT} {mark(0)} {declared_version()}"
