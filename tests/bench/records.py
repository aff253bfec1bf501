"""Receiving a delivery against pandas' to_sql; lists and recall against the bare SQL through the driver."""

import shutil
import sqlite3
from collections.abc import Callable, Iterable, Sequence
from contextlib import closing
from functools import cache
from pathlib import Path

from ratios import Result, always, paired, ratio
from stockroom import LOT_PIECES, TODAY, stocked, write_delivery

from tracker.desk.delivery_csv import read_delivery
from tracker.desk.listing import list_rows
from tracker.desk.recall import Wanted, recall
from tracker.desk.receive import receive
from tracker.desk.workspace import Workspace

DELIVERY_LOTS = 400
STOCK_LOTS = 4_000
PAGE = 50
DATE_CODE = "9118"

RECEIVE_READS = (
    "A whole delivery, warm: every field checked, labels given, rows with foreign keys and indices, each row's digest "
    "in the journal, synced. to_sql writes the same lots and pieces into bare tables: no check, no key, no index, no "
    "journal. So it tells what order and proof cost, not how well one insert is written."
)
LIST_READS = (
    "The first page of a list, in a warm process, against one hand-written statement for just that page. The "
    "statement takes the suspicion stored with the last photo; the list shows today's, kept beside the records "
    "once somebody has asked for it. It is not the time of the command, which also starts Python."
)
RECALL_READS = (
    "All stays and loose pieces of one date code, in a warm process, against two hand-written statements that give "
    "the same. It is not the time of the command, which also starts Python."
)

FIRST_PIECES = """
    WITH page AS (SELECT id, label, lot_id FROM piece ORDER BY label LIMIT :page)
    SELECT page.label, lot.label, seller.name, lot.claimed_part, seen.part_read, seen.date_code, seen.package,
           seen.suspicion, said.disposition, said.entry_id, sits.fitted, machine.label, sits.position, sits.entry_id,
           told.genuine, told.withdrawn, good.withdrawn, lot.arrived_on
    FROM page JOIN lot ON lot.id = page.lot_id JOIN seller ON seller.id = lot.seller_id
    LEFT JOIN inspection AS seen ON seen.id = (
        SELECT max(one.id) FROM inspection AS one JOIN photo ON photo.id = one.photo_id
        WHERE one.piece_id = page.id AND photo.role IN ('top', 'before-swab'))
    LEFT JOIN decision AS said ON said.id = (SELECT max(id) FROM decision WHERE piece_id = page.id)
    LEFT JOIN fitting AS sits ON sits.id = (SELECT max(id) FROM fitting WHERE piece_id = page.id)
    LEFT JOIN machine ON machine.id = sits.machine_id
    LEFT JOIN settlement AS told ON told.id = (SELECT max(id) FROM settlement WHERE piece_id = page.id)
    LEFT JOIN exemplar AS good ON good.id = (SELECT max(id) FROM exemplar WHERE piece_id = page.id)
    ORDER BY page.label"""
FIRST_LOTS = """
    WITH page AS (SELECT * FROM lot ORDER BY label LIMIT :page),
    mine AS (
        SELECT page.id AS lot_id, said.disposition AS said, sits.fitted AS sits, seen.suspicion AS suspicion
        FROM page JOIN piece ON piece.lot_id = page.id
        LEFT JOIN inspection AS seen ON seen.id = (
            SELECT max(one.id) FROM inspection AS one JOIN photo ON photo.id = one.photo_id
            WHERE one.piece_id = piece.id AND photo.role IN ('top', 'before-swab'))
        LEFT JOIN decision AS said ON said.id = (SELECT max(id) FROM decision WHERE piece_id = piece.id)
        LEFT JOIN fitting AS sits ON sits.id = (SELECT max(id) FROM fitting WHERE piece_id = piece.id))
    SELECT page.label, seller.name, page.source_kind, page.order_reference, page.order_line, page.claimed_part,
           page.claimed_maker, page.claimed_grade, page.condition, page.quantity_ordered, page.quantity_received,
           page.price, page.currency, page.arrived_on, page.claim_by, sum(mine.said IS NULL AND NOT coalesce(sits, 0)),
           sum(mine.said = 'accepted' AND NOT coalesce(sits, 0)), sum(mine.said = 'quarantined'),
           sum(mine.said = 'rejected'), sum(mine.said = 'returned'), sum(coalesce(sits, 0)), max(mine.suspicion)
    FROM page JOIN seller ON seller.id = page.seller_id JOIN mine ON mine.lot_id = page.id
    GROUP BY page.id ORDER BY page.label"""
_MATCHING = "SELECT piece_id FROM inspection WHERE upper(date_code) = :code OR date_year = CAST(:code AS INTEGER)"
STAYS = f"""
    SELECT piece.label, lot.label, machine.label, machine.name, machine.owner_reference, fitting.position,
           fitting.fitted, journal_entry.at
    FROM fitting JOIN piece ON piece.id = fitting.piece_id JOIN lot ON lot.id = piece.lot_id
    JOIN machine ON machine.id = fitting.machine_id JOIN journal_entry ON journal_entry.id = fitting.entry_id
    WHERE piece.id IN ({_MATCHING}) ORDER BY fitting.piece_id, fitting.id"""
