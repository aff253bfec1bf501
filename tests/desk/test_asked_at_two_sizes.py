"""Every answer asks the database as often in a large workshop as in a small one, about things of the same size."""

from collections.abc import Callable
from pathlib import Path

import pytest
from asked import worked
from growing import Growth, grow
from sqlalchemy import select
from stock import TODAY

from tracker.desk.due import due_page
from tracker.desk.export_gather import gather
from tracker.desk.facts import standing_exemplars
from tracker.desk.find import find
from tracker.desk.known_names import known_names
from tracker.desk.listing import Filters, list_rows
from tracker.desk.log import read_log
from tracker.desk.next_test import next_tests
from tracker.desk.pieces import find_lot
from tracker.desk.recall import Wanted, recall
from tracker.desk.remembered import Remembered
from tracker.desk.showing import show
from tracker.desk.standing_suspicion import reckon
from tracker.desk.thoughts import thoughts
from tracker.desk.tops import compare_tops
from tracker.desk.workspace import Workspace
from tracker.records.models import Machine, Seller

SMALL, LARGE = (
    Growth(lots=lots, pieces=4, looks=1.2, runs=0.8, decided=0.6, settled=0.2, exemplars=0.3, seed=5)
    for lots in (2, 12)
)
FEW = 5
"""Questions more that an answer may ask: of a seller or lot that it meets on the way, whatever their number elsewhere.
One a lot or piece would be ten and more."""


@pytest.fixture(scope="module")
def shops(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """Give the folders of both workshops; they are only looked at."""
    folders = tuple(tmp_path_factory.mktemp("two-sizes") / name for name in ("small", "large"))
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("LOTPROOF_KEYS", str(folders[0].parent / "keys"))
        for folder, size in zip(folders, (SMALL, LARGE), strict=True):
            with Workspace.open(folder, create=True) as workspace:
                grow(workspace, size)
                reckon(workspace)
    return folders[0], folders[1]


def _known_good(workspace: Workspace) -> None:
    with workspace.read() as session:
        for piece in standing_exemplars(session, lambda part: part.startswith("CV"), most=5):
            assert piece.lot.claimed_part


def _gathered(workspace: Workspace) -> None:
    with workspace.read() as session:
        gather(session, find_lot(session, "L0001"))


def _named(workspace: Workspace, model: type[Machine] | type[Seller]) -> str:
    with workspace.read() as session:
        return session.scalars(select(model.name).order_by(model.id)).first() or ""


ASK: dict[str, Callable[[Workspace], object]] = {
    "due": lambda shop: due_page(shop, today=TODAY, limit=3),
    "find words": lambda shop: find(shop, "CV"),
    "find a name": lambda shop: find(shop, _named(shop, Machine)),
    "list machines": lambda shop: list_rows(shop, "machines", limit=3),
    "list machines by name": lambda shop: list_rows(shop, "machines", Filters(name="e"), limit=3),
    "list machines since": lambda shop: list_rows(shop, "machines", Filters(since=TODAY), limit=3),
    "list sellers": lambda shop: list_rows(shop, "sellers", limit=3),
    "list runs since": lambda shop: list_rows(shop, "runs", Filters(since=TODAY.replace(year=1990)), limit=3),
    "list runs by operator": lambda shop: list_rows(shop, "runs", sort="operator", limit=3),
    "recall --lot": lambda shop: recall(shop, Wanted(lot="L0001")),
    "recall --marking": lambda shop: recall(shop, Wanted(marking="CV")),
    "show LOT": lambda shop: show(shop, "L0001", today=TODAY),
    "show PIECE": lambda shop: show(shop, "L0001-02", today=TODAY),
    "show MACHINE": lambda shop: show(shop, "M0001"),
    "show SELLER": lambda shop: show(shop, _named(shop, Seller)),
    "next": lambda shop: next_tests(shop, "L0001", minutes=None, today=TODAY),
    "log": lambda shop: read_log(shop, "L0001"),
    "export bag": _gathered,
    "known-good pieces": _known_good,
    "compare": lambda shop: compare_tops(shop, "L0001"),
    "thoughts": lambda shop: thoughts(shop, ["L0001"]),
    "names": known_names,
}


@pytest.mark.parametrize("name", ASK)
def test_as_many_questions_in_a_large_workshop(shops: tuple[Path, Path], name: str) -> None:
    numbers = []
    for folder in shops:
        with Workspace.open(folder) as workspace:
            ASK[name](workspace)
            workspace._remembered = Remembered()  # as in a new process
            with worked() as work:
                ASK[name](workspace)
        numbers.append(len(work.statements))
    assert numbers[1] <= numbers[0] + FEW
