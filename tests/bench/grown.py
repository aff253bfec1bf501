"""What grows with the records: every page and every answer at a tenth of a large workshop against a hundredth of it.

The larger one has ten times the lots, pieces, photos and journal entries (100 lots, 10,000 pieces, 100,000 entries);
what is asked for is of the same size in both: a lot of 100 pieces, one piece, one run. A ratio near 1 does not grow.
"""

import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from itertools import pairwise
from pathlib import Path
from statistics import median
from typing import Any

from ratios import Result

sys.path.append(str(Path(__file__).parents[1]))

from asked import asked
from growing_years import Years, grow_years
from sqlalchemy import func, select
from starlette.testclient import TestClient

from tracker.desk.bench_compare import compare_runs
from tracker.desk.bench_plan import PlanRequest, plan_lot
from tracker.desk.dossier import gathered_dossier
from tracker.desk.export_gather import gather
from tracker.desk.listing import Filters, list_rows
from tracker.desk.log import read_log
from tracker.desk.next_test import next_tests
from tracker.desk.pieces import find_lot, find_piece
from tracker.desk.recall import Wanted, recall
from tracker.desk.remembered import Remembered
from tracker.desk.showing import show
from tracker.desk.workspace import Workspace
from tracker.dossier.redaction import Redaction
from tracker.records.models import BenchRun, Fitting, Lot, Machine, Seller
from tracker.web.app import create_app
from tracker.web.settings import Settings

SMALL, LARGE = 0.01, 0.1
ROUNDS, LONG_S, BUDGET_S = 5, 0.5, 6.0
"""An answer that takes long is asked for less often."""


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
    seller: str
    order: str


@dataclass(frozen=True, slots=True)
class Took:
    """How long an answer took, the middle of some, and how many questions the database was asked."""

    seconds: float
    questions: int


@dataclass
class Shop:
    """A grown workshop, open, with a person at its pages."""

    workspace: Workspace
    client: TestClient
    names: Names
    day: date
    took: dict[str, Took] = field(default_factory=dict)

    def page(self, path: str) -> None:
        answer = self.client.get(path, headers={"accept": "text/html"})
        if answer.status_code not in (200, 303):
            raise ValueError(f"{path} answers {answer.status_code}: {answer.text[:300]}")


def pages(of: Names) -> Iterator[str]:
    """Yield the address of every page, forms as well."""
    yield from ("/", "/lots", "/receive", "/receive/delivery", f"/receive/logged?lots={of.lot}", "/receive/bag")
    yield from (f"/lots/{of.lot}", f"/lots/{of.large}", f"/lots/{of.lot}?sort=suspicion&order=down")
    yield from (f"/lots/{of.lot}/{one}" for one in ("outlook", "compare", "photograph", "papers"))
    yield from (f"/pieces/{of.piece}", f"/pieces/{of.piece}/next", f"/pieces/{of.piece}/correct")
    yield from (f"/{one}?piece={of.piece}" for one in ("decide", "settle", "exemplar", "fit", "unfit"))
    yield from (
        "/due",
        f"/next?what={of.open_lot}",
        "/next",
        "/costs",
        "/calibration",
        "/sellers",
        f"/sellers/{of.seller}",
    )
    yield from (
        "/machines",
        f"/machines/{of.machine}",
        "/recall",
        f"/recall?lot={of.lot}",
        f"/recall?seller={of.seller}",
    )
    yield from (f"/runs/{of.run}", f"/bench/{of.piece}", f"/bench/current/{of.piece}", f"/bench/plan/{of.lot}")
    yield from (f"/bench/compare?run={of.run}&run={of.other_run}", f"/bench/history/{of.machine}")
    yield from ("/log", f"/log?label={of.piece}", f"/log?label={of.lot}", "/log?before=5000", "/work", "/phone")
    yield from (f"/find?what={of.order}", "/find?what=orrin+3", "/find?what=K4711")
    yield from (f"/dossier/{of.lot}", f"/export/{of.lot}", f"/card/{of.lot}", f"/labels/{of.lot}")
    yield from (f"/api/lots/{of.lot}", f"/api/pieces?lot={of.lot}")


def answers(shop: Shop) -> dict[str, Callable[[], object]]:
    """Return what the commands ask for beside the pages, by the command."""
    of, workspace, day = shop.names, shop.workspace, shop.day
    return {
        "learned, after an act": lambda: _forgotten(workspace, lambda: show(workspace, of.piece, today=day)),
        "show LOT": lambda: show(workspace, of.lot, today=day),
        "show LOT of 500": lambda: show(workspace, of.large, today=day),
        "show PIECE": lambda: show(workspace, of.piece, today=day),
        "show RUN": lambda: show(workspace, of.run),
        "show MACHINE": lambda: show(workspace, of.machine),
        "show SELLER": lambda: show(workspace, of.seller),
        "next LOT": lambda: next_tests(workspace, of.open_lot, minutes=None, today=day),
        "list lots --limit 20": lambda: list_rows(workspace, "lots", limit=20),
        "list pieces --limit 20": lambda: list_rows(workspace, "pieces", limit=20),
        "list pieces --lot": lambda: list_rows(workspace, "pieces", Filters(lot=of.lot)),
        "list runs --limit 20": lambda: list_rows(workspace, "runs", limit=20),
        "recall --lot": lambda: recall(workspace, Wanted(lot=of.lot)),
        "log --limit 20": lambda: read_log(workspace, limit=20),
        "log PIECE": lambda: read_log(workspace, of.piece),
        "bench plan LOT": lambda: plan_lot(workspace, of.lot, PlanRequest()),
        "bench compare": lambda: compare_runs(workspace, [of.run, of.other_run]),
        "dossier PIECE, without its PDF": lambda: _dossier(workspace, of.piece),
        "export LOT, gathered": lambda: _gathered(workspace, of.lot),
    }