MATCHED = f"""
    SELECT piece.label, lot.label, said.disposition, sits.fitted
    FROM piece JOIN lot ON lot.id = piece.lot_id
    LEFT JOIN decision AS said ON said.id = (SELECT max(id) FROM decision WHERE piece_id = piece.id)
    LEFT JOIN fitting AS sits ON sits.id = (SELECT max(id) FROM fitting WHERE piece_id = piece.id)
    WHERE piece.id IN ({_MATCHING}) ORDER BY piece.id"""


def run_receive(folder: Path) -> Result:
    """Receive 10,000 pieces from a CSV, each round into a new workspace."""
    delivery = write_delivery(folder / "delivery.csv", DELIVERY_LOTS)

    def ours(number: int) -> Callable[[], object]:
        shutil.rmtree(folder / f"received-{number - 1}", ignore_errors=True)
        workspace = Workspace.open(folder / f"received-{number}", create=True)

        def take_in() -> None:
            with workspace:
                receive(workspace, read_delivery(delivery, today=TODAY), operator="mira")

        return take_in

    def plain(number: int) -> Callable[[], object]:
        (folder / f"plain-{number - 1}.sqlite").unlink(missing_ok=True)
        return lambda: _to_sql(delivery, folder / f"plain-{number}.sqlite")

    took = paired(ours, plain, rounds=5)
    what = f"receive --from, {DELIVERY_LOTS} lots, {DELIVERY_LOTS * LOT_PIECES:,} pieces"
    return Result((ratio("receive", ours=what, plain="pandas read_csv, to_sql", took=took, reads=RECEIVE_READS),))


def _to_sql(delivery: Path, target: Path) -> None:
    import pandas

    lots = pandas.read_csv(delivery, dtype={"price": str})
    lots.insert(0, "label", [f"L{number:04d}" for number in range(1, len(lots) + 1)])
    pieces = lots.loc[lots.index.repeat(lots["quantity"]), ["label"]].rename(columns={"label": "lot"})
    pieces["number"] = pieces.groupby("lot").cumcount() + 1
    pieces.insert(0, "label", pieces["lot"] + "-" + pieces["number"].astype(str).str.zfill(2))
    with closing(sqlite3.connect(target)) as connection:
        lots.to_sql("lot", connection, index=False)
        pieces.to_sql("piece", connection, index=False)
        connection.commit()


def run_list(folder: Path) -> Result:
    """Show the first 50 pieces, and the first 50 lots, of 100,000 pieces."""
    workspace = _stock(folder)
    with closing(_driver(workspace)) as connection:
        pairs = []
        for what, statement in (("pieces", FIRST_PIECES), ("lots", FIRST_LOTS)):

            def ours(what: str = what) -> Sequence[object]:
                return list_rows(workspace, what, limit=PAGE).rows

            def plain(what: str = what, statement: str = statement) -> Sequence[Sequence[object]]:
                connection.execute(f"SELECT count(*) FROM {what.removesuffix('s')}").fetchone()
                return connection.execute(statement, {"page": PAGE}).fetchall()

            _same((_first(row) for row in ours()), (row[0] for row in plain()), f"the first page of {what}")
            took = paired(always(ours), always(plain), rounds=9)
            name, said = f"list {what}", f"list {what}, {PAGE} of {_count(connection, what)}"
            pairs.append(ratio(name, ours=said, plain="the same by SQL", took=took, reads=LIST_READS))
    return Result(tuple(pairs))


def run_recall(folder: Path) -> Result:
    """Find every piece of one date code among 100,000, and the machines that hold or held one."""
    workspace = _stock(folder)
    with closing(_driver(workspace)) as connection:

        def ours() -> tuple[int, int]:
            found = recall(workspace, Wanted(date_code=DATE_CODE))
            return found.pieces, len(found.stays)

        def plain() -> tuple[int, int]:
            stays = connection.execute(STAYS, {"code": DATE_CODE}).fetchall()
            pieces = connection.execute(MATCHED, {"code": DATE_CODE}).fetchall()
            return len(pieces), sum(row[6] for row in stays)

        _same(ours(), plain(), "recall")
        pieces, _stays = plain()
        took = paired(always(ours), always(plain), rounds=15)
        what = f"recall --date-code, {pieces} of {_count(connection, 'pieces')}"
    return Result((ratio("recall", ours=what, plain="the same by SQL", took=took, reads=RECALL_READS),))


def _stock(folder: Path) -> Workspace:
    return _stocked_once(folder.parent)


@cache
def _stocked_once(folder: Path) -> Workspace:
    """The same workspace serves the lists and recall."""
    return stocked(folder, STOCK_LOTS)


def _driver(workspace: Workspace) -> sqlite3.Connection:
    return sqlite3.connect(f"{workspace.url}?mode=ro", uri=True)


def _count(connection: sqlite3.Connection, what: str) -> str:
    table = what.removesuffix("s")
    return f"{connection.execute(f'SELECT count(*) FROM {table}').fetchone()[0]:,}"


def _first(row: object) -> object:
    return getattr(row, "piece", None) or getattr(row, "lot", None)


def _same(ours: Iterable[object], plain: Iterable[object], what: str) -> None:
    """Refuse to compare two sides that do not give the same."""
    if list(ours) != list(plain):
        raise RuntimeError(f"{what}: ours and the plain side differ, so their times say nothing")
