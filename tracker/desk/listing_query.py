"""The questions that lists of pieces and lots ask: filters, order, and a page by the value and number it goes on after.

Each is made once a shape (which list, column, direction, filters) and asked with other values then. A list that goes by
label goes by number: L10000 follows L9999. Among equal values the earlier number comes first, either way; rows without
a value come last.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

from sqlalchemy import ColumnElement, Select, String, bindparam, case, false, func, select
from sqlalchemy.ext.compiler import compiles
from sqlalchemy.sql.functions import FunctionElement

from tracker.desk.standing import STATE
from tracker.records.derived import LOT_STANDING, PIECE_STANDING, SELLER_STANDING
from tracker.records.models import Lot, Machine, Piece, Seller

_PIECE, _LOT = PIECE_STANDING.c, LOT_STANDING.c
OPEN = "open"
TOLD, UNTOLD = "told", "untold"
"""Rows with a value in the column that a list goes by, and those without."""


class plainly(FunctionElement[str]):
    """A text as it is ordered: character by character, whatever language the database is set to."""

    inherit_cache = True
    type = String()


@compiles(plainly)
def _as_it_is(element: Any, compiler: Any, **kw: Any) -> str:
    return str(compiler.process(element.clauses, **kw))


@compiles(plainly, "postgresql")
def _character_by_character(element: Any, compiler: Any, **kw: Any) -> str:
    return f'({compiler.process(element.clauses, **kw)}) COLLATE "C"'


@dataclass(frozen=True, slots=True)
class Shape:
    """What a question is like: the list, the column it goes by, the direction, its filters, whether it goes on."""

    what: str
    sort: str
    reverse: bool
    filters: frozenset[str]
    after: bool = False


def past_number(number: Any, last: Any, reverse: bool) -> Any:
    """Return the condition for rows that come after the one with a number, in a list that goes by it."""
    return number < last if reverse else number > last


def past_value(key: Any, number: Any, last: tuple[Any, Any], reverse: bool) -> Any:
    """Return the condition for rows that come after the one with a value and a number, in a list that goes by a column.

    Among equal values the earlier number comes first, either way.
    """
    value, last_number = last
    beyond = key < value if reverse else key > value
    # What lies before is left out by itself: by 'or' alone a database finds no place to begin at in its index.
    not_before = key <= value if reverse else key >= value
    return not_before & (beyond | ((key == value) & (number > last_number)))


@cache
def page(shape: Shape, part: str) -> Select[Any]:
    """Return the question for the rows with (`TOLD`) or without (`UNTOLD`) a value in the column it goes by."""
    number = _NUMBER[shape.what]
    key = keys(shape.what)[shape.sort]
    query = select(*_COLUMNS[shape.what])
    if _of_standing(shape, part):
        # Then the database can begin with these, by an index that has them in order.
        query, number = _joined(shape.what, query, standing=True), _PIECE.piece_id
    else:
        query = _joined(shape.what, query)
    query = query.where(*_conditions(shape))
    if shape.sort == _FIRST[shape.what]:
        order = [number.desc() if shape.reverse else number]
        past = past_number(number, bindparam("after_id"), shape.reverse)
    elif part == UNTOLD:
        query, order, past = query.where(key.is_(None)), [number], number > bindparam("after_id")
    else:
        if shape.sort in _MAY_LACK:
            # Every text is '' or more: unlike 'is not null' of a lowered text, an index answers that by a place in it.
            query = query.where(key >= "" if shape.sort in _LOWERED else key.is_not(None))
        order = [key.desc() if shape.reverse else key, number]
        past = past_value(key, number, (bindparam("after_key"), bindparam("after_id")), shape.reverse)
    if shape.after:
        query = query.where(past)
    return query.order_by(*order)


@cache
def limited(shape: Shape, part: str) -> Select[Any]:
    """Return what `page` does, for at most `limit` rows, each with what `count` asks for at its end."""
    columns = count(shape.what, shape.filters).selected_columns
    return page(shape, part).limit(bindparam("limit")).add_columns(*columns)


def may_lack(shape: Shape) -> bool:
    """Tell whether rows may lack a value in the column that a list goes by."""
    return shape.sort in _MAY_LACK


@cache
def count(what: str, filters: frozenset[str]) -> Select[Any]:
    """Return the question how many rows pass, and where what is kept beside the records stands (`State`)."""
    number = _count(what, filters).scalar_subquery()
    return select(number, *STATE)


def _count(what: str, filters: frozenset[str]) -> Select[Any]:
    if filters == {"disposition_not_open"} and what == "pieces":
        return select(func.count()).select_from(PIECE_STANDING).where(_PIECE.disposition == bindparam("disposition"))
    if what == "pieces" and filters == {"disposition_open"}:
        return select(func.coalesce(func.sum(_LOT.open), 0))
    if what == "pieces" and filters and filters <= _OF_LOT:
        # A lot's pieces are counted already: so few rows as there are lots are summed.
        lots = select(func.coalesce(func.sum(_LOT.pieces), 0)).join(Lot, Lot.id == _LOT.lot_id)
        return lots.where(*(_LOTS_OWN[name] for name in sorted(filters)))
    query = select(func.count()).select_from(Piece if what == "pieces" else Lot)
    if filters:
        shape = Shape(what, _FIRST[what], reverse=False, filters=filters)
        return _narrowly(what, query, filters).where(*_conditions(shape))
    return query


@cache
def value_of(what: str, sort: str) -> Select[Any]:
    """Return the question for the number of the row with a `label`, and for its value in a column."""
    label = Piece.label if what == "pieces" else Lot.label
    query = _joined(what, select(_NUMBER[what], keys(what)[sort]))
    return query.where(label == bindparam("label"))


def _of_standing(shape: Shape, part: str) -> bool:
    """Tell whether only pieces with a row in `piece_standing` can be among those asked for."""
    if shape.what != "pieces" or part == UNTOLD:
        return False
    return "disposition_not_open" in shape.filters or shape.sort in _OF_STANDING


def _joined(what: str, query: Select[Any], *, standing: bool = False) -> Select[Any]:
    if what == "pieces":
        return (
            query.select_from(Piece)
            .join(Lot, Lot.id == Piece.lot_id)
            .join(Seller, Seller.id == Lot.seller_id)
            .join(SELLER_STANDING, SELLER_STANDING.c.seller_id == Lot.seller_id)
            .join(LOT_STANDING, _LOT.lot_id == Piece.lot_id)
            .join(PIECE_STANDING, _PIECE.piece_id == Piece.id, isouter=not standing)
            .outerjoin(Machine, Machine.id == _PIECE.machine_id)
        )
    return (
        query.select_from(Lot)
        .join(Seller, Seller.id == Lot.seller_id)
        .join(SELLER_STANDING, SELLER_STANDING.c.seller_id == Lot.seller_id)
        .join(LOT_STANDING, _LOT.lot_id == Lot.id)
    )


def _narrowly(what: str, query: Select[Any], filters: frozenset[str]) -> Select[Any]:
    """Join only what the filters speak of."""
    if what == "lots":
        return query.join(LOT_STANDING, _LOT.lot_id == Lot.id)
    if filters & {"since", "sellers"}:
        query = query.join(Lot, Lot.id == Piece.lot_id)
    if "part" in filters:
        query = query.join(LOT_STANDING, _LOT.lot_id == Piece.lot_id)
    if filters & {"part", "disposition_open", "disposition_not_open", "suspicion", "machine"}:
        query = query.outerjoin(PIECE_STANDING, _PIECE.piece_id == Piece.id)
    return query


def _conditions(shape: Shape) -> list[ColumnElement[bool]]:
    return [_CONDITIONS[shape.what][name] for name in sorted(shape.filters)]


_NUMBER: Mapping[str, Any] = {"pieces": Piece.id, "lots": Lot.id}
_FIRST = {"pieces": "piece", "lots": "lot"}
_MAY_LACK = {"part_read", "date_code", "package", "suspicion", "settled", "machine", "position"} | {
    "order",
    "maker",
    "grade",
    "price",
    "currency",
    "claim_by",
}
_OF_STANDING = {"part_read", "date_code", "package", "suspicion", "settled", "machine", "position"}
"""Columns of pieces that only a row in `piece_standing` has a value in."""
_LOWERED = {"date_code", "package", "position"}
_COLUMNS: Mapping[str, tuple[Any, ...]] = {
    "pieces": (
        Piece.label,
        Lot.label,
        Seller.name,
        Lot.claimed_part,
        _PIECE.part_read,
        _PIECE.date_code,
        _PIECE.package,
        _PIECE.suspicion,
        func.coalesce(_PIECE.disposition, OPEN),
        _PIECE.settled,
        func.coalesce(_PIECE.exemplar, false()),
        Machine.label,
        _PIECE.position,
        Lot.arrived_on,
        Piece.id,
        case((_PIECE.piece_id.is_(None), "-"), else_=_PIECE.reckoned),
    ),
    "lots": (
        Lot.label,
        Seller.name,
        Lot.source_kind,
        Lot.order_reference,
        Lot.order_line,
        Lot.claimed_part,
        Lot.claimed_maker,
        Lot.claimed_grade,
        Lot.condition,
        Lot.quantity_ordered,
        Lot.quantity_received,
        Lot.price,
        Lot.currency,
        Lot.arrived_on,
        Lot.claim_by,
        _LOT.open,
        _LOT.accepted,
        _LOT.quarantined,
        _LOT.rejected,
        _LOT.returned,
        _LOT.fitted,
        _LOT.suspicion,
        Lot.id,
        _LOT.reckoned,
    ),
}
"""The columns of `PieceRow` and `LotRow` in their order, the row's number, and what its suspicion was reckoned with
('-' where nothing is known that could be reckoned)."""


@cache
def keys(what: str) -> Mapping[str, Any]:
    """Return what each column is ordered by."""
    seller, part = plainly(SELLER_STANDING.c.name_key), plainly(_LOT.part_key)
    if what == "pieces":
        return {
            "piece": Piece.id,
            "lot": Piece.lot_id,
            "seller": seller,
            "part": part,
            "part_read": plainly(_PIECE.read_key),
            "date_code": plainly(func.lower(_PIECE.date_code)),
            "package": plainly(func.lower(_PIECE.package)),
            "suspicion": _PIECE.suspicion,
            "disposition": plainly(func.coalesce(_PIECE.disposition, OPEN)),
            "settled": plainly(_PIECE.settled),
            "exemplar": func.coalesce(_PIECE.exemplar, false()),
            "machine": _PIECE.machine_id,
            "position": plainly(func.lower(_PIECE.position)),
            "arrived": Lot.arrived_on,
        }
    texts = {"source": Lot.source_kind, "order": Lot.order_reference, "maker": Lot.claimed_maker}
    texts |= {"grade": Lot.claimed_grade, "condition": Lot.condition, "price": Lot.price, "currency": Lot.currency}
    return {
        "lot": Lot.id,
        "seller": seller,
        "part": part,
        **{name: plainly(func.lower(column)) for name, column in texts.items()},
        "line": Lot.order_line,
        "ordered": Lot.quantity_ordered,
        "received": Lot.quantity_received,
        "arrived": Lot.arrived_on,
        "claim_by": Lot.claim_by,
        **{name: _LOT[name] for name in ("open", "accepted", "quarantined", "rejected", "returned", "fitted")},
        "suspicion": _LOT.suspicion,
    }


_OF_LOT = frozenset({"lot", "sellers", "since"})
"""Filters of pieces that all pieces of a lot pass, or none."""
_PART = func.coalesce(_LOT.part_key, "") + " "
_CONDITIONS: Mapping[str, Mapping[str, ColumnElement[bool]]] = {
    "pieces": {
        "lot": Piece.lot_id == bindparam("lot"),
        "piece": Piece.id == bindparam("piece"),
        "sellers": Lot.seller_id.in_(bindparam("sellers", expanding=True)),
        "part": (_PART + func.coalesce(_PIECE.read_key, "")).contains(bindparam("part"), autoescape=False, escape="\\"),
        "disposition_open": (func.coalesce(_PIECE.disposition, OPEN) == OPEN)
        & Piece.lot_id.in_(select(_LOT.lot_id).where(_LOT.open > 0)),
        "disposition_not_open": _PIECE.disposition == bindparam("disposition"),
        "machine": _PIECE.machine_id == bindparam("machine"),
        "since": Lot.arrived_on >= bindparam("since"),
        "suspicion": _PIECE.suspicion >= bindparam("suspicion"),
    },
    "lots": {
        "lot": Lot.id == bindparam("lot"),
        "sellers": Lot.seller_id.in_(bindparam("sellers", expanding=True)),
        "source": Lot.source_kind == bindparam("source"),
        "part": _PART.contains(bindparam("part"), autoescape=False, escape="\\"),
        "since": Lot.arrived_on >= bindparam("since"),
        "suspicion": _LOT.suspicion >= bindparam("suspicion"),
        **{
            f"having_{name}": _LOT[name] > 0
            for name in ("open", "accepted", "quarantined", "rejected", "returned", "fitted")
        },
    },
}


_LOTS_OWN = _CONDITIONS["lots"]


def escaped(text: str) -> str:
    """Return a text to be looked for as it stands."""
    return text.replace("\\", "\\\\").replace("%", "\\%").replace("_", "\\_")
