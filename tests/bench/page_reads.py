"""What a page has to wait for: one lot of 500 pieces, and the day, against the bare SQL of the same rows."""

import sqlite3
import sys
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

from ratios import Result, always, paired, ratio

sys.path.append(str(Path(__file__).parents[1]))

from growing import TODAY, Growth, grow

from tracker.desk.lot_page import lot_page
from tracker.desk.remembered import Remembered
from tracker.desk.today import today
from tracker.desk.workspace import Workspace

LARGE = Growth(lots=3, pieces=500, runs=0.2, decided=0.5, settled=0.1, seed=20_310_402)
ORDINARY = Growth(lots=50, pieces=8, runs=0.2, decided=0.5, settled=0.1, seed=20_310_403)
ROUNDS = 9

PAGE_READS = (
    "One lot with every piece's reading, suspicion, reason and place, in a warm process that has not shown this lot "
    "before, against one statement for the same rows; the statement takes the suspicion stored with the last photo. "
    "'after an act' begins by learning anew from all settled pieces, as the first page after every act has to."
)
TODAY_READS = (
    "Newest arrivals, claims that close and the few next tests, against the statements for arrivals and claims alone: "
    "no statement chooses tests."
)
PIECES = """
    SELECT piece.label, seen.marking, seen.date_code, seen.package, seen.suspicion, seen.document, photo.sha256,
           said.disposition, sits.fitted, machine.label, sits.position, told.genuine, told.withdrawn, good.withdrawn
    FROM piece
    LEFT JOIN inspection AS seen ON seen.id = (
        SELECT max(one.id) FROM inspection AS one JOIN photo ON photo.id = one.photo_id
        WHERE one.piece_id = piece.id AND photo.role IN ('top', 'before-swab'))
    LEFT JOIN photo ON photo.id = seen.photo_id
    LEFT JOIN decision AS said ON said.id = (SELECT max(id) FROM decision WHERE piece_id = piece.id)
    LEFT JOIN fitting AS sits ON sits.id = (SELECT max(id) FROM fitting WHERE piece_id = piece.id)
    LEFT JOIN machine ON machine.id = sits.machine_id
    LEFT JOIN settlement AS told ON told.id = (SELECT max(id) FROM settlement WHERE piece_id = piece.id)
    LEFT JOIN exemplar AS good ON good.id = (SELECT max(id) FROM exemplar WHERE piece_id = piece.id)
    WHERE piece.lot_id = :lot ORDER BY piece.number"""
STANDS = """
    SELECT lot.label, seller.name, lot.claim_by,
           sum((SELECT disposition FROM decision WHERE piece_id = piece.id ORDER BY id DESC LIMIT 1) IS NULL)
    FROM lot JOIN seller ON seller.id = lot.seller_id JOIN piece ON piece.lot_id = lot.id
    GROUP BY lot.id ORDER BY {order}"""


def run(folder: Path) -> Result:
    """Measure a lot's page, cold and with what was learned at hand, and the page of the day."""
    with _grown(folder / "large", LARGE) as large, _grown(folder / "ordinary", ORDINARY) as ordinary:
        lot_page(large, "L0001")
        today(ordinary, today=TODAY)
        with closing(_driver(large)) as pieces, closing(_driver(ordinary)) as stands:

            def rows(number: int) -> Callable[[], object]:
                return lambda: pieces.execute(PIECES, {"lot": number % 2 + 2}).fetchall()

            def arrivals_and_claims() -> object:
                return [stands.execute(STANDS.format(order=one)).fetchall() for one in ("arrived_on", "claim_by")]

            def shown(number: int, *, forget: bool) -> Callable[[], object]:
                if forget:
                    large._remembered = Remembered()
                return lambda: lot_page(large, f"L{number % 2 + 2:04d}")

            def after_an_act(number: int) -> Callable[[], object]:
                return shown(number, forget=True)

            def warm(number: int) -> Callable[[], object]:
                return shown(number, forget=False)

            page, plain = f"lot_page, {LARGE.pieces} pieces", "one statement"
            learning = paired(after_an_act, rows, rounds=ROUNDS)
            lot_page(large, "L0001")
            at_hand = paired(warm, rows, rounds=ROUNDS)
            day = paired(always(lambda: today(ordinary, today=TODAY)), always(arrivals_and_claims), rounds=ROUNDS)
    what = f"today, {ORDINARY.lots} lots of {ORDINARY.pieces} pieces"
    return Result(
        (
            ratio("lot page, after an act", ours=page, plain=plain, took=learning, reads=PAGE_READS),
            ratio("lot page", ours=page, plain=plain, took=at_hand, reads=PAGE_READS),
            ratio("today", ours=what, plain="two statements", took=day, reads=TODAY_READS),
        )
    )


def _grown(folder: Path, size: Growth) -> Workspace:
    workspace = Workspace.open(folder, create=True)
    grow(workspace, size)
    return workspace


def _driver(workspace: Workspace) -> sqlite3.Connection:
    return sqlite3.connect(f"{workspace.url}?mode=ro", uri=True)