def _dossier(workspace: Workspace, label: str) -> object:
    with workspace.read() as session:
        piece = find_piece(session, label)
        return gathered_dossier(session, workspace.store, piece.lot, [piece], datetime.now(UTC), Redaction())


def _gathered(workspace: Workspace, label: str) -> object:
    with workspace.read() as session:
        return gather(session, find_lot(session, label))


def _forgotten(workspace: Workspace, ask: Callable[[], object]) -> object:
    workspace._remembered = Remembered()
    return ask()


def run(folder: Path) -> Result:
    """Grow both workshops and ask both for everything."""
    with opened(folder / "small", SMALL) as small, opened(folder / "large", LARGE) as large:
        measure((small, large))
        lines = tuple(_lines(small, large))
        figures = {
            name: {"small_s": small.took[name].seconds, "large_s": one.seconds, "questions": one.questions}
            for name, one in large.took.items()
        }
    return Result(lines=lines, figures={"answers": figures})


@contextmanager
def opened(folder: Path, scale: float, *, grown: bool = False) -> Iterator[Shop]:
    """Give a workshop of a scale with its pages; `grown` where it is in the folder already."""
    size = Years(scale)
    if not grown:
        with Workspace.open(folder, create=True) as workspace:
            grow_years(workspace, size)
    app = create_app(Settings(workspace=folder, operator="Ida Brandt"))
    client = TestClient(app, base_url="http://127.0.0.1:8470", client=("127.0.0.1", 50000), follow_redirects=False)
    with closing(app.state.workspace) as workspace:
        yield Shop(workspace, client, names(workspace), size.today)


def names(workspace: Workspace) -> Names:
    """Return what to ask for: a lot of 100 pieces and one of 500, a lot that is open, a seller of few lots."""
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
        machine = session.scalars(
            select(Machine.label).join(Fitting, Fitting.machine_id == Machine.id).order_by(Machine.id).limit(1)
        ).one()
        order = session.scalars(select(Lot.order_reference).where(Lot.label == lot)).one()
    first, second = runs
    assert small is not None
    assert seller is not None
    return Names(lot, f"{lot}-07", large, small, first, second, machine, seller[0], order or "")


def measure(shops: Sequence[Shop]) -> None:
    """Ask each workshop for everything, in turn."""
    for shop in shops:
        for name, path in zip(pages(_GENERAL), pages(shop.names), strict=True):
            shop.took[name] = _timed(shop.workspace, lambda path=path, shop=shop: shop.page(path))
        for name, ask in answers(shop).items():
            shop.took[name] = _timed(shop.workspace, ask)


def _timed(workspace: Workspace, ask: Callable[[], object]) -> Took:
    with asked(workspace) as questions:
        ask()
    took: list[float] = []
    while len(took) < ROUNDS and not (took and (took[0] > LONG_S or sum(took) > BUDGET_S)):
        begun = time.process_time()
        ask()
        took.append(time.process_time() - begun)
    return Took(median(took), questions.number)


_GENERAL = Names("LOT", "PIECE", "LARGE", "OPEN", "RUN", "OTHER", "MACHINE", "SELLER", "ORDER")


def _lines(small: Shop, large: Shop) -> Iterator[str]:
    yield f"{'':44}{'1/100':>10}{'1/10':>10}{'ratio':>8}{'asked':>12}"
    pairs = [(name, small.took[name], one) for name, one in large.took.items()]
    for name, before, now in sorted(pairs, key=lambda one: one[1].seconds - one[2].seconds):
        times = f"{1000 * before.seconds:>7.1f} ms{1000 * now.seconds:>7.1f} ms{now.seconds / before.seconds:>8.2f}"
        yield f"{name:44}{times}{f'{before.questions} {now.questions}':>12}"
    yield "Milliseconds of processor time, the middle of up to five, in a warm process; asked: questions to it."


def main() -> None:
    """Measure workshops that are there already: `python tests/bench/grown.py FOLDER ...`, from small to large."""
    shops: list[Any] = []
    for folder in sys.argv[1:]:
        with opened(Path(folder), SMALL, grown=True) as shop:
            measure([shop])
            shops.append(shop)
    for small, large in pairwise(shops):
        print("\n".join(_lines(small, large)))


if __name__ == "__main__":
    main()
