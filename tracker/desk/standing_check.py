"""Does what is kept beside the records say what they do? For `verify`, and for `tidy`, which makes it anew where not.

Suspicions are not looked at: which of them are of today is known, and they are worked out anew before they are shown.
"""

from collections.abc import Iterator, Sequence
from typing import Any

from sqlalchemy import Table, func, select
from sqlalchemy.orm import Session

from tracker.desk.fault import Fault
from tracker.desk.fields import folded
from tracker.desk.looks import TOP_ROLES
from tracker.desk.marking_check import differing
from tracker.desk.standing import AT_ONCE, bring_up, empty, lot_rows, state
from tracker.desk.standing_rows import FROM_LOOKS, SAID, from_look, standing_rows
from tracker.records.derived import LOT_STANDING, PIECE_STANDING, SELLER_STANDING
from tracker.records.models import Inspection, Lot, Photo, Piece, Seller


def check(session: Session) -> Iterator[Fault]:
    """Yield every row kept beside the records that does not say what they do; none where the tables are behind.

    Tables that are behind are brought up to the records before anybody is shown them, so there is nothing wrong then.
    """
    if not state(session).current:
        return
    yield from _pieces(session)
    yield from _lots(session)
    yield from _sellers(session)
    yield from (_fault(subject, "marking") for subject in differing(session))


def mend(session: Session) -> int:
    """Make all of it anew where anything differs; return how many rows did. The write lock is held."""
    wrong = sum(1 for _ in check(session))
    if wrong:
        empty(session)
        at = state(session)
        bring_up(session, at, until=at.head)
    return wrong


def _pieces(session: Session) -> Iterator[Fault]:
    moved = set(session.scalars(_SAID_ANEW))
    at = Piece.id
    last = 0
    while True:
        some = session.execute(select(at, Piece.label).where(at > last).order_by(at).limit(AT_ONCE)).all()
        if not some:
            break
        labels = {row[0]: row[1] for row in some}
        last = some[-1][0]
        yield from _of_pieces(session, labels, [number for number in labels if number in moved])
    dangling = select(PIECE_STANDING.c.piece_id).where(PIECE_STANDING.c.piece_id.not_in(select(Piece.id)))
    for number in session.scalars(dangling):
        yield _fault(f"piece {number}", "there is no such piece")


_BY_PHOTO = select(Inspection.photo_id).group_by(Inspection.photo_id)
_SAID_ANEW = select(Inspection.piece_id).where(
    Inspection.photo_id.in_(_BY_PHOTO.having(func.min(Inspection.entry_id) != func.max(Inspection.entry_id)))
)
"""Pieces in photos of which something was said more than once: which chip is which is in the kept documents alone."""


def _of_pieces(session: Session, labels: dict[int, str], moved: Sequence[int]) -> Iterator[Fault]:
    there = _kept(session, PIECE_STANDING, list(labels))
    # A lesson is in the documents, too; a wrong one only has suspicions worked out anew more or less often.
    names = [name for name in SAID if name != "lesson"]
    plainly = [name for name in names if name not in FROM_LOOKS]
    seen = _tops(session, list(labels))
    whole = {row["piece_id"]: row for row in standing_rows(session, moved)} if moved else {}
    for row in standing_rows(session, list(labels), with_looks=False):
        number = row["piece_id"]
        if number in whole:
            said, compared = whole[number], names
        else:
            said, compared = {**row, **from_look(*seen.get(number, ()))}, [*plainly, *FROM_LOOKS]
        mine = there.get(number)
        if mine is None:
            differs = [name for name in compared if said[name] != _UNSEEN.get(name) and name not in _KEYS]
        else:
            differs = [name for name in compared if said[name] != mine[name]]
        if differs:
            yield _fault(labels[number], ", ".join(differs))


_KEYS = ("piece_id", "lot_id")
_UNSEEN = {"disposition": "open", "exemplar": False}
"""What holds for a piece without a row."""


def _tops(session: Session, pieces: Sequence[int]) -> dict[int, tuple[str | None, ...]]:
    """Return what was read last of each piece's unswabbed top: part, date code, package."""
    newest = (
        select(func.max(Inspection.id))
        .join(Photo, Photo.id == Inspection.photo_id)
        .where(Inspection.piece_id.in_(pieces), Photo.role.in_(TOP_ROLES))
        .group_by(Inspection.piece_id)
    )
    columns = (Inspection.piece_id, Inspection.part_read, Inspection.date_code, Inspection.package)
    return {number: tuple(read) for number, *read in session.execute(select(*columns).where(Inspection.id.in_(newest)))}


def _lots(session: Session) -> Iterator[Fault]:
    lots = session.execute(select(Lot.id, Lot.label).order_by(Lot.id)).all()
    for start in range(0, len(lots), AT_ONCE):
        labels = {row[0]: row[1] for row in lots[start : start + AT_ONCE]}
        there = _kept(session, LOT_STANDING, list(labels))
        for row in lot_rows(session, list(labels)):
            number = row["lot_id"]
            mine = there.get(number)
            differs = ["row"] if mine is None else [name for name in row if row[name] != mine[name]]
            if differs:
                yield _fault(labels[number], ", ".join(differs))


def _sellers(session: Session) -> Iterator[Fault]:
    there = {row.seller_id: row.name_key for row in session.execute(select(SELLER_STANDING))}
    for number, name in session.execute(select(Seller.id, Seller.name).order_by(Seller.id)):
        if there.get(number) != folded(name):
            yield _fault(name, "name")


def _kept(session: Session, table: Table, numbers: Sequence[int]) -> dict[int, Any]:
    key = next(iter(table.primary_key))
    found = session.execute(select(table).where(key.in_(numbers))).mappings()
    return {row[key.name]: row for row in found}


def _fault(subject: str, what: str) -> Fault:
    message = (
        f"What is kept for lists of {subject} is not what the records say ({what}). No record is "
        "changed by that; `lotproof tidy` works it out anew."
    )
    return Fault("rows", "standing-differs", subject, message)
