"""Lots with pieces that are still to be decided on, and how many; which of them to look for tests in."""

from datetime import date
from itertools import zip_longest

from sqlalchemy import literal, select
from sqlalchemy.orm import Session

from tracker.desk.lot_outlook import UNDECIDED
from tracker.desk.pieces import MANY, dispositions
from tracker.desk.standing import state
from tracker.records.derived import LOT_STANDING
from tracker.records.models import Lot, Piece

MOST_JUDGED = 1_000
"""Lots with so many pieces together are looked at for the next tests, unless all are asked for; our own choice, for the
time it takes: half a second to a second."""


def first_to_test(session: Session, today: date, most: int = MOST_JUDGED) -> tuple[list[int], int]:
    """Return lots to look for tests in, with at most so many pieces together, and how many such lots are left out.

    In turn the lot whose claim window closes next, and the lot with most undecided pieces, so that neither what is
    urgent nor where most can be gained is left out for the other. One that is too large is passed over; where all are,
    the smallest is taken.
    """
    count = {lot: number for lot, number in undecided(session).items() if number}
    query = select(Lot.id, Lot.claim_by, Lot.quantity_received)
    rows = session.execute(query if len(count) > MANY else query.where(Lot.id.in_(count))).all()
    sizes = {lot: pieces for lot, _, pieces in rows}
    closing = {lot: day for lot, day, _ in rows if lot in count and day is not None and day >= today}
    urgent = sorted(closing, key=lambda lot: (closing[lot], lot))
    many = sorted(count, key=lambda lot: (-count[lot], -lot))
    taken, left = dict[int, None](), most
    for pair in zip_longest(urgent, many):
        for lot in pair:
            if lot is not None and lot not in taken and sizes[lot] <= left:
                taken[lot] = None
                left -= sizes[lot]
    if count and not taken:
        taken[min(count, key=lambda lot: (sizes[lot], lot))] = None
    return sorted(taken), len(count) - len(taken)


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
