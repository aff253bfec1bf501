"""What a workshop is asked for: every page, and every command that only reads, each of the same size in every workshop.

What a question is about does not grow with the workshop (a lot of 100 pieces, one machine, a seller of few lots); an
answer whose own size does is named in `LARGER`, with the reason.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import timedelta

from growing_years import Years
from sqlalchemy import func, select

from tracker.desk.workspace import Workspace
from tracker.records.models import BenchRun, Fitting, Inspection, Lot, Machine, Photo, Piece, Seller


@dataclass(frozen=True)
class Names:
    """What is asked for in a workshop: of the same size in every one."""

    lot: str
    piece: str
    large: str
    open_lot: str
    run: str
    other_run: str
    machine: str
    machine_name: str
    seller: str
    order: str
    inspection: str
    photo: str
    marking: str
    lately: str
    tiny: str


GENERAL = Names(*(one.upper() for one in Names.__dataclass_fields__))
"""The words that stand for them in the table."""

LARGER = {
    "/calibration?now=1": "it judges every settled piece",
    "calibration": "it judges every settled piece",
    "/api/calibration": "it judges every settled piece",
    "list sellers": "every seller is shown",
    "/api/sellers": "every seller is shown",
    "/sellers": "every seller is shown",
    "recall --seller SELLER": "a large seller's lots are more in a larger workshop",
    "due --json": "every window is shown",
    "workspace show": "it counts everything",
    "recall --marking MARKING": "no index finds what is contained in a text: all markings are looked through",
    "/recall?marking=MARKING": "no index finds what is contained in a text: all markings are looked through",
}
"""Answers whose own size grows with the workshop, and why."""


def names(workspace: Workspace, size: Years) -> Names:
    """Return what to ask for: lots of 5, 100 and 500 pieces, one that is open, a seller of few lots, and so on."""
    with workspace.read() as session:
        sized = select(Lot.label).order_by(Lot.id)
        lot, large = (session.scalars(sized.where(Lot.quantity_received == one).limit(1)).one() for one in (100, 500))
        small = session.scalars(sized.where(Lot.quantity_received == 25).order_by(None).order_by(Lot.id.desc())).first()
        runs = session.scalars(select(BenchRun.label).where(BenchRun.test == "current").order_by(BenchRun.id).limit(2))
        seller = session.execute(
            select(Seller.name, func.count())
            .join(Lot, Lot.seller_id == Seller.id)
            .group_by(Seller.name)
            .order_by(func.count(), Seller.name)
        ).first()
        machine = session.execute(
            select(Machine.label, Machine.name).join(Fitting, Fitting.machine_id == Machine.id).order_by(Machine.id)
        ).first()
        seen = session.execute(
            select(Inspection.id, Photo.sha256, Inspection.marking)
            .join(Photo, Photo.id == Inspection.photo_id)
            .join(Piece, Piece.id == Inspection.piece_id)
            .where(Piece.label == f"{lot}-07", Inspection.marking.is_not(None))
            .order_by(Inspection.id)
        ).first()
        order = session.scalars(select(Lot.order_reference).where(Lot.label == lot)).one()
        tiny = session.scalars(sized.where(Lot.quantity_received == 5).limit(1)).one()
    first, second = runs
    assert small is not None
    assert seller is not None
    assert machine is not None
    assert seen is not None
    marking = seen[2].split()[-1]
    lately = (size.today - timedelta(days=7)).isoformat()
    found = (machine[0], machine[1], seller[0], order or "", str(seen[0]), seen[1], marking, lately, tiny)
    return Names(lot, f"{lot}-07", large, small, first, second, *found)


def pages(of: Names) -> Iterator[str]:
    """Yield the address of every page, forms as well."""
    yield from ("/", "/lots", "/receive", "/receive/delivery", f"/receive/logged?lots={of.lot}", "/receive/bag")
    yield from ("/lots?page=2", f"/lots?seller={of.seller}", "/lots?source=broker", "/lots?part=CV65&sort=suspicion")
    yield from ("/lots?disposition=open&sort=claim_by", "/lots?sort=seller")
    yield from (f"/lots/{of.lot}", f"/lots/{of.large}", f"/lots/{of.lot}?sort=suspicion&order=down")
    yield from (f"/lots/{of.lot}/{one}" for one in ("outlook", "compare", "photograph", "papers"))
    yield from (f"/pieces/{of.piece}", f"/pieces/{of.piece}/next", f"/pieces/{of.piece}/correct")
    yield from (f"/{one}?piece={of.piece}" for one in ("decide", "settle", "exemplar", "fit", "unfit"))
    yield from ("/due", f"/due?after={of.lot}", f"/next?what={of.open_lot}", "/next", "/costs")
    yield from ("/calibration", "/calibration?now=1", "/sellers", f"/sellers/{of.seller}")
    yield from ("/machines", "/machines?after=M0005", f"/machines/{of.machine}", f"/machines/{of.machine_name}")
    yield from ("/recall", f"/recall?lot={of.lot}", f"/recall?seller={of.seller}", f"/recall?marking={of.marking}")
    yield from (f"/recall?since={of.lately}", f"/recall?date_code=8823&lot={of.lot}")
    yield from (f"/recall/notice?lot={of.lot}&because=x",)
    yield from (f"/runs/{of.run}", f"/runs/{of.run}/plot.svg", f"/bench/{of.piece}", f"/bench/current/{of.piece}")
    yield from (f"/bench/plan/{of.lot}", f"/bench/compare?run={of.run}&run={of.other_run}")
    yield f"/bench/history/{of.machine}"
    yield from ("/log", f"/log?label={of.piece}", f"/log?label={of.lot}", "/log?before=5000", "/work", "/phone", "/who")
    yield from (
        f"/find?what={of.order}",
        f"/find?what={of.machine_name}",
        f"/find?what={of.marking}",
        "/find?what=8823",
    )
    yield from (f"/find?what={of.piece}", "/find?what=nowhere+at+all")
    yield from (f"/dossier/{of.lot}", f"/export/{of.lot}", f"/card/{of.lot}", f"/labels/{of.lot}")
    yield from (f"/export/{of.lot}/provenance", f"/export/{of.lot}/tables", f"/card/{of.lot}/file")
    yield from (f"/labels/{of.piece}/file",)
    yield from (f"/pictures/{one}/{of.inspection}" for one in ("tops", "around"))
    yield from (f"/pictures/{one}/{of.photo}" for one in ("photos", "originals"))
    yield from (f"/api/{one}" for one in _answers(of))


def _answers(of: Names) -> Iterator[str]:
    yield from (f"lots/{of.lot}", f"pieces/{of.piece}", f"machines/{of.machine}", f"runs/{of.run}", "work", "costs")
    yield from ("lots?limit=50", "lots?sort=suspicion&reverse=1&limit=50", f"pieces?lot={of.lot}", "pieces?limit=50")
    yield from ("sellers", f"sellers?seller={of.seller}", "machines?limit=50", f"machines?machine={of.machine}")
    yield from (
        "runs?limit=50",
        "due?limit=50",
        f"next?what={of.open_lot}",
        f"recall?lot={of.lot}",
        "calibration",
        "log",
    )


def commands(of: Names) -> Iterator[str]:
    """Yield every command that only reads, with each of its filters, as it is typed."""
    yield from _lists(of)
    for label in (of.lot, of.large, of.open_lot, of.piece, of.machine, of.machine_name, of.run, of.seller):
        yield f"show '{label}'"
    yield f"show {of.piece} --sum"
    yield from (f"recall {one}" for one in _recalls(of))
    yield from ("due", f"due {of.lot}", "due --within 14", "due --limit 20", f"due --limit 20 --after {of.lot}")
    yield from ("due --json",)
    yield from ("next", f"next {of.open_lot}", f"next {of.piece}", "next --minutes 35", "costs")
    yield from ("calibration", "calibration --indicators")
    yield from ("log", f"log {of.lot}", f"log {of.piece}", f"log {of.machine}", f"log {of.run}", "log --limit 500")
    yield from (f"bench plan {of.lot}", f"bench compare {of.run} {of.other_run}", "workspace show")


def _lists(of: Names) -> Iterator[str]:
    page = "--limit 20"
    yield from (f"list {what} {page}" for what in ("lots", "pieces", "machines", "runs"))
    yield "list sellers"
    for what, label in (("lots", of.lot), ("pieces", of.piece), ("machines", of.machine), ("runs", of.run)):
        yield f"list {what} {page} --after {label}"
        yield f"list {what} {page} --reverse"
    yield from (f"list lots {page} {one}" for one in _filters(of, "lots"))
    yield from (f"list pieces {page} {one}" for one in _filters(of, "pieces"))
    yield from (f"list lots {page} --sort {one}" for one in ("seller", "claim_by", "suspicion", "open", "order"))
    yield from (f"list lots {page} --sort {one} --after {of.lot}" for one in ("arrived", "suspicion"))
    sorts = ("seller", "part_read", "date_code", "suspicion", "disposition", "machine", "position", "arrived")
    yield from (f"list pieces {page} --sort {one}" for one in sorts)
    yield f"list pieces {page} --sort suspicion --reverse --after {of.piece}"
    yield f"list pieces {page} --sort part_read --after {of.piece}"
    yield from (f"list machines {page} {one}" for one in (f"--machine {of.machine}", f"--name '{of.machine_name}'"))
    yield from (f"list machines {page} {one}" for one in (f"--since {of.lately}", "--sort name"))
    yield from (f"list sellers {one}" for one in (f"--seller '{of.seller}'", f"--since {of.lately}", page))
    yield from (f"list runs {page} {one}" for one in (f"--machine {of.machine}", "--test clock", "--verdict fail"))
    yield from (f"list runs {page} {one}" for one in (f"--since {of.lately}", "--test clock --verdict fail"))
    sorts = ("test", "piece", "machine", "verdict", "weight_db", "supply_v", "at", "operator")
    yield from (f"list runs {page} --sort {one}" for one in sorts)
    yield f"list runs {page} --sort at --after {of.run}"


def _filters(of: Names, what: str) -> Iterator[str]:
    yield from (f"--lot {of.lot}", f"--seller '{of.seller}'", "--part CV65", f"--since {of.lately}")
    yield "--min-suspicion 0.9"
    if what == "lots":
        yield "--source broker"
        return
    yield from (f"--disposition {one}" for one in ("open", "fitted", "quarantined"))
    yield f"--machine {of.machine}"


def _recalls(of: Names) -> Iterator[str]:
    yield from (f"--lot {of.lot}", f"--seller '{of.seller}'", f"--lot {of.lot} --date-code 8823", "--date-code 1971")
    yield from (f"--marking {of.marking}", f"--since {of.lately}", f"--lot {of.lot} --marking CV")
    yield f"--since {of.lately} --until {of.lately}"
