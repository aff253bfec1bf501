"""Lots with pieces that are still to be decided on, and how many: asked before anything is worked out about them."""

from dataclasses import dataclass
from datetime import date

from sqlalchemy import select

from tracker.desk.lot_outlook import UNDECIDED
from tracker.desk.pieces import dispositions
from tracker.desk.workspace import Workspace
from tracker.records.models import Lot, Piece


@dataclass(frozen=True, slots=True)
class OpenLot:
    """One lot; `undecided` of its pieces are open or quarantined."""

    lot: str
    part: str
    seller: str
    claim_by: date | None
    undecided: int


def open_lots(workspace: Workspace) -> tuple[OpenLot, ...]:
    """Return the lots with undecided pieces: the soonest claim window first, then the newest."""
    with workspace.read() as session:
        now = dispositions(session)
        count: dict[int, int] = {}
        for number, lot_id in session.execute(select(Piece.id, Piece.lot_id)):
            count[lot_id] = count.get(lot_id, 0) + (now[number] in UNDECIDED)
        lots = [lot for lot in session.scalars(select(Lot).order_by(Lot.id.desc())) if count.get(lot.id)]
        lots.sort(key=lambda lot: lot.claim_by or date.max)
        return tuple(OpenLot(lot.label, lot.claimed_part, lot.seller.name, lot.claim_by, count[lot.id]) for lot in lots)
