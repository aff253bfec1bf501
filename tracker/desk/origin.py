"""Where a lot came from that was taken over from another workshop, and what that workshop found."""

from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracker.desk.pieces import find_lot
from tracker.desk.workspace import Workspace
from tracker.records.models import ForeignRecord, Lot, LotOrigin, Piece


@dataclass(frozen=True, slots=True)
class Origin:
    """Whose lot it was; `bag_sha256` names the payload of the bag it came in."""

    workshop: str
    workshop_id: str
    their_lot: str
    bag_sha256: str
    head_entry: int
    head_hash: str
    exported_at: str
    program: str
    signing_key: str | None
    """Name of the key that signed the newest of their entries that came along; to be compared with what they say."""

    @property
    def sentence(self) -> str:
        """What a person reads."""
        signed = f", signed with key {self.signing_key}" if self.signing_key else ""
        return (
            f"{self.workshop} as their {self.their_lot}, in a bag of {self.exported_at[:10]}; their journal's head was "
            f"entry {self.head_entry}, {self.head_hash}{signed}"
        )


@dataclass(frozen=True, slots=True)
class Theirs:
    """One thing the other workshop found or did; it counts for nothing in our sums."""

    piece: str | None
    kind: str
    their_label: str | None
    at: str
    operator: str
    said: str


def origin_of(session: Session, lot: Lot) -> Origin | None:
    """Return where a lot came from, or None for one that came from a seller."""
    row = session.scalar(select(LotOrigin).where(LotOrigin.lot_id == lot.id))
    if row is None:
        return None
    return Origin(
        workshop=row.workshop,
        workshop_id=row.workshop_id,
        their_lot=row.their_lot,
        bag_sha256=row.bag_sha256,
        head_entry=row.head_entry,
        head_hash=row.head_hash,
        exported_at=row.exported_at,
        program=row.program,
        signing_key=row.signing_key,
    )


def found_there(workspace: Workspace, label: str) -> tuple[Theirs, ...]:
    """Return what the workshop a lot came from found of it; nothing for one that came from a seller.

    Raises
    ------
    NoSuch
        There is no such lot.
    """
    with workspace.read() as session:
        return theirs(session, find_lot(session, label))


def theirs(session: Session, lot: Lot, piece: Piece | None = None) -> tuple[Theirs, ...]:
    """Return what the other workshop found of a lot, or of one piece, oldest first."""
    query = (
        select(ForeignRecord, Piece.label)
        .outerjoin(Piece, Piece.id == ForeignRecord.piece_id)
        .where(ForeignRecord.lot_id == lot.id)
        .order_by(ForeignRecord.id)
    )
    if piece is not None:
        query = query.where(ForeignRecord.piece_id == piece.id)
    return tuple(
        Theirs(label, row.kind, row.their_label, row.at, row.operator, row.said)
        for row, label in session.execute(query)
    )
