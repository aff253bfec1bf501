"""Pages of the lists of pieces and lots, from what is kept beside the records.

A page costs what its rows cost, however many others there are. Of the rows whose suspicion is not of today as many
are brought up to it as `FEW` stale pieces allow, the first ones shown first; the others are shown as kept and named
in `old`. A list that goes by suspicion needs those of all: where there are no more than `FEW` stale ones they are
brought up to today first, else its order goes by what was kept. `stale` says so either way.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from tracker.desk import listing_query as query
from tracker.desk import standing_suspicion as kept
from tracker.desk.fields import folded
from tracker.desk.listing_filters import Filters, no_such_row
from tracker.desk.pieces import plain_label
from tracker.desk.rows import ROW_OF, Row
from tracker.desk.standing import STATE, State, state
from tracker.desk.workspace import Workspace
from tracker.records.derived import LOT_STANDING, PIECE_STANDING, SELLER_STANDING
from tracker.records.models import Lot, Machine, Piece

Found = Sequence[Any]
"""A row as the database gives it."""
_TABLE = {"pieces": PIECE_STANDING, "lots": LOT_STANDING}
_NO_FILTERS: frozenset[str] = frozenset()
_NUMBER = {what: len(fields(row)) for what, row in ROW_OF.items()}
"""Where a row's number stands, behind its columns; what its suspicion was reckoned with comes after it."""
_COUNTED = 1 + len(STATE)
"""Columns of `listing_query.count`, at the end of each row of a page."""
_SUSPICION = {"pieces": 7, "lots": 21}
"""Where the suspicion stands among a row's columns."""


@dataclass(frozen=True, slots=True)
class Wish:
    """What is asked of a list; `sort` is a column, `after` the label of a row to go on after."""

    filters: Filters
    sort: str
    reverse: bool = False
    limit: int | None = None
    after: str | None = None


@dataclass(frozen=True, slots=True)
class Page:
    """The rows, as for `Listing` of `tracker/desk/listing.py`."""

    rows: tuple[Row, ...]
    found: int
    next: str | None
    stale: int
    old: frozenset[str] = frozenset()


def page(workspace: Workspace, what: str, wish: Wish) -> Page | None:
    """Return a page of pieces or lots; None where what is kept is behind the records, or cannot be brought up to today.

    Raises
    ------
    BadRequest
        When there is no row to go on after.
    """
    everyone = wish.sort == "suspicion" or wish.filters.suspicion is not None
    if everyone and not _of_today(workspace, what):
        return None
    with workspace.read() as session:
        names, values = _filters(session, what, wish.filters)
        if wish.after is not None and not state(session).current:
            return None
        found = [] if names is None else _rows(session, what, wish, names, values)
        if found and wish.limit is not None:
            number, *at = found[0][-_COUNTED:]
        else:
            number, *at = session.connection().execute(query.count(what, names or _NO_FILTERS), values).one()
        if not State(*at).current:
            return None
        today = kept.mark(State(*at).taught)
        stale = kept.stale(session, _TABLE[what], today) if everyone else 0
        if names is None:
            return Page((), 0, None, stale)
        made = _page(session, what, wish.limit, found, today)
    kept.keep(workspace, made.fresh)
    return Page(made.rows, number, made.next, max(stale, len(made.old)), made.old)


def _of_today(workspace: Workspace, what: str) -> bool:
    """Bring the few stale suspicions up to today; many stay as they are.

    False where they cannot be kept, and the whole list is as quickly worked out from the records alone.
    """
    for _ in range(3):  # another bench may add more meanwhile
        with workspace.read() as session:
            today = kept.mark(state(session).taught)
            number = kept.stale(session, PIECE_STANDING, today)
            some = [] if number > kept.FEW else kept.some_stale(session, today, kept.FEW)
            if len(some) < number or len(kept.in_time(session, some, kept.FEW)) < number:
                return True
            if not number and (what == "pieces" or not kept.stale(session, LOT_STANDING, today)):
                return True
            if what == "lots":  # theirs are the pieces of stale lots
                found = kept.reckon_lots(session, today, kept.stale_lots(session, today))
            else:
                found = kept.reckon_pieces(session, today, [one for one, _ in some])
        if not found.pieces and not found.lots:
            return True
        if not kept.keep(workspace, found):
            return not _few_in_all(workspace)
    return True


def _few_in_all(workspace: Workspace) -> bool:
    with workspace.read() as session:
        return (session.scalar(select(func.count()).select_from(Piece)) or 0) <= kept.FEW


