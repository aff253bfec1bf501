"""What was read of all pieces whose truth is known, kept in the user's cache folder for the next process.

It is a copy of what the records say and no evidence; it may be removed at any time. It is used only where it is whole
(its SHA-256 is in it), was made by this version of the program from these declared indicators, and names an entry and a
hash that the journal at hand has: the journal is a chain, so all before that entry is as it was when the copy was made.
"""

import hashlib
import json
import os
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from sqlalchemy import select
from sqlalchemy.orm import Session

from tracker import __version__
from tracker.desk.picture_cache import VARIABLE
from tracker.desk.truths import Truth
from tracker.desk.whole_file import put_whole
from tracker.journal import Head
from tracker.judgement.outcomes import Outcomes, codes
from tracker.judgement.weights import declared_version
from tracker.records.models import JournalEntry

if TYPE_CHECKING:
    from tracker.desk.known_pieces import KnownPieces

WORTH_IT = 500
"""When so many pieces were read from the records it is written anew; our own choice: they take a tenth of a second."""
MOST_WORKSHOPS = 8
"""Copies of so many workspaces are kept, the latest; our own choice."""
_FORMAT = 1
_PLACES = np.dtype([("piece", "<i8"), ("lot", "<i8"), ("seller", "<i8"), ("bad", "u1"), ("by_bench", "u1")])


def load(session: Session) -> "KnownPieces | None":
    """Return what was kept of the journal that a session sees, None where there is nothing that can be used."""
    from tracker.desk.known_pieces import holds

    path = place_of(session)
    if path is None:
        return None
    try:
        head, _, body = path.read_bytes().partition(b"\n")
        said: Any = json.loads(head)
        if not isinstance(said, dict) or said.get("made_by") != _made_by():
            return None
        if said.get("sha256") != hashlib.sha256(body).hexdigest():
            return None
        earlier = Head(int(said["entry"]), str(said["hash"]))
        return _unpacked(earlier, int(said["pieces"]), body) if holds(session, earlier) else None
    except (OSError, ValueError, KeyError, TypeError):
        return None


def kept(session: Session, found: "KnownPieces") -> "KnownPieces":
    """Keep what was read; a folder that cannot be written is no fault, it is only slower."""
    path = place_of(session)
    if path is None:
        return found
    body = _packed(found)
    said = {"made_by": _made_by(), "entry": found.head.entry, "hash": found.head.hash, "pieces": len(found.pieces)}
    head = json.dumps(said | {"sha256": hashlib.sha256(body).hexdigest()})
    with suppress(OSError):
        path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        put_whole(path, head.encode() + b"\n" + body)
        make_room(path.parent)
    return replace(found, read=0)


def _made_by() -> str:
    return f"{_FORMAT} {__version__} {declared_version()}"


def place_of(session: Session, ending: str = ".bin") -> Path | None:
    """Return where a workspace's copy lies: under the name of its journal's first entry; None where none is kept."""
    named = os.environ.get(VARIABLE)
    if named is not None and not named.strip():
        return None
    first = session.scalar(select(JournalEntry.hash).where(JournalEntry.id == 1))
    if first is None:
        return None
    if named is not None:
        place = Path(named).expanduser().absolute()
    else:
        from platformdirs import user_cache_path

        place = user_cache_path("lotproof", appauthor=False)
    # The name is a digest of what the records hold: nothing in them can name another path.
    return place / "known" / f"{hashlib.sha256(first.encode()).hexdigest()[:32]}{ending}"


def _packed(found: "KnownPieces") -> bytes:
    truths = [one.truth for one in found.pieces.values()]
    rows = [(one.piece, one.lot, one.seller, one.not_genuine, one.by_bench) for one in truths]
    return np.array(rows, _PLACES).tobytes() + b"".join(one.outcomes.marks for one in found.pieces.values())


def _unpacked(earlier: Head, count: int, body: bytes) -> "KnownPieces":
    from tracker.desk.known_pieces import Known, KnownPieces

    places, width = count * _PLACES.itemsize, len(codes())
    if len(body) != places + count * width:
        raise ValueError("it does not hold what it says")
    rows = np.frombuffer(body[:places], _PLACES).tolist()
    marks = (body[at : at + width] for at in range(places, len(body), width))
    return KnownPieces(
        earlier,
        {
            piece: Known(Truth(piece, lot, seller, bool(bad), bool(by_bench)), Outcomes(mark))
            for (piece, lot, seller, bad, by_bench), mark in zip(rows, marks, strict=True)
        },
    )


def make_room(place: Path, ending: str = ".bin") -> None:
    """Remove all but the latest copies."""
    for path in sorted(place.glob(f"*{ending}"), key=lambda one: one.stat().st_mtime)[:-MOST_WORKSHOPS]:
        path.unlink(missing_ok=True)
