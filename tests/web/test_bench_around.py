"""Around the tests: which comes next, the plan of a lot, runs side by side, a machine's history, a run's own page."""

from pathlib import Path
from typing import Any

import pytest
from web_bench import MACHINE, PIECE, Bench

from tracker.desk.bench_compare import compare_runs
from tracker.desk.fitting import fit
from tracker.desk.machine_history import machine_history


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return Bench(tmp_path)


def power(bench: Bench, watts: float, remark: str) -> str:
    form = {"rail.voltage": ["5.00 V"], "rail.current": [f"{watts / 5.0:.3f} A"], "remark": remark}
    answer = bench.do(f"/bench/power/{MACHINE}", "record", form)
    assert answer.status_code == 303, answer.text[:2000]
    return str(answer.headers["location"]).removeprefix("/runs/")


def soak(bench: Bench, rise: float) -> str:
    rows: dict[str, Any] = {"at.time": [], "at.temp": [], "at.ambient": []}
    for minute in range(0, 40, 2):
        rows["at.time"].append(f"{minute} min")
        rows["at.temp"].append(f"{22 + rise * (1 - 2 ** (-minute / 4)):.2f} C")
        rows["at.ambient"].append("")
    answer = bench.do(f"/bench/soak/{MACHINE}", "record", {**rows, "ambient": "22 C", "cold": "yes", "case": "closed"})
    assert answer.status_code == 303, answer.text[:2000]
    return str(answer.headers["location"]).removeprefix("/runs/")


def test_which_test_next(bench: Bench) -> None:
    page = bench.text(f"/bench/{PIECE}")
    assert f'href="/bench/current/{PIECE}"' in page
    assert "Static: wear an earthed wrist strap" in page
    bench.do(f"/bench/current/{PIECE}", "record", {"read.clock": "1 MHz", "read.current": "2.1 mA"})
    assert '<a class="label" href="/runs/B0001">B0001</a>' in bench.text(f"/bench/{PIECE}")
    assert f"/bench/power/{MACHINE}" in bench.text(f"/bench/{MACHINE}")


def test_the_plan_of_a_lot(bench: Bench) -> None:
    page = bench.text("/bench/plan/L0001")
    assert "L0001-0" in page
    assert "Clopper-Pearson" in page
    asked = bench.text("/bench/plan/L0001?bad=50 %25&confidence=80 %25&have=20 min")
    assert "of the 20 there are" in asked
    wrong = bench.get("/bench/plan/L0001?bad=<b>")
    assert wrong.status_code == 422
    assert "&lt;b&gt;" in wrong.text
    assert bench.get("/bench/plan/L0009").status_code == 404


def test_before_and_after_a_change(bench: Bench) -> None:
    first, second = power(bench, 9.0, "as it came"), power(bench, 6.0, "new regulator")
    page = bench.text(f"/bench/compare?run={first}&run={second}")
    found = compare_runs(bench.app.state.workspace, [first, second]).comparison.rows[0].differences[1]
    assert found is not None
    assert found.share == pytest.approx(-1 / 3)
    assert "-33.3 % (" in page
    assert "new regulator" in page
    assert "data-plot=" in page
    assert "-33.3 % (" in bench.text(f"/bench/compare?run={first} {second}")


def test_two_soaks_with_their_life_and_its_caution(bench: Bench) -> None:
    first, second = soak(bench, 30.0), soak(bench, 20.0)
    page = bench.text(f"/bench/compare?run={first}&run={second}&minute=10 min")
    assert "expected life" in page
    assert "An illustration, not a forecast" in page
    assert "rise at 10 min" in page
    drawn = bench.get(f"/bench/compare.svg?run={first}&run={second}")
    assert b"<svg" in drawn.content


@pytest.mark.parametrize("runs", ["run=B0009&run=B0008", "run=B0009", "run=<script>&run=x", "run=B0001%2B&run=%2B"])
def test_what_cannot_be_compared_is_said(bench: Bench, runs: str) -> None:
    answer = bench.get(f"/bench/compare?{runs}")
    assert answer.status_code == 422
    assert "<script>" not in answer.text.replace('<script type="module"', "")


def test_a_machines_history_marks_each_change(bench: Bench) -> None:
    before = power(bench, 9.0, "as it came")
    fit(bench.app.state.workspace, PIECE, MACHINE, "U12", operator="mira")
    after = power(bench, 8.0, "with it")
    found = machine_history(bench.app.state.workspace, MACHINE)
    assert all(drawing.x.startswith("minutes since ") for _, drawing in found.drawings), "all within one repair"
    assert [one.run for one in found.points] == [before, after]
    assert [round(one.figure.value, 6) for one in found.points] == [9.0, 8.0]
    assert found.last_two == (before, after)
    (change,) = found.changes
    assert change.text == "L0001-01 (CV6522AP) put into U12"
    assert found.points[0].at < change.at < found.points[1].at
    ((name, drawing),) = found.drawings
    assert name == "power into the board"
    assert [mark.name for mark in drawing.marks] == [change.text]
    page = bench.text(f"/bench/history/{MACHINE}")
    assert f'href="/bench/compare?run={before}&amp;run={after}"' in page
    assert "put into U12" in page


def test_a_run_shows_all_that_is_on_record(bench: Bench) -> None:
    form = {"read.clock": ["1 MHz", "2 MHz"], "read.current": ["2.1 mA", "4.0 mA"], "supply": "5 V", "jig": "port jig"}
    bench.do(f"/bench/current/{PIECE}", "record", form)
    page = bench.text("/runs/B0001")
    for text in ("pass", "Ida Brandt", "port jig", "5 V", "4 mA", "JCGM 106", "On its day it weighed", "not said"):
        assert text in page, text
    plot = bench.get("/runs/B0001/plot.svg")
    assert b"<svg" in plot.content
    again = bench.get("/runs/B0001/plot.svg", headers={"if-none-match": plot.headers["etag"]})
    assert (again.status_code, again.content) == (304, b"")
    assert bench.get("/runs/B0001/file").status_code == 404
    assert bench.text("/runs/b0001")
    bench.do(f"/bench/current/{PIECE}", "record", {"read.clock": "1 MHz", "read.current": "96 mA"})
    assert "a later run of this test stands in its place" in bench.text("/runs/B0001")


def test_a_kept_file_that_changed_is_told(bench: Bench) -> None:
    table = b"clock (MHz),current (mA)\n1,2.1\n2,4.0\n"
    bench.do(f"/bench/current/{PIECE}", "record", files={"file": ("a.csv", table)})
    (kept,) = (one for one in (bench.app.state.workspace.folder / "evidence").rglob("*") if one.is_file())
    kept.chmod(0o600)
    kept.write_bytes(bytes(255 - byte for byte in table))
    assert bench.get("/runs/B0001/file").status_code == 503