@dataclass(frozen=True, slots=True)
class _Made:
    rows: tuple[Row, ...]
    next: str | None
    fresh: kept.Reckoned
    old: frozenset[str]


def _page(session: Session, what: str, limit: int | None, found: Sequence[Found], today: str) -> _Made:
    more = limit is not None and len(found) > limit
    shown = found[:limit] if more else found
    fresh = _fresh(session, what, shown, today)
    newer = fresh.pieces if what == "pieces" else fresh.lots
    rows = tuple(_made(what, row, newer) for row in shown)
    old = frozenset(row[0] for row in shown if _is_old(what, row, today) and row[_NUMBER[what]] not in newer)
    return _Made(rows, shown[-1][0] if more else None, fresh, old)


def _rows(session: Session, what: str, wish: Wish, names: frozenset[str], values: Mapping[str, Any]) -> Sequence[Found]:
    """Return the rows of a page and one more, if there is one."""
    limit = None if wish.limit is None else wish.limit + 1
    shape = query.Shape(what, wish.sort, wish.reverse, names, wish.after is not None)
    last: tuple[int, Any] | None = None
    if wish.after is not None:
        label = plain_label(wish.after)
        row = session.execute(query.value_of(what, wish.sort), {"label": label}).first()
        if row is None:
            raise no_such_row(what, wish.after)
        last = (row[0], row[1])
        values = {**values, "after_id": last[0], "after_key": last[1]}
    if not query.may_lack(shape):
        return _asked(session, shape, query.TOLD, values, limit)
    rows: list[Found] = []
    if last is None or last[1] is not None:
        rows += _asked(session, shape, query.TOLD, values, limit)
        if limit is None or len(rows) < limit:
            whole = query.Shape(what, wish.sort, wish.reverse, names)
            left = None if limit is None else limit - len(rows)
            rows += _asked(session, whole, query.UNTOLD, values, left)
        return rows
    return _asked(session, shape, query.UNTOLD, values, limit)


def _asked(
    session: Session, shape: query.Shape, part: str, values: Mapping[str, Any], limit: int | None
) -> Sequence[Found]:
    # Past the session's own ways, which are made for whole rows, and counted along: half the time of a page.
    question = query.page(shape, part) if limit is None else query.limited(shape, part)
    return session.connection().execute(question, {**values, "limit": limit}).all()


def _filters(session: Session, what: str, filters: Filters) -> tuple[frozenset[str] | None, dict[str, Any]]:
    """Return which filters there are and their values; None where no row can pass."""
    values: dict[str, Any] = {}
    for name, model in (("lot", Lot), ("piece", Piece), ("machine", Machine)):
        label = getattr(filters, name)
        if label is not None:
            values[name] = session.scalar(select(model.id).where(model.label == folded(label).upper()))
    if filters.seller is not None:
        at = SELLER_STANDING.c
        key = folded(filters.seller)
        values["sellers"] = list(session.scalars(select(at.seller_id).where(at.name_key == key))) or None
    if any(value is None for value in values.values()):
        return None, {}
    names = set(values)
    if filters.disposition is not None:
        word = folded(filters.disposition)
        names.add("disposition_open" if word == query.OPEN else "disposition_not_open")
        values["disposition"] = word
    if filters.having is not None:
        names.add(f"having_{filters.having}")
    if filters.source is not None:
        values["source"] = folded(filters.source)
    if filters.part is not None:
        values["part"] = query.escaped(folded(filters.part))
    if filters.since is not None:
        values["since"] = filters.since
    if filters.suspicion is not None:
        values["suspicion"] = filters.suspicion
    return frozenset(names | (values.keys() - {"disposition"})), values


def _fresh(session: Session, what: str, rows: Sequence[Found], today: str) -> kept.Reckoned:
    stale = [row[_NUMBER[what]] for row in rows if _is_old(what, row, today)]
    if not stale:
        return kept.Reckoned(today)
    if what == "lots":
        return kept.reckon_lots(session, today, stale, kept.FEW)
    some = kept.lots_of(session, stale[: kept.FEW])
    return kept.reckon_pieces(session, today, kept.in_time(session, some, kept.FEW))


def _is_old(what: str, row: Found, today: str) -> bool:
    return row[_NUMBER[what] + 1] not in (today, "-")


def _made(what: str, row: Found, newer: Mapping[int, tuple[int, float | None]]) -> Row:
    number = row[_NUMBER[what]]
    values: Sequence[Any] = row[: _NUMBER[what]]
    if number in newer:
        at = _SUSPICION[what]
        values = (*values[:at], newer[number][1], *values[at + 1 :])
    return ROW_OF[what](*values)
