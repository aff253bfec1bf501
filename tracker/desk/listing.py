"""Lists of lots, pieces, sellers, machines and runs, filtered and sorted."""

from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import astuple, dataclass, fields
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from sqlalchemy import func, select
from sqlalchemy.orm import Session, joinedload

from tracker.desk.decide import settled
from tracker.desk.pieces import MANY, dispositions, seats, standings
from tracker.desk.rows import ROW_OF, LotRow, MachineRow, PieceRow, Row, RunRow, SellerRow
from tracker.desk.whole_file import put_whole
from tracker.desk.workspace import Workspace
from tracker.dossier import tables
from tracker.errors import BadRequest
from tracker.records.models import BenchRun, JournalEntry, Lot, Machine, Piece, Seller

if TYPE_CHECKING:
    from tracker.desk.assess import Judged
    from tracker.desk.learned import Learned


@dataclass(frozen=True, slots=True)
class Filters:
    """What a row must have; texts are compared in any case. `part` and `name` need only be contained."""

    lot: str | None = None
    piece: str | None = None
    seller: str | None = None
    source: str | None = None
    part: str | None = None
    disposition: str | None = None
    machine: str | None = None
    name: str | None = None
    test: str | None = None
    verdict: str | None = None
    since: date | None = None
    suspicion: float | None = None


@dataclass(frozen=True, slots=True)
class Listing:
    """The rows asked for, and how many there were before the limit."""

    what: str
    rows: tuple[Row, ...]
    found: int


def list_rows(
    workspace: Workspace,
    what: str,
    filters: Filters | None = None,
    *,
    sort: str | None = None,
    reverse: bool = False,
    limit: int | None = None,
) -> Listing:
    """Return the rows of one list.

    Parameters
    ----------
    what : str
        lots, pieces, sellers, machines or runs.
    sort : str, optional
        A column; rows without a value come last. Default: the label.

    Raises
    ------
    BadRequest
        When the list, a filter or the column is unknown.
    """
    if what not in ROW_OF:
        raise BadRequest(f"There is no list of '{what}'.", f"There are: {', '.join(ROW_OF)}.")
    columns = [field.name for field in fields(ROW_OF[what])]
    tests = _tests(what, columns, filters or Filters())
    if sort is not None and sort not in columns:
        raise BadRequest(f"{what} have no column '{sort}'.", f"They have: {', '.join(columns)}.")
    key = sort or columns[0]
    with workspace.read() as session:
        if limit is not None and limit <= MANY and _is_early(what, key, filters or Filters()):
            early, page = _EARLY[what]
            wanted = _ordered(early(session), tests, key, reverse)
            return Listing(what, tuple(page(session, [row.id for row in wanted[:limit]])), len(wanted))
        rows = _ordered(_rows(session, what, filters or Filters()), tests, key, reverse)
    return Listing(what, tuple(rows[:limit]), len(rows))


def _rows(session: Session, what: str, filters: Filters) -> list[Row]:
    """Return the rows of a list; those that are known early not to be wanted are not made at all."""
    soon = Filters(lot=filters.lot, piece=filters.piece, seller=filters.seller, since=filters.since)
    if what not in _EARLY or soon == Filters():
        return _MAKERS[what](session)
    early, page = _EARLY[what]
    tests = _tests(what, [field.name for field in fields(ROW_OF[what])], soon)
    ids = [row.id for row in early(session) if all(test(row) for test in tests)]
    return page(session, ids) if len(ids) <= MANY else _MAKERS[what](session)


def _is_early(what: str, key: str, filters: Filters) -> bool:
    """Tell whether which rows are wanted, and in what order, is known without working out what became of each piece."""
    asked = {field.name for field in fields(filters) if getattr(filters, field.name) is not None}
    return what in _EARLY and key in _EARLY_COLUMNS and asked <= {"lot", "piece", "seller", "since"}


def _ordered(rows: Iterable[Any], tests: Sequence[Callable[[Any], bool]], key: str, reverse: bool) -> list[Any]:
    passed = [row for row in rows if all(test(row) for test in tests)]
    present = sorted((row for row in passed if getattr(row, key) is not None), key=_by(key), reverse=reverse)
    return [*present, *(row for row in passed if getattr(row, key) is None)]


def _by(column: str) -> Callable[[Any], Any]:
    def key(row: Any) -> Any:
        value = getattr(row, column)
        return value.casefold() if isinstance(value, str) else value

    return key


