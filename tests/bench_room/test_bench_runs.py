"""Bench runs as they are recorded, on SQLite and on PostgreSQL. Everything here is invented."""

import json
from pathlib import Path

import pytest
from sqlalchemy import select
from stock import a_lot

from tracker.desk import bench
from tracker.desk.bench import ClockRequest, CurrentRequest
from tracker.desk.bench_entry import Typed
from tracker.desk.bench_in_circuit import InCircuitRequest, run_in_circuit
from tracker.desk.fitting import fit
from tracker.desk.workspace import Workspace
from tracker.errors import BadRequest
from tracker.judgement.weights import declared
from tracker.records.models import BenchRun, BenchSample, JournalEntry

TYPED = Typed(supply="5 V", ambient="73.4 F", jig="socket board 2", instrument="handheld meter", remark="warm day")


def test_a_current_far_over_its_limit(workspace: Workspace) -> None:
    a_lot(workspace)
    request = CurrentRequest(currents=("96 mA",), clock="2 MHz", u="0.5 mA", typed=TYPED)
    recorded = bench.run_current(workspace, "l1-2", request, operator="mira")
    assert (recorded.run, recorded.piece, recorded.verdict) == ("B0001", "L0001-02", "fail")
    assert recorded.weight_db == declared().weight_db("bench-current-fail") > 10
    assert recorded.suspicion is not None
    # Bayes' rule in odds: after = before times 10^(weight / 10)
    odds = recorded.suspicion.before / (1 - recorded.suspicion.before) * 10 ** (recorded.weight_db / 10)
    assert recorded.suspicion.after == pytest.approx(odds / (1 + odds), rel=1e-6)
    with workspace.read() as session:
        run = session.scalars(select(BenchRun)).one()
        sample = session.scalars(select(BenchSample)).one()
        entry = session.get_one(JournalEntry, run.entry_id)
    assert (run.supply_v, run.jig, run.instrument, run.remark) == (5.0, "socket board 2", "handheld meter", "warm day")
    assert run.ambient_c == pytest.approx(23.0)
    assert (sample.clock_hz, sample.current_a, sample.current_u_a) == (2e6, pytest.approx(0.096), pytest.approx(5e-4))
    kept = json.loads(run.result)
    assert kept["limit"]["source"] == "invented for the demo"
    assert kept["conformity"]["k"] == pytest.approx(2.0, abs=1e-3)
    assert kept["conformity"]["expanded_u"] == pytest.approx(1e-3, rel=1e-3)
    assert (entry.act, entry.subject, entry.operator) == ("bench", "L0001-02", "mira")
    assert json.loads(entry.body)["verdict"] == "fail"


def test_a_table_is_kept_as_evidence(workspace: Workspace, tmp_path: Path) -> None:
    a_lot(workspace)
    table = tmp_path / "readings.csv"
    table.write_text("clock_hz,current_a\n5e5,0.0011\n1e6,0.0021\n2e6,0.0041\n", encoding="utf-8")
    recorded = bench.run_current(workspace, "L0001-01", CurrentRequest(table=table, typed=TYPED))
    assert recorded.verdict == "pass"
    assert recorded.weight_db == declared().weight_db("bench-current-pass") < 0
    assert recorded.table is not None
    assert workspace.store.read(recorded.table) == table.read_bytes()
    with workspace.read() as session:
        assert len(session.scalars(select(BenchSample)).all()) == 3


def test_an_undecided_run_changes_nothing_but_is_kept(workspace: Workspace) -> None:
    a_lot(workspace, part="QX9911")
    recorded = bench.run_current(workspace, "L0001-01", CurrentRequest(currents=("5 mA",)))
    assert (recorded.verdict, recorded.weight_db) == ("undecided", 0.0)
    assert recorded.suspicion is not None
    assert recorded.suspicion.before == recorded.suspicion.after
    assert "state one with its source" in recorded.reasons[0]
    stated = CurrentRequest(currents=("5 mA",), limit="10 mA", limit_source="data sheet of 1988, page 4")
    again = bench.run_current(workspace, "L0001-01", stated)
    assert (again.run, again.verdict) == ("B0002", "pass")
    assert isinstance(again.result, bench.CurrentResult)
    assert again.result.limit is not None
    assert again.result.limit.source == "data sheet of 1988, page 4"


def test_the_clock_grade_comes_from_the_claim(workspace: Workspace) -> None:
    a_lot(workspace, part="CV6522AP-2")  # the part number says 4 MHz
    slow = ClockRequest(pairs=("2 MHz=pass", "2.5 MHz=pass", "3 MHz=fail", "2.8 MHz=fail"))
    recorded = bench.run_clock(workspace, "L0001-01", slow)
    assert recorded.verdict == "fail"
    assert isinstance(recorded.result, bench.ClockResult)
    assert recorded.result.grade_hz == 4e6
    a_lot(workspace, part="CV6522AP-2", grade="2 MHz, commercial")
    claimed = bench.run_clock(workspace, "L0002-01", slow)
    assert claimed.verdict == "pass"
    assert claimed.notes == ("The claimed grade is not the one that the part number carries.",)
    stated = ClockRequest(pairs=slow.pairs, grade="3 MHz", grade_source="catalogue", margin="0 %")
    assert bench.run_clock(workspace, "L0002-01", stated).verdict == "fail"


