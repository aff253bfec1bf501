"""What was read of all pieces whose truth is known, kept for the next process (`tracker/desk/kept_copy.py`)."""

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from sqlalchemy.orm import Session

from tracker import __version__
from tracker.desk import kept_copy
from tracker.desk.kept_copy import Copy
from tracker.desk.truths import Truth
from tracker.judgement.outcomes import Outcomes, codes
from tracker.judgement.weights import declared_version

if TYPE_CHECKING:
    from tracker.desk.known_pieces import KnownPieces

WORTH_IT = 500
"""When so many pieces were read from the records it is written anew; our own choice: they take a tenth of a second."""
ENDING = ".bin"
_FORMAT = 1
_PLACES = np.dtype([("piece", "<i8"), ("lot", "<i8"), ("seller", "<i8"), ("bad", "u1"), ("by_bench", "u1")])


def load(session: Session) -> "KnownPieces | None":
    """Return what was kept of the journal that a session sees, None where there is nothing that can be used."""
    copy = kept_copy.load(session, ENDING, _made_by())
    try:
        return None if copy is None else _unpacked(copy)
    except (ValueError, KeyError, TypeError):
        return None


def kept(session: Session, found: "KnownPieces") -> "KnownPieces":
    """Keep what was read, where anything is kept."""
    if kept_copy.place_of(session, ENDING) is None:
        return found
    kept_copy.keep(session, ENDING, _made_by(), Copy(found.head, {"pieces": len(found.pieces)}, _packed(found)))
    return replace(found, read=0)


def _made_by() -> str:
    return f"{_FORMAT} {__version__} {declared_version()}"


def _packed(found: "KnownPieces") -> bytes:
    truths = [one.truth for one in found.pieces.values()]
    rows = [(one.piece, one.lot, one.seller, one.not_genuine, one.by_bench) for one in truths]
    return np.array(rows, _PLACES).tobytes() + b"".join(one.outcomes.marks for one in found.pieces.values())


def _unpacked(copy: Copy) -> "KnownPieces":
    from tracker.desk.known_pieces import Known, KnownPieces

    count, body = int(copy.said["pieces"]), copy.body
    places, width = count * _PLACES.itemsize, len(codes())
    if len(body) != places + count * width:
        raise ValueError("it does not hold what it says")
    rows = np.frombuffer(body[:places], _PLACES).tolist()
    marks = (body[at : at + width] for at in range(places, len(body), width))
    return KnownPieces(
        copy.at,
        {
            piece: Known(Truth(piece, lot, seller, bool(bad), bool(by_bench)), Outcomes(mark))
            for (piece, lot, seller, bad, by_bench), mark in zip(rows, marks, strict=True)
        },
    )