def _tests(what: str, columns: Sequence[str], filters: Filters) -> list[Callable[[Row], bool]]:
    tests = []
    for name, wanted in ((field.name, getattr(filters, field.name)) for field in fields(filters)):
        if wanted is None:
            continue
        where = {"since": next((one for one in ("arrived", "last_arrival", "since", "at") if one in columns), "")}
        column = where.get(name, name)
        if column not in columns:
            flag = "min-suspicion" if name == "suspicion" else name
            raise BadRequest(f"{what} cannot be filtered with --{flag}.", f"Their columns: {', '.join(columns)}.")
        tests.append(_test(name, column, wanted))
    return tests


def _test(name: str, column: str, wanted: Any) -> Callable[[Row], bool]:
    if name == "since":
        return lambda row: str(getattr(row, column) or "")[:10] >= wanted.isoformat()
    if name == "suspicion":
        return lambda row: getattr(row, column) is not None and getattr(row, column) >= wanted
    text = " ".join(str(wanted).split()).casefold()
    if name in ("part", "name"):
        return lambda row: text in f"{getattr(row, column)} {getattr(row, 'part_read', '')}".casefold()
    return lambda row: str(getattr(row, column) or "").casefold() == text


def _lots(session: Session, ids: Sequence[int] | None = None) -> list[Row]:
    """Return the rows of all lots, or of the lots with these ids in their order."""
    query = select(Piece).options(joinedload(Piece.lot).joinedload(Lot.seller)).order_by(Piece.id)
    lots = select(Lot).order_by(Lot.id)
    if ids is not None:
        query, lots = query.where(Piece.lot_id.in_(ids)), lots.where(Lot.id.in_(ids))
    by_lot: dict[str, list[PieceRow]] = {}
    for row in piece_rows(session, session.scalars(query).all()):
        by_lot.setdefault(row.lot, []).append(row)
    rows = {lot.id: lot_row(lot, by_lot.get(lot.label, [])) for lot in session.scalars(lots)}
    return [*rows.values()] if ids is None else [rows[number] for number in ids]


class Stands(Protocol):
    """A piece's row of any kind that says how it stands."""

    @property
    def disposition(self) -> str:
        """What was decided."""

    @property
    def suspicion(self) -> float | None:
        """0 to 1, where anything is known."""


def lot_row(lot: Lot, pieces: Sequence[Stands]) -> LotRow:
    """Return the row of one lot from the rows of its pieces."""
    count = Counter(piece.disposition for piece in pieces)
    return LotRow(
        lot=lot.label,
        seller=lot.seller.name,
        source=lot.source_kind,
        order=lot.order_reference,
        line=lot.order_line,
        part=lot.claimed_part,
        maker=lot.claimed_maker,
        grade=lot.claimed_grade,
        condition=lot.condition,
        ordered=lot.quantity_ordered,
        received=lot.quantity_received,
        price=lot.price,
        currency=lot.currency,
        arrived=lot.arrived_on,
        claim_by=lot.claim_by,
        open=count["open"],
        accepted=count["accepted"],
        quarantined=count["quarantined"],
        rejected=count["rejected"],
        returned=count["returned"],
        fitted=count["fitted"],
        suspicion=max((piece.suspicion for piece in pieces if piece.suspicion is not None), default=None),
    )


def piece_rows(
    session: Session, pieces: Sequence[Piece], known: "Learned | None" = None, found: "Judged | None" = None
) -> list[PieceRow]:
    """Return the rows of some pieces, in their order.

    Parameters
    ----------
    known : Learned, optional
        What the workshop has learned, where it is at hand.
    found : Judged, optional
        What is on record and how suspicious each piece is, where that is at hand.
    """
    from tracker.desk.assess import judged

    found = found or judged(session, {piece.id: piece.lot_id for piece in pieces}, known, only_known=True)
    sitting = seats(session, pieces)
    now = standings(session, pieces, sitting)
    rows = []
    for piece in pieces:
        mine, sits = found.records[piece.id], sitting.get(piece.id)
        seen, truth = mine.top, mine.settlement
        rows.append(
            PieceRow(
                piece=piece.label,
                lot=piece.lot.label,
                seller=piece.lot.seller.name,
                part=piece.lot.claimed_part,
                part_read=seen.part_read if seen else None,
                date_code=seen.date_code if seen else None,
                package=seen.package if seen else None,
                suspicion=found.suspicion(piece.id, piece.lot_id),
                disposition=now[piece.id],
                settled=None if truth is None else "genuine" if truth.genuine else "not-genuine",
                exemplar=mine.exemplar is not None,
                machine=sits.machine.label if sits else None,
                position=sits.position if sits else None,
                arrived=piece.lot.arrived_on,
            )
        )
    return rows


