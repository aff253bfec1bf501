"""The lists of sellers and machines from what is kept beside the records: a few sums made by the database."""

from collections.abc import Callable, Mapping
from typing import Any

from sqlalchemy import case, func, select
from sqlalchemy.orm import Session

from tracker.desk.fields import folded
from tracker.desk.listing_filters import Filters, no_such_row
from tracker.desk.listing_page import Page, Wish
from tracker.desk.listing_query import past_number
from tracker.desk.pieces import plain_label
from tracker.desk.rows import MachineRow, Row, SellerRow
from tracker.judgement import sellers
from tracker.records.derived import LOT_STANDING, PIECE_STANDING
from tracker.records.models import JournalEntry, Lot, Machine, Seller

_AT = LOT_STANDING.c
_SUMMED = ("pieces", "genuine", "not_genuine", "accepted", "rejected", "returned", "fitted")
_SELLERS = (
    select(
        Seller.name,
        func.count(Lot.id),
        *(func.coalesce(func.sum(_AT[name]), 0) for name in _SUMMED),
        func.min(Lot.arrived_on),
        func.max(Lot.arrived_on),
        # A lot counts as one that is known, and as one that is bad, however many of its pieces are.
        func.coalesce(func.sum(case((_AT.known > 0, 1), else_=0)), 0),
        func.coalesce(func.sum(case((_AT.bad > 0, 1), else_=0)), 0),
    )
    .outerjoin(Lot, Lot.seller_id == Seller.id)
    .outerjoin(LOT_STANDING, _AT.lot_id == Lot.id)
    .group_by(Seller.id, Seller.name)
    .order_by(Seller.id)
)
_HELD = (
    select(PIECE_STANDING.c.machine_id, func.count())
    .where(PIECE_STANDING.c.machine_id.is_not(None))
    .group_by(PIECE_STANDING.c.machine_id)
)
_MACHINES = (
    select(Machine.id, Machine.label, Machine.name, Machine.owner_reference, JournalEntry.at)
    .join(JournalEntry, JournalEntry.id == Machine.entry_id)
    .order_by(Machine.id)
)


def _sellers(session: Session) -> list[Row]:
    rows: list[Row] = []
    for values in session.execute(_SELLERS):
        *_, known, bad = values
        share = sellers.share(bad, known) if known else None
        rows.append(SellerRow(*values, *((None, None) if share is None else (share.low, share.high))))
    return rows


def _machines(session: Session) -> list[Row]:
    held: dict[int | None, int] = dict(session.execute(_HELD).all())
    return [
        MachineRow(label, name, owner, held.get(number, 0), at)
        for number, label, name, owner, at in session.execute(_MACHINES)
    ]


def machines_page(session: Session, wish: Wish) -> Page:
    """Return a page of machines by number: their pieces are counted for those shown alone.

    Names are compared here, since not every database knows the small form of every letter.

    Raises
    ------
    BadRequest
        When there is no machine to go on after.
    """
    limit = wish.limit or 0
    passed = _passed(session, wish.filters)
    query: Any = _MACHINES.order_by(None).order_by(Machine.id.desc() if wish.reverse else Machine.id)
    number = None
    if wish.after is not None:
        number = session.scalar(select(Machine.id).where(Machine.label == plain_label(wish.after)))
        if number is None:
            raise no_such_row("machines", wish.after)
        query = query.where(past_number(Machine.id, number, wish.reverse))
    if passed is not None:
        left = [one for one in passed if number is None or (one < number if wish.reverse else one > number)]
        some = sorted(left, reverse=wish.reverse)[: limit + 1]
        query = query.where(Machine.id.in_(some))
    rows = session.execute(query.limit(limit + 1)).all()
    shown = rows[:limit]
    held: dict[int | None, int] = dict(
        session.execute(_HELD.where(PIECE_STANDING.c.machine_id.in_([row[0] for row in shown]))).all()
    )
    made = tuple(MachineRow(label, name, owner, held.get(number, 0), at) for number, label, name, owner, at in shown)
    count = len(passed) if passed is not None else session.scalar(select(func.count()).select_from(Machine)) or 0
    return Page(made, count, shown[-1][1] if len(rows) > limit else None, 0)


def _passed(session: Session, filters: Filters) -> list[int] | None:
    """Return the numbers of the machines that pass, in order; None where nothing is asked of them."""
    if filters == Filters():
        return None
    query: Any = select(Machine.id, Machine.name).order_by(Machine.id)
    if filters.machine is not None:
        query = query.where(Machine.label == folded(filters.machine).upper())
    if filters.since is not None:
        day = filters.since.isoformat()
        first = select(func.min(JournalEntry.id + 0)).where(JournalEntry.at >= day).scalar_subquery()
        query = query.join(JournalEntry, JournalEntry.id == Machine.entry_id)
        query = query.where(JournalEntry.at >= day, Machine.entry_id >= first)
    rows = session.execute(query)
    if filters.name is None:
        return [number for number, _ in rows]
    text = folded(filters.name)
    return [number for number, name in rows if text in name.casefold()]


QUICK: Mapping[str, Callable[[Session], list[Row]]] = {"sellers": _sellers, "machines": _machines}
