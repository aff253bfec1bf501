"""A workshop for the tests of the pages: two lots, one gone all the way, one half decided. All invented."""

import shutil
from pathlib import Path

import pytest
from bags import full_lot
from staged import Stage
from stock import TODAY, a_lot

from tracker.desk import photograph as photographing
from tracker.desk.bench import ClockRequest, CurrentRequest, run_clock, run_current
from tracker.desk.bench_power import PowerRequest, run_power
from tracker.desk.decide import decide, declare_exemplar, settle
from tracker.desk.workspace import Workspace


@pytest.fixture(scope="session")
def prepared(sqlite_template: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give the workshop's workspace; it is not to be changed."""
    folder = tmp_path_factory.mktemp("workshop")
    shutil.copytree(sqlite_template, folder / "w")
    with pytest.MonkeyPatch.context() as patch, Workspace.open(folder / "w") as workspace:
        stage = Stage({}, [])
        patch.setattr(photographing, "look", stage.look)
        full_lot(workspace, folder / "desk", stage)
        _second_lot(workspace)
    return folder / "w"


def _second_lot(workspace: Workspace) -> None:
    a_lot(
        workspace,
        part="KM4417",
        seller="Fenwright Components",
        source="broker",
        claim_by=TODAY,
        price="12.50",
        currency="EUR",
        order="F-22",
        quantity=4,
        received=4,
    )
    settle(workspace, "L0002-01", "genuine", "its maker says so", operator="mira")
    declare_exemplar(workspace, "L0002-01", "bought from the maker", operator="mira")
    run_current(workspace, "L0002-02", CurrentRequest(currents=("9 mA",), limit="60 mA"), operator="jonas")
    run_clock(workspace, "L0002-02", ClockRequest(pairs=("2 MHz=pass", "3 MHz=fail"), grade="2 MHz"), operator="jonas")
    run_power(workspace, "M0001", PowerRequest(rails=("5 V=1.2 A",)), operator="jonas")
    decide(workspace, ["L0002-02..03"], "accept", reason="measured", operator="mira")


@pytest.fixture
def workshop(prepared: Path, tmp_path: Path) -> Path:
    """Give a copy of that workspace."""
    shutil.copytree(prepared, tmp_path / "workshop")
    return tmp_path / "workshop"
