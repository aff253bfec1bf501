"""Pages of the list of runs, asked of the records themselves: a page by number costs what its rows cost.

Rows and their labels are numbered in one order, so a list by label goes by the row's number. Pieces and machines go by
theirs, and the instant goes by the journal, whose entries follow each other even where a clock stood behind.
"""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from sqlalchemy import ColumnElement, Select, func, select
from sqlalchemy.orm import Session

from tracker.desk.fields import folded
from tracker.desk.listing_filters import Filters, no_such_row
from tracker.desk.listing_page import Page, Wish
from tracker.desk.listing_query import past_number, past_value, plainly
from tracker.desk.pieces import plain_label
from tracker.desk.rows import RunRow
from tracker.records.models import BenchRun, JournalEntry, Machine, Piece

_COLUMNS = (
    BenchRun.label,
    BenchRun.test,
    Piece.label,
    Machine.label,
    BenchRun.verdict,
    BenchRun.weight_db,
    BenchRun.supply_v,
    JournalEntry.at,
    JournalEntry.operator,
)
"""As in `RunRow`."""
_KEYS: Mapping[str, ColumnElement[Any]] = {
    "test": plainly(func.lower(BenchRun.test)),
    "piece": BenchRun.piece_id.expression,
    "machine": BenchRun.machine_id.expression,
    "verdict": plainly(func.lower(BenchRun.verdict)),
    "weight_db": BenchRun.weight_db.expression,
    "supply_v": BenchRun.supply_v.expression,
    "at": BenchRun.entry_id.expression,
}
"""What each column is ordered by, beside the label: numbers, and words of plain letters. Names of persons are not among
them, since not every database knows the small form of every letter: they are few, and put in order here."""


def runs(session: Session, wish: Wish) -> Page:
    """Return a page of the runs; its filters are those that runs have.

    Raises
    ------
    BadRequest
        When there is no run to go on after.
    """
    conditions = _conditions(wish.filters)
    after = _after(session, wish)
    key = _KEYS.get(wish.sort)
    limit = None if wish.limit is None else wish.limit + 1
    if wish.sort == "operator":
        rows = _by_operator(session, conditions, wish, after, limit)
    elif key is None:
        rows = _asked(session, conditions, [_past(wish, after)], [_by_number(wish.reverse)], limit)
    else:
        rows = _by_value(session, conditions, key, wish, after, limit)
    more = wish.limit is not None and len(rows) > wish.limit
    shown = rows[: wish.limit] if more else rows
    count = session.scalar(_joined(select(func.count()), wish.filters.since is not None).where(*conditions)) or 0
    return Page(tuple(RunRow(*row) for row in shown), count, shown[-1][0] if more and shown else None, 0)


def _by_value(
    session: Session, conditions: Sequence[Any], key: Any, wish: Wish, after: tuple[int, Any] | None, limit: int | None
) -> list[Any]:
    """Return rows by a column, earlier ones first among equal values; those without a value come last."""
    rows: list[Any] = []
    if after is None or after[1] is not None:
        past: list[Any] = [key.is_not(None)]
        if after is not None:
            past.append(past_value(key, BenchRun.id, (after[1], after[0]), wish.reverse))
        rows = _asked(session, conditions, past, [key.desc() if wish.reverse else key, BenchRun.id], limit)
        after = None
    if limit is None or len(rows) < limit:
        left = None if limit is None else limit - len(rows)
        past = [key.is_(None)] + ([] if after is None else [BenchRun.id > after[0]])
        rows += _asked(session, conditions, past, [BenchRun.id], left)
    return rows


