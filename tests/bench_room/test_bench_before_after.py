"""A machine measured before and after a change, on SQLite and on PostgreSQL. Everything here is invented."""

import pytest

from tracker.desk.bench import CurrentRequest, run_current
from tracker.desk.bench_compare import compare_runs
from tracker.desk.bench_entry import Typed
from tracker.desk.bench_power import PowerRequest, run_power
from tracker.desk.fitting import add_machine
from tracker.desk.workspace import Workspace
from tracker.errors import BadRequest


def before_and_after(workspace: Workspace) -> None:
    """The stock machine (B0001) and with one chip changed (B0002), each reading known within 1 %."""
    add_machine(workspace, "Kestrel 2 sampler", owner="R-12")
    for remark, amperes, watts in (("as it came", "1.20 A", "12 W"), ("U12 changed", "0.90 A", "10 W")):
        request = PowerRequest(
            rails=(f"5 V={amperes}",),
            mains_voltage="230 V",
            mains_current="0.1 A",
            mains_power=watts,
            within="1 %",
            typed=Typed(remark=remark),
        )
        assert run_power(workspace, "M0001", request).verdict == "undecided"


def test_a_change_has_an_interval(workspace: Workspace) -> None:
    before_and_after(workspace)
    found = compare_runs(workspace, ["b0001", "B0002"])
    assert found.comparison.titles == ("as it came", "U12 changed")
    assert found.notes == ()
    rows = {row.name: row.differences[1] for row in found.comparison.rows}
    board = rows["power into the board"]
    assert board is not None
    assert board.value == pytest.approx(-1.5)
    # u of a product of two readings within 1 %, rectangular: sqrt(2) x 0.01 / sqrt(3), for 6 W and for 4.5 W
    assert board.u == pytest.approx(7.5 * (2 / 3) ** 0.5 * 0.01)
    assert board.share == pytest.approx(-0.25)
    assert board.told_apart
    apparent = rows["apparent power"]
    assert apparent is not None
    assert apparent.value == 0
    assert not apparent.told_apart


def test_several_runs_make_one_column_and_other_conditions_are_said(workspace: Workspace) -> None:
    before_and_after(workspace)
    for volts in ("5 V", "5.5 V"):
        typed = Typed(supply=volts, ambient="23 C" if volts == "5 V" else "29 C")
        run_current(workspace, "M0001", CurrentRequest(currents=("1.2 A",), u="0.01 A", typed=typed))
    found = compare_runs(workspace, ["stock=B0001+B0003", "B0002+B0004"])
    assert found.comparison.labels == ("B0001+B0003", "B0002+B0004")
    assert found.comparison.titles[0] == "stock"
    assert {row.name for row in found.comparison.rows} >= {"current", "power", "power into the supply"}
    assert any("supplies differ: 5 V, 5.5 V" in note for note in found.notes)
    assert any("ambients differ by 6.0 K" in note for note in found.notes)


@pytest.mark.parametrize(
    ("columns", "said"),
    [
        (["B0001"], "nothing to be compared"),
        (["B0001", "B0001"], "named twice"),
        (["B0001", "B0009"], "no bench run 'B0009'"),
        (["B0001", "B0003"], "no quantity in common"),
        (["B0001", ""], "no bench run ''"),
    ],
)
def test_what_cannot_be_compared_is_said(workspace: Workspace, columns: list[str], said: str) -> None:
    before_and_after(workspace)
    run_current(workspace, "M0001", CurrentRequest(currents=("1.2 A",)))
    with pytest.raises(BadRequest, match=said):
        compare_runs(workspace, columns)


def test_a_machine_is_added_once_and_powers_are_of_machines(workspace: Workspace) -> None:
    before_and_after(workspace)
    with pytest.raises(BadRequest, match="already"):
        add_machine(workspace, "kestrel 2 SAMPLER")
    with pytest.raises(BadRequest, match="M0002"):
        run_power(workspace, "M0002", PowerRequest(rails=("5 V=1 A",)))
    for request in (PowerRequest(), PowerRequest(rails=("5 V=1",)), PowerRequest(mains_power="31 VA")):
        with pytest.raises(BadRequest):
            run_power(workspace, "M0001", request)
