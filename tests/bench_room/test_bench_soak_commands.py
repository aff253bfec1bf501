"""`lotproof bench soak` and `calc soak` as a user runs them, and what is on record afterwards."""

import io
import json
import math
import sys
from pathlib import Path

import pytest
from conftest import Lotproof
from sqlalchemy import select
from stock import a_lot
from terminal import CTRL_C, CTRL_D, terminal

from tracker.bench import thermometry
from tracker.desk.bench_soak import ROWS_KEPT, run_soak
from tracker.desk.bench_soak_entry import SoakRequest
from tracker.desk.workspace import Workspace
from tracker.judgement.weights import declared
from tracker.records.models import BenchRun, BenchSample

MINUTES = (0, 1, 2, 3, 5, 7, 10, 13, 16, 20, 25, 30)
READINGS = [
    (minute, round(22.0 - 31.4 * math.expm1(-minute / 6.0) + 0.03 * (-1) ** i, 2)) for i, minute in enumerate(MINUTES)
]
PAIRS = [f"{minute} min={temp} C" for minute, temp in READINGS]
AT = [word for pair in PAIRS for word in ("--at", pair)]


@pytest.fixture
def stocked(lotproof: Lotproof, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Give a workspace with one lot of three pieces."""
    folder = tmp_path / "workspace"
    monkeypatch.setenv("LOTPROOF_WORKSPACE", str(folder))
    monkeypatch.setenv("LOTPROOF_OPERATOR", "jonas")
    words = (
        "receive",
        "--seller",
        "Quayside Surplus",
        "--source",
        "marketplace",
        "--part",
        "CV6522AP",
        "--quantity",
        3,
    )
    assert lotproof(*words).code == 0
    return folder


def test_a_soak_typed_reading_by_reading(lotproof: Lotproof, stocked: Path) -> None:
    ran = lotproof(
        "bench", "soak", "L0001-01", *AT, "--ambient", "71.6 F", "--limit", "45 K", "--open", "--supply", "5 V",
        "--spot", "regulator=61 C", "--spot", "driver = 118.4 F",
    )  # fmt: skip
    assert ran.code == 0
    assert ran.out.startswith("mind")
    assert "skin at once" in ran.out
    assert "L0001-01, claimed CV6522AP: soak PASS" in ran.out
    assert "above ambient; 95 % from the readings" in ran.out
    assert "early stop     may stop: final rise 31." in ran.out
    assert "regulator 61.0 C, 39.0 K above ambient" in ran.out
    assert "driver 48.0 C" in ran.out
    assert "Bare metal" in ran.out
    assert "guard band w = U" in ran.out
    assert "db)" in ran.out


def test_json_fail_exit_and_the_case(lotproof: Lotproof, stocked: Path) -> None:
    words = ("bench", "soak", "L0001-01", *AT, "--ambient", "22 C", "--limit-temp", "104 F", "--case", "--json")
    ran = lotproof(*words, "--fail-exit")
    assert ran.code == 1
    assert ran.json["schema"] == "lotproof.bench.soak/1"
    assert (ran.json["verdict"], ran.json["result"]["housing"]) == ("fail", "case")
    assert ran.json["result"]["rise"]["value_k"] == pytest.approx(31.4, abs=0.3)
    assert ran.json["result"]["fitted"]["time_constant"]["value"] == pytest.approx(360.0, rel=0.03)
    assert ran.json["result"]["stop"]["may_stop"] is True
    assert ran.json["suspicion"]["after"] > ran.json["suspicion"]["before"]


def test_asked_for_one_by_one(lotproof: Lotproof, stocked: Path) -> None:
    lines = [(pair.replace("=", " "), "go on:") for pair in PAIRS[:3]]
    lines += [
        ("undo", f"Taken back: {PAIRS[2]}."),
        (PAIRS[2], "go on:"),
        ("3 min 36", "'36' has no unit"),
        ("1 min 40 C", "the time runs backwards"),
        ("rubbish", "'rubbish'"),
        ("3 min NaN C", "not a finite number"),
        ("", "Write the time since the heat came on"),
    ]
    lines += [(pair, "so far") for pair in PAIRS[3:]]
    words = ("bench", "soak", "L0001-02", "--prompt", "--ambient", "22 C", "--limit", "45 K", "--json")
    with terminal(*words) as asked:
        asked.expect("'undo' takes the last one back")
        for line, then in lines:
            asked.expect("Reading ")
            asked.expect(": ")
            asked.type(line)
            asked.expect(then)
        asked.expect("may stop: final rise 31.")
        asked.expect(f"Reading {len(PAIRS) + 1}: ")
        asked.type("done")
        assert asked.end() == 0
    document = json.loads(asked.shown[asked.shown.index("{") :])
    assert (document["verdict"], document["result"]["readings"]) == ("pass", len(PAIRS))


@pytest.mark.parametrize("keys", [(CTRL_C, "n\n"), (CTRL_C, CTRL_D), (CTRL_D,), ("done\n",), (CTRL_C, "y\n")], ids=repr)
def test_readings_that_were_not_recorded_can_be_gone_on_with(
    lotproof: Lotproof, stocked: Path, keys: tuple[str, ...]
) -> None:
    with terminal("bench", "soak", "L0001-01", "--prompt", "--at", "0 min=22 C") as asked:
        asked.expect("Reading 2: ")
        asked.type("1 min 26.5 C")
        asked.expect("Reading 3: ")
        asked.press(keys[0])
        for key in keys[1:]:
            asked.expect("so far (2)? [y/N]: ")
            asked.press(key)
        assert asked.end() == 2  # two readings are too few, also where they were to be recorded
    assert "to go on with: --at '0 min=22 C' --at '1 min=26.5 C'" in asked.shown
    assert lotproof("list", "runs", "--json").json["runs"] == []


def test_prompts_refuse_before_anybody_waits(
    lotproof: Lotproof, stocked: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for words in (
        ("L0009-01", "--prompt"),
        ("L0001-01", "--prompt", "--limit", "45 V"),
        ("L0001-01", "--prompt", "--from", "x.csv"),
        ("L0001-01", "--prompt"),  # nobody is at a terminal
    ):
        monkeypatch.setattr(sys, "stdin", io.StringIO("0 min 20 C\n"))
        ran = lotproof("bench", "soak", *words)
        assert (ran.code, ran.out) == (2, "")
        assert "Reading 1" not in ran.err
    assert "somebody at a terminal" in ran.err


def test_what_is_kept(workspace: Workspace, tmp_path: Path) -> None:
    a_lot(workspace)
    table = tmp_path / "soak.csv"
    rows = [f"{minute},{1.8 * temp + 32:.5f},71.6" for minute, temp in READINGS]
    table.write_text("\n".join(["time_min,temp_f,ambient_f", *rows, rows[-1]]) + "\n", encoding="utf-8")
    request = SoakRequest(
        table=table, limit="45 K", limit_source="data sheet, page 7", cold=False, case=True, spots=("fuse=40 C",)
    )
    recorded = run_soak(workspace, "l1-2", request, operator="mira")
    assert (recorded.test, recorded.verdict, recorded.weight_db) == (
        "soak",
        "pass",
        declared().weight_db("bench-soak-pass"),
    )
    assert any("there twice" in note for note in recorded.notes)
    assert recorded.table is not None
    assert workspace.store.read(recorded.table) == table.read_bytes()
    with workspace.read() as session:
        run = session.scalars(select(BenchRun)).one()
        samples = session.scalars(select(BenchSample).order_by(BenchSample.position)).all()
    assert run.ambient_c == pytest.approx(22.0)
    assert [one.time_s for one in samples[:-1]] == [60.0 * minute for minute in MINUTES]
    assert [one.temp_c for one in samples[:-1]] == pytest.approx([temp for _, temp in READINGS])
    assert [one.ambient_c for one in samples[:-1]] == pytest.approx([22.0] * len(MINUTES))
    assert (samples[-1].text, samples[-1].temp_c, samples[-1].time_s) == ("fuse", 40.0, None)
    kept = json.loads(run.result)
    assert kept["limit_source"] == "data sheet, page 7"
    assert "first-order" in kept["model"]
    assert kept["spots"] == [{"what": "fuse", "temp_c": 40.0}]


def test_a_long_table_is_kept_whole_as_a_file_and_thinned_as_rows(tmp_path: Path) -> None:
    table = tmp_path / "long.csv"
    lines = [f"{s},{22.0 - 31.4 * math.expm1(-s / 360.0) + 0.1 * (-1) ** s:.2f}" for s in range(ROWS_KEPT + 5)]
    table.write_text("\n".join(["time_s,temp_c", *lines]) + "\n", encoding="utf-8")
    with Workspace.open(tmp_path / "workspace", create=True) as workspace:
        a_lot(workspace)
        recorded = run_soak(workspace, "L0001-01", SoakRequest(table=table, cold=True, limit="45 K", case=False))
        with workspace.read() as session:
            assert len(session.scalars(select(BenchSample)).all()) == ROWS_KEPT // 2 + 3
    assert recorded.verdict == "pass"
    assert any("One reading in 2" in note for note in recorded.notes)


def test_a_thermocouple_and_a_plot(lotproof: Lotproof, stocked: Path, tmp_path: Path) -> None:
    table, plot = tmp_path / "emf.csv", tmp_path / "soak.svg"
    emfs = thermometry.type_k_emf_mv([temp for _, temp in READINGS]) - thermometry.type_k_emf_mv(22.0)
    rows = [f"{minute} min,{emf:.4f} mV" for minute, emf in zip(MINUTES, emfs, strict=True)]
    table.write_text("\n".join(["time,emf", *rows]), encoding="utf-8")
    words = ("bench", "soak", "L0001-01", "--from", table, "--ambient", "22 C", "--plot", plot, "--json")
    assert lotproof(*words).code == 2
    ran = lotproof(*words, "--cold-junction", "22 C")
    assert ran.json["result"]["rise"]["value_k"] == pytest.approx(31.4, abs=0.3)
    assert plot.read_bytes().startswith(b"<?xml")
    found = lotproof("calc", "soak", table, "--cold-junction", "22 C", "--plot", tmp_path / "soak.png", "--json").json
    assert found["final"]["value"] == pytest.approx(53.4, abs=0.3)
    assert (tmp_path / "soak.png").read_bytes().startswith(b"\x89PNG")


@pytest.mark.parametrize(
    "words",
    [
        (),
        ("--at", "10 min=41.5"),
        ("--at", "10=41.5 C"),
        ("--at", "10 min=nan C"),
        ("--at", "10 min=41.5 C"),
        (*AT, "--limit", "45"),
        (*AT, "--limit", "45 V"),
        (*AT, "--limit", "0 K"),
        (*AT, "--aim", "0 K"),
        (*AT, "--u", "5"),
        (*AT, "--k", "-1"),
        (*AT, "--limit-source", "page 7"),
        (*AT, "--spot", "61 C"),
        (*AT, "--spot", "regulator=61"),
        (*AT, "--from", "soak.csv"),
        (*AT, "--thermistor", "B=3950 K, 10 kohm at 25 C"),
        (*AT, "--machine", "M0009"),
        (*AT, "--plot", "soak.pdf"),
        (*AT, "--at", "1 min=30 C"),
        ("--from", "none.csv"),
        ("--at", "1 min=30 C, 22 C", "--at", "2 min=31 C"),
        ("--at", "1 min=30 C, 22 C", "--ambient", "22 C"),
    ],
)
def test_wrong_requests_are_one_sentence_and_leave_nothing(
    lotproof: Lotproof, stocked: Path, words: tuple[str, ...]
) -> None:
    ran = lotproof("bench", "soak", "L0001-01", *words)
    assert (ran.code, ran.out) == (2, "")
    assert ran.err.startswith("lotproof: ")
    assert "Traceback" not in ran.err
    assert lotproof("list", "runs", "--json").json["runs"] == []


def test_a_soak_that_runs_away_is_kept_and_undecided(lotproof: Lotproof, stocked: Path) -> None:
    pairs = [word for i in range(12) for word in ("--at", f"{i} min={22 + 0.3 * i * i:.1f} C")]
    ran = lotproof("bench", "soak", "L0001-01", *pairs, "--ambient", "22 C", "--limit", "100 K", "--fail-exit")
    assert ran.code == 0
    assert "soak UNDECIDED" in ran.out
    assert "faster and faster" in ran.out
    assert "rise  " not in ran.out


def test_a_logger_that_began_before_the_heat(lotproof: Lotproof, stocked: Path, tmp_path: Path) -> None:
    table = tmp_path / "soak.csv"
    rows = [
        f"{s},{22.0 - 30.0 * math.expm1(-max(s - 600, 0) / 360.0) + 0.1 * (-1) ** (s // 60):.1f},22"
        for s in range(0, 3600, 60)
    ]
    table.write_text("\n".join(["time_s,temp_c,ambient_c", *rows]), encoding="utf-8")
    words = ("bench", "soak", "L0001-01", "--from", table, "--limit", "45 K", "--json")
    hinted = lotproof(*words).json
    assert any("--heat-on" in note for note in hinted["notes"])
    found = lotproof(*words, "--heat-on", "10 min").json
    assert found["verdict"] == "pass"
    assert found["result"]["rise"]["value_k"] == pytest.approx(30.0, abs=0.2)
    assert "10 readings before the heat came on are left out." in found["notes"]
    assert not any("--heat-on" in note for note in found["notes"])
    assert lotproof(*words, "--heat-on", "3 h").code == 2


def test_how_a_soak_is_done(lotproof: Lotproof) -> None:
    ran = lotproof("bench", "soak", "--how")
    assert ran.code == 0
    assert "step 1" in ran.out
    assert "Mains" in ran.out
    assert "Local rules" in ran.out


def test_misra1a_through_the_command(lotproof: Lotproof, tmp_path: Path) -> None:
    from test_bench_soak import MISRA1A_X, MISRA1A_Y

    table = tmp_path / "misra1a.csv"
    rows = [f"{x},{y}" for x, y in zip(MISRA1A_X, MISRA1A_Y, strict=True)]
    table.write_text("\n".join(["time_s,temp_c", *rows]), encoding="utf-8")
    found = lotproof("calc", "soak", table, "--from-rest", "--json").json
    # NIST StRD Misra1a, certified values and standard deviations
    assert found["rise"]["value"] == pytest.approx(2.3894212918e02, rel=1e-8)
    assert found["rise"]["se"] == pytest.approx(2.7070075241e00, rel=1e-7)
    tau = found["time_constant"]
    assert 1 / tau["value"] == pytest.approx(5.5015643181e-04, rel=1e-8)
    assert tau["se"] / tau["value"] ** 2 == pytest.approx(7.2668688436e-06, rel=1e-7)


def _written(path: Path, slow_k: float) -> list[str]:
    """Write a rise of 31.4 K in 6 minutes with a slower one of 5 hours on top; return it as typed for `bench soak`."""
    found = [
        (m, round(22 - 31.4 * math.expm1(-m / 6) - slow_k * math.expm1(-m / 300) + 0.03 * (-1) ** m, 2))
        for m in range(61)
    ]
    path.write_text("time_min,temp_c\n" + "".join(f"{m},{temp}\n" for m, temp in found), encoding="utf-8")
    return [word for m, temp in found for word in ("--at", f"{m} min={temp} C")]


def test_calc_soak_says_of_something_slower_what_bench_soak_says(
    lotproof: Lotproof, stocked: Path, tmp_path: Path
) -> None:
    at = _written(tmp_path / "slow.csv", 30.0)
    calc, bench = lotproof("calc", "soak", tmp_path / "slow.csv"), lotproof("bench", "soak", "L0001-01", *at)
    said = "he end of the run climbs away from a first-order rise: something slower is still warming up"
    assert (said in calc.out, said in bench.out) == (True, True)
    found = lotproof("calc", "soak", tmp_path / "slow.csv", "--json").json
    assert found["slower"]["upper_k"] > found["slower"]["per_run_k"] > 0.5
    assert any(said in caution for caution in found["cautions"])


def test_calc_soak_bounds_what_is_slower_as_bench_soak_does(lotproof: Lotproof, stocked: Path, tmp_path: Path) -> None:
    at = _written(tmp_path / "quick.csv", 0.0)
    found = lotproof("calc", "soak", tmp_path / "quick.csv", "--json").json
    rise = lotproof("bench", "soak", "L0001-01", *at, "--json").json["result"]["rise"]
    assert found["cautions"] == []
    assert found["slower"]["upper_k"] == pytest.approx(rise["creep_upper_k"], rel=1e-9)
    assert 0 <= found["slower"]["upper_k"] < 0.1
    assert (
        f"anything slower adds less than {rise['creep_upper_k']:.2g} K"
        in lotproof("calc", "soak", tmp_path / "quick.csv").out
    )


def test_calc_soak_of_few_readings_says_nothing_of_what_is_slower(lotproof: Lotproof, tmp_path: Path) -> None:
    (tmp_path / "few.csv").write_text("time_min,temp_c\n0,22\n3,34\n8,45\n20,52\n", encoding="utf-8")
    found = lotproof("calc", "soak", tmp_path / "few.csv", "--json").json
    assert found["slower"] is None
    assert "slower" not in lotproof("calc", "soak", tmp_path / "few.csv").out


@pytest.mark.parametrize(
    ("over", "verdict"),
    [((7,), "pass"), ((len(MINUTES) - 1,), "undecided"), ((5, 7), "undecided")],
    ids=["a probe that came off", "the last one", "many"],
)
def test_overloads_in_a_live_table(
    lotproof: Lotproof, stocked: Path, tmp_path: Path, over: tuple[int, ...], verdict: str
) -> None:
    table = tmp_path / "live.csv"
    rows = [
        f"{60 * minute},{'' if i in over else temp},2031-04-02T10:{minute:02d}:00Z,{'Overload' if i in over else ''}"
        for i, (minute, temp) in enumerate(READINGS)
    ]
    table.write_text("\n".join(["time_s,temp_c,instant,said", *rows]) + "\n", encoding="utf-8")
    ran = lotproof(
        "bench", "soak", "L0001-01", "--from", table, "--ambient", "22 C", "--limit", "45 K", "--open", "--json"
    )
    assert ran.json["verdict"] == verdict
    assert any("overloads" in reason for reason in ran.json["reasons"]) == (verdict == "undecided")


def test_a_table_with_other_names(lotproof: Lotproof, stocked: Path, tmp_path: Path) -> None:
    table = tmp_path / "logger.csv"
    table.write_text("\n".join(["when,T1", *(f"{m},{1.8 * t + 32:.3f}" for m, t in READINGS)]) + "\n", encoding="utf-8")
    columns = ("--column", "time=when (min)", "--column", "temp=T1 (F)")
    ran = lotproof("bench", "soak", "L0001-01", "--from", table, *columns, "--ambient", "22 C", "--json")
    assert ran.json["result"]["rise"]["value_k"] == pytest.approx(31.4, abs=0.3)
    calc = lotproof("calc", "soak", table, *columns, "--json")
    assert calc.json["final"]["value"] == pytest.approx(22 + 31.4, abs=0.3)
    refused = lotproof("bench", "soak", "L0001-01", "--at", "0 s=22 C", "--column", "temp=T1")
    assert (refused.code, refused.out) == (2, "")
    assert "--column goes with --from" in refused.err