def _by_operator(
    session: Session, conditions: Sequence[Any], wish: Wish, after: tuple[int, Any] | None, limit: int | None
) -> list[Any]:
    """Return rows by who measured: a question for each person, until there are enough."""
    spellings: dict[str, list[str]] = {}
    for name in _operators(session):
        spellings.setdefault(name.casefold(), []).append(name)
    rows: list[Any] = []
    for name in sorted(spellings, reverse=wish.reverse):
        those = spellings[name]
        one = JournalEntry.operator == those[0] if len(those) == 1 else JournalEntry.operator.in_(those)
        past: list[Any] = [one]
        if after is not None:
            mine = after[1].casefold()
            if name > mine if wish.reverse else name < mine:
                continue
            if name == mine:
                entry = select(BenchRun.entry_id).where(BenchRun.id == after[0]).scalar_subquery()
                past += [BenchRun.id > after[0], JournalEntry.id >= entry]
        if limit is None or len(rows) < limit:
            left = None if limit is None else limit - len(rows)
            # In the order of the entries, which is that of the runs: the index of operators has them so.
            rows += _asked(session, conditions, past, [JournalEntry.id, BenchRun.id], left)
    return rows


def _operators(session: Session) -> Iterator[str]:
    """Yield everybody in the journal once; each is the next one in the index, so the entries are not gone through."""
    name = session.scalar(select(func.min(JournalEntry.operator)))
    while name is not None:
        yield name
        name = session.scalar(select(func.min(JournalEntry.operator)).where(JournalEntry.operator > name))


def _asked(
    session: Session, conditions: Sequence[Any], past: Sequence[Any], order: Sequence[Any], limit: int | None
) -> list[Any]:
    query: Any = select(*_COLUMNS)
    query = _joined(query).where(*conditions, *(one for one in past if one is not None))
    return list(session.execute(query.order_by(*order).limit(limit)))


def _joined(query: Select[Any], everything: bool = True) -> Select[Any]:
    query = query.select_from(BenchRun)
    if not everything:
        return query
    return (
        query.outerjoin(Piece, Piece.id == BenchRun.piece_id)
        .outerjoin(Machine, Machine.id == BenchRun.machine_id)
        .join(JournalEntry, JournalEntry.id == BenchRun.entry_id)
    )


def _by_number(reverse: bool) -> Any:
    return BenchRun.id.desc() if reverse else BenchRun.id


def _past(wish: Wish, after: tuple[int, Any] | None) -> Any:
    return None if after is None else past_number(BenchRun.id, after[0], wish.reverse)


def _after(session: Session, wish: Wish) -> tuple[int, Any] | None:
    """Return the number of the run to go on after, and its value in the column that the list goes by."""
    if wish.after is None:
        return None
    key: Any = JournalEntry.operator if wish.sort == "operator" else _KEYS.get(wish.sort, BenchRun.label)
    query = _joined(select(BenchRun.id, key))
    row = session.execute(query.where(BenchRun.label == plain_label(wish.after))).first()
    if row is None:
        raise no_such_row("runs", wish.after)
    return row[0], row[1]


def _conditions(filters: Filters) -> list[Any]:
    found: list[Any] = []
    if filters.piece is not None:
        found.append(BenchRun.piece_id == _numbered(Piece, filters.piece))
    if filters.machine is not None:
        found.append(BenchRun.machine_id == _numbered(Machine, filters.machine))
    if filters.test is not None:
        found.append(func.lower(BenchRun.test) == folded(filters.test))
    if filters.verdict is not None:
        found.append(func.lower(BenchRun.verdict) == folded(filters.verdict))
    if filters.since is not None:
        day = filters.since.isoformat()
        # The first entry and the first run of that day or later bound what is looked at: both are numbered in order.
        # (Not the number itself: the entries of that time are to be found by their index.)
        entry = select(func.min(JournalEntry.id + 0)).where(JournalEntry.at >= day).scalar_subquery()
        first = select(BenchRun.id).where(BenchRun.entry_id >= entry).order_by(BenchRun.entry_id, BenchRun.id)
        found += [JournalEntry.at >= day, BenchRun.id >= first.limit(1).scalar_subquery()]
    return found


def _numbered(model: type[Piece] | type[Machine], label: str) -> Any:
    return select(model.id).where(model.label == folded(label).upper()).scalar_subquery()
