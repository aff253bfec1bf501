"""What was read of all pieces whose truth is known, kept for the next process (`tracker/desk/kept_copy.py`)."""

from dataclasses import replace

import numpy as np
from sqlalchemy.orm import Session

from tracker import __version__
from tracker.desk import kept_copy
from tracker.desk.kept_copy import Copy
from tracker.desk.known_table import PLACES, KnownPieces, KnownTable
from tracker.judgement.outcomes import codes
from tracker.judgement.weights import declared_version

WORTH_IT = 500
"""When so many pieces were read from the records it is written anew; our own choice: they take a tenth of a second."""
ENDING = ".bin"
_FORMAT = 1


def load(session: Session) -> KnownPieces | None:
    """Return what was kept of the journal that a session sees, None where there is nothing that can be used."""
    copy = kept_copy.load(session, ENDING, _made_by())
    try:
        return None if copy is None else _unpacked(copy)
    except (ValueError, KeyError, TypeError):
        return None


def kept(session: Session, found: KnownPieces) -> KnownPieces:
    """Keep what was read, where anything is kept."""
    if kept_copy.place_of(session, ENDING) is None:
        return found
    kept_copy.keep(session, ENDING, _made_by(), Copy(found.head, {"pieces": len(found.pieces)}, _packed(found)))
    return replace(found, read=0)


def _made_by() -> str:
    return f"{_FORMAT} {__version__} {declared_version()}"


def _packed(found: KnownPieces) -> bytes:
    return found.pieces.places.tobytes() + found.pieces.marks.tobytes()


def _unpacked(copy: Copy) -> KnownPieces:
    count, body = int(copy.said["pieces"]), copy.body
    places, width = count * PLACES.itemsize, len(codes())
    if len(body) != places + count * width:
        raise ValueError("it does not hold what it says")
    marks = np.frombuffer(body[places:], np.uint8).reshape(count, width)
    return KnownPieces(copy.at, KnownTable(np.frombuffer(body[:places], PLACES), marks))
