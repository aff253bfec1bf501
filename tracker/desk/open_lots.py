"""Lots with pieces that are still to be decided on, and how many: asked before anything is worked out about them."""

from dataclasses import dataclass
from datetime import date

from sqlalchemy import literal, select
from sqlalchemy.orm import Session, joinedload

from tracker.desk.lot_outlook import UNDECIDED
from tracker.desk.pieces import dispositions
from tracker.desk.standing import state
from tracker.desk.workspace import Workspace
from tracker.records.derived import LOT_STANDING
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
        count = undecided(session)
        query = select(Lot).options(joinedload(Lot.seller)).order_by(Lot.id.desc())
        lots = [lot for lot in session.scalars(query) if count.get(lot.id)]
        lots.sort(key=lambda lot: lot.claim_by or date.max)
        return tuple(OpenLot(lot.label, lot.claimed_part, lot.seller.name, lot.claim_by, count[lot.id]) for lot in lots)


def undecided(session: Session) -> dict[int, int]:
    """Return how many pieces of a lot are still to be decided on, by its id; lots without any may be left out."""
    if state(session).current:
        left = sum((LOT_STANDING.c[name] for name in UNDECIDED), literal(0))
        rows = session.execute(select(LOT_STANDING.c.lot_id, left).where(left > 0))
        return {row[0]: row[1] for row in rows}
    now = dispositions(session)
    count: dict[int, int] = {}
    for number, lot in session.execute(select(Piece.id, Piece.lot_id)):
        count[lot] = count.get(lot, 0) + (now[number] in UNDECIDED)
    return count