def _pieces(session: Session, ids: Sequence[int] | None = None) -> list[Row]:
    """Return the rows of all pieces, or of the pieces with these ids in their order."""
    query = select(Piece).options(joinedload(Piece.lot).joinedload(Lot.seller)).order_by(Piece.id)
    if ids is None:
        return [*piece_rows(session, session.scalars(query).all())]
    found = {piece.id: piece for piece in session.scalars(query.where(Piece.id.in_(ids)))}
    return [*piece_rows(session, [found[number] for number in ids])]


_EARLY_COLUMNS = ("piece", "lot", "seller", "arrived")
_ORIGIN = (Lot.label.label("lot"), Seller.name.label("seller"), Lot.arrived_on.label("arrived"))


def _early_lots(session: Session) -> Iterable[Any]:
    return session.execute(select(Lot.id, *_ORIGIN).join(Lot.seller).order_by(Lot.id))


def _early_pieces(session: Session) -> Iterable[Any]:
    query = select(Piece.id, Piece.label.label("piece"), *_ORIGIN).join(Piece.lot).join(Lot.seller)
    return session.execute(query.order_by(Piece.id))


def _sellers(session: Session) -> list[Row]:
    from tracker.desk.sellers import records

    record = records(session)
    now, truth = dispositions(session), settled(session)
    lots: dict[int, list[Lot]] = {}
    for lot in session.scalars(select(Lot)):
        lots.setdefault(lot.seller_id, []).append(lot)
    pieces: dict[int, list[int]] = {}
    for piece_id, lot_seller in session.execute(select(Piece.id, Lot.seller_id).join(Lot)):
        pieces.setdefault(lot_seller, []).append(piece_id)
    rows: list[Row] = []
    for seller in session.scalars(select(Seller)):
        mine = pieces.get(seller.id, [])
        count = Counter(now[number] for number in mine)
        known = record.get(seller.id)
        arrivals = [lot.arrived_on for lot in lots.get(seller.id, [])]
        rows.append(
            SellerRow(
                seller=seller.name,
                lots=len(arrivals),
                pieces=len(mine),
                genuine=sum(truth.get(number) is True for number in mine),
                not_genuine=sum(truth.get(number) is False for number in mine),
                accepted=count["accepted"],
                rejected=count["rejected"],
                returned=count["returned"],
                fitted=count["fitted"],
                first_arrival=min(arrivals, default=None),
                last_arrival=max(arrivals, default=None),
                known_lots=known.lots if known else 0,
                bad_lots=known.bad if known else 0,
                share_low=known.low if known else None,
                share_high=known.high if known else None,
            )
        )
    return rows


def _machines(session: Session) -> list[Row]:
    held = Counter(sits.machine.id for sits in seats(session).values())
    query = select(Machine, JournalEntry.at).join(JournalEntry, JournalEntry.id == Machine.entry_id)
    return [
        MachineRow(machine.label, machine.name, machine.owner_reference, held[machine.id], at)
        for machine, at in session.execute(query)
    ]


def _runs(session: Session) -> list[Row]:
    query = (
        select(BenchRun, Piece.label, Machine.label, JournalEntry.at, JournalEntry.operator)
        .outerjoin(Piece, Piece.id == BenchRun.piece_id)
        .outerjoin(Machine, Machine.id == BenchRun.machine_id)
        .join(JournalEntry, JournalEntry.id == BenchRun.entry_id)
        .order_by(func.length(BenchRun.label), BenchRun.label)
    )
    return [
        RunRow(run.label, run.test, piece, machine, run.verdict, run.weight_db, run.supply_v, at, operator)
        for run, piece, machine, at, operator in session.execute(query)
    ]


# What is known of each row at once, and the whole rows of some: a page of a long list needs no more.
_EARLY: Mapping[str, tuple[Callable[[Session], Iterable[Any]], Callable[[Session, Sequence[int]], list[Row]]]] = {
    "lots": (_early_lots, _lots),
    "pieces": (_early_pieces, _pieces),
}
_MAKERS: Mapping[str, Callable[[Session], list[Row]]] = {
    "lots": _lots,
    "pieces": _pieces,
    "sellers": _sellers,
    "machines": _machines,
    "runs": _runs,
}


def write_csv(listing: Listing, path: Path) -> None:
    """Write a list as CSV (UTF-8, RFC 4180), whole or not at all; an earlier file of this name is replaced.

    A text that a spreadsheet would take for a formula is written harmless; see `tracker.dossier.tables`.

    Raises
    ------
    BadRequest
        When it cannot be written.
    """
    columns = [field.name for field in fields(ROW_OF[listing.what])]
    try:
        put_whole(path, tables.as_bytes(columns, (astuple(row) for row in listing.rows)))
    except OSError as error:
        said = error.strerror or error
        raise BadRequest(f"{path} cannot be written ({said}).", "Name a file in a folder that is there.") from None