def test_in_circuit_knows_the_machine_the_piece_sits_in(workspace: Workspace) -> None:
    a_lot(workspace)
    fit(workspace, "L0001-01", "Sampling keyboard Orrin 8, serial 0412", "U12")
    passed = run_in_circuit(
        workspace, "L0001-01", InCircuitRequest(runs=True, duration="2 h", checks=("all keys sound=pass",))
    )
    assert (passed.verdict, passed.machine) == ("pass", "M0001")
    failed = run_in_circuit(workspace, "L0001-02", InCircuitRequest(runs=False, machine="M0001", known_good="runs"))
    assert (failed.verdict, failed.weight_db) == ("fail", declared().weight_db("bench-in-circuit-fail"))
    alone = run_in_circuit(workspace, "M0001", InCircuitRequest(runs=True, duration="45 min"))
    assert (alone.piece, alone.machine, alone.verdict, alone.weight_db, alone.suspicion) == (
        None,
        "M0001",
        "pass",
        0.0,
        None,
    )


@pytest.mark.parametrize(
    ("request_", "match"),
    [
        (CurrentRequest(currents=("96",)), "has no unit"),
        (CurrentRequest(currents=("96 mV",)), "is a voltage"),
        (CurrentRequest(currents=("NaN",)), "not a finite number"),
        (CurrentRequest(), "no reading"),
        (CurrentRequest(currents=("5 mA",), pairs=("1 MHz=5 mA",)), "do not go together"),
        (CurrentRequest(pairs=("1 MHz=5 mA",), clock="1 MHz"), "--clock goes with --current"),
        (CurrentRequest(pairs=("5 mA",)), "is not a pair"),
        (CurrentRequest(currents=("5 mA",), u="0 mA"), "uncertainty of 0"),
        (CurrentRequest(currents=("5 mA",), limit_source="page 4"), "go with --limit"),
        (CurrentRequest(currents=("5 mA",), limit="0 mA"), "limit of 0"),
        (CurrentRequest(currents=("5 mA",), k=float("nan")), "coverage factor"),
        (CurrentRequest(currents=("5 mA",), typed=Typed(supply="5 A")), "is a current"),
        (CurrentRequest(currents=("5 mA",), typed=Typed(ambient="23")), "has no unit"),
        (CurrentRequest(currents=("5 mA",), typed=Typed(jig="  ")), "jig is empty"),
    ],
)
def test_a_refused_run_leaves_nothing(tmp_path: Path, request_: CurrentRequest, match: str) -> None:
    with Workspace.open(tmp_path / "workspace", create=True) as workspace:
        a_lot(workspace)
        with pytest.raises(BadRequest, match=match):
            bench.run_current(workspace, "L0001-01", request_)
        with workspace.read() as session:
            assert session.scalars(select(BenchRun)).all() == []
            assert len(session.scalars(select(JournalEntry)).all()) == 1


def test_unknown_labels_and_machines(tmp_path: Path) -> None:
    with Workspace.open(tmp_path / "workspace", create=True) as workspace:
        a_lot(workspace)
        with pytest.raises(BadRequest, match="no piece L0001-09"):
            bench.run_current(workspace, "L0001-09", CurrentRequest(currents=("5 mA",)))
        with pytest.raises(BadRequest, match="no machine"):
            run_in_circuit(workspace, "L0001-01", InCircuitRequest(runs=True, machine="Tellmark 220"))
        with pytest.raises(BadRequest, match="known-good"):
            run_in_circuit(workspace, "L0001-01", InCircuitRequest(runs=True, known_good="maybe"))


def test_an_undecided_run_takes_no_verdict_back(workspace: Workspace) -> None:
    a_lot(workspace)
    failed = bench.run_current(workspace, "L0001-01", CurrentRequest(currents=("96 mA",), clock="2 MHz", u="0.5 mA"))
    assert failed.verdict == "fail"
    again = bench.run_current(workspace, "L0001-01", CurrentRequest(currents=("96 mA",), clock="2 MHz", u="90 mA"))
    assert again.verdict == "undecided"
    assert failed.suspicion is not None
    assert again.suspicion is not None
    assert again.suspicion.before == again.suspicion.after == failed.suspicion.after
    passed = bench.run_current(workspace, "L0001-01", CurrentRequest(currents=("3 mA",), clock="2 MHz", u="0.1 mA"))
    assert passed.suspicion is not None
    assert passed.suspicion.after < failed.suspicion.before
