"""`lotproof bench ...` and `lotproof calc ...` as a user runs them."""

import subprocess
import sys
from pathlib import Path

import pytest
from conftest import Lotproof

BOXBOD = "time_s,temp_c\n1,109\n2,149\n3,149\n5,191\n7,213\n10,224\n"


@pytest.fixture
def stocked(lotproof: Lotproof, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Give a workspace with one lot of three pieces."""
    folder = tmp_path / "workspace"
    monkeypatch.setenv("LOTPROOF_WORKSPACE", str(folder))
    monkeypatch.setenv("LOTPROOF_OPERATOR", "jonas")
    ran = lotproof(
        "receive", "--seller", "Quayside Surplus", "--source", "marketplace", "--part", "CV6522AP", "--quantity", 3
    )
    assert ran.code == 0
    return folder


def test_bench_current_says_verdict_rule_and_suspicion(lotproof: Lotproof, stocked: Path) -> None:
    words = (
        "bench",
        "current",
        "L0001-01",
        "--current",
        "96 mA",
        "--clock",
        "2MHz",
        "--supply",
        "5V",
        "--ambient",
        "23C",
    )
    ran = lotproof(*words)
    assert ran.code == 0
    assert "L0001-01, claimed CV6522AP: current FAIL" in ran.out
    assert "guard band w = U = k u" in ran.out
    assert "common practice, no source" in ran.out  # where the default uncertainty comes from
    assert "before" in ran.out
    assert "db)" in ran.out
    # What to mind comes before the result.
    assert ran.out.startswith("mind")
    assert ran.out.index("Local rules and licensed practice have the last word.") < ran.out.index("current FAIL")


def test_bench_json_is_one_document_and_fail_exit_is_1(lotproof: Lotproof, stocked: Path) -> None:
    ran = lotproof("bench", "current", "L0001-01", "--current", "96 mA", "--json", "--fail-exit")
    assert ran.code == 1
    assert "verdict of B0001 is fail" in ran.err
    assert ran.json["schema"] == "lotproof.bench.current/1"
    assert (ran.json["run"], ran.json["verdict"]) == ("B0001", "fail")
    assert ran.json["result"]["conformity"]["probability"] < 1e-6
    assert ran.json["suspicion"]["after"] > ran.json["suspicion"]["before"]
    passed = lotproof(
        "bench", "current", "L0001-02", "--at", "1 MHz=2.0 mA", "--at", "2 MHz=4.0 mA", "--json", "--fail-exit"
    )
    assert passed.code == 0
    assert passed.json["result"]["fitted"]["technology"]["cmos"] > 0.9


def test_bench_clock_and_in_circuit(lotproof: Lotproof, stocked: Path) -> None:
    ran = lotproof(
        "bench", "clock", "L0001-01", "--at", "2 MHz=pass", "--at", "2.4 MHz=pass", "--at", "3 MHz=fail", "--json"
    )
    assert ran.code == 0
    assert ran.json["verdict"] == "pass"
    assert 2.4e6 < ran.json["result"]["ceiling"]["ceiling_hz"]["value"] < 3e6
    text = lotproof("bench", "clock", "L0001-01", "--at", "1 MHz=pass", "--at", "1.2 MHz=fail").out
    assert "clock FAIL" in text
    assert "try next" in text
    undecided = lotproof("bench", "in-circuit", "L0001-02", "--does-not-run", "--fail-exit")
    assert undecided.code == 0
    assert "in-circuit UNDECIDED" in undecided.out
    assert "Mains" in undecided.out
    assert (
        lotproof("bench", "in-circuit", "L0001-02", "--does-not-run", "--known-good", "runs", "--fail-exit").code == 1
    )


@pytest.mark.parametrize(
    "words",
    [
        ("current", "L0001-01", "--current", "96"),
        ("current", "L0001-01", "--current", "96 mV"),
        ("current", "L0001-01", "--current", "NaN"),
        ("current", "L0001-01", "--from", "none.csv"),
        ("current", "L0099-01", "--current", "5 mA"),
        ("current", "L0001-01"),
        ("clock", "L0001-01", "--at", "2 MHz=perhaps"),
        ("clock", "L0001-01", "--at", "0 Hz=pass"),
        ("in-circuit", "L0001-01"),
        ("in-circuit", "L0001-01", "--runs", "--for", "5"),
    ],
)
def test_wrong_requests_are_one_sentence_and_exit_2(lotproof: Lotproof, stocked: Path, words: tuple[str, ...]) -> None:
    ran = lotproof("bench", *words)
    assert (ran.code, ran.out) == (2, "")
    assert ran.err.startswith("lotproof: ")
    assert "Traceback" not in ran.err
    assert lotproof("list", "runs", "--json").json["runs"] == []


@pytest.mark.parametrize("test", ["current", "clock", "in-circuit"])
def test_how_needs_no_piece_and_no_workspace(lotproof: Lotproof, test: str) -> None:
    ran = lotproof("bench", test, "--how")
    assert ran.code == 0
    assert "step 1" in ran.out
    assert "Static" in ran.out


def test_calc_soak_on_a_certified_set(lotproof: Lotproof, tmp_path: Path) -> None:
    table = tmp_path / "soak.csv"
    table.write_text(BOXBOD, encoding="utf-8")
    found = lotproof("calc", "soak", table, "--from-rest", "--json").json
    # NIST StRD BoxBOD, certified: b1 = 2.1380940889E+02, b2 = 5.4723748542E-01
    assert found["schema"] == "lotproof.calc.soak/1"
    assert found["rise"]["value"] == pytest.approx(2.1380940889e02, rel=1e-8)
    assert found["rise"]["se"] == pytest.approx(1.2354515176e01, rel=1e-7)
    assert 1 / found["time_constant"]["value"] == pytest.approx(5.4723748542e-01, rel=1e-8)
    assert found["final"]["lower"] < found["final"]["value"] < found["final"]["upper"]
    assert "time constant" in lotproof("calc", "soak", table).out


def test_calc_current_and_clock(lotproof: Lotproof, tmp_path: Path) -> None:
    table = tmp_path / "table.csv"
    table.write_text("clock_hz,current_a,u_a\n1e6,0.061,0.0002\n2e6,0.062,0.0002\n4e6,0.064,0.0002\n", encoding="utf-8")
    found = lotproof("calc", "current", table, "--json").json
    assert found["static_a"]["value"] == pytest.approx(0.060, rel=1e-9)
    assert found["slope_a_per_hz"]["value"] == pytest.approx(1e-9, rel=1e-9)
    assert found["slope_a_per_hz"]["se"] > 0
    assert max(found["technology"], key=found["technology"].get) == "nmos"
    table.write_text("clock_hz,passed\n1e6,1\n2e6,1\n3e6,0\n", encoding="utf-8")
    ceiling = lotproof("calc", "clock", table, "--json").json["ceiling_hz"]
    assert ceiling["lower"] < ceiling["value"] < ceiling["upper"]
    table.write_text("clock_hz,passed\n1e6,1\n", encoding="utf-8")
    assert "at least about" in lotproof("calc", "clock", table).out


def test_calc_on_numbers(lotproof: Lotproof) -> None:
    conforms = lotproof("calc", "conformity", "--value", "-5.47", "--u", "0.05", "--upper", "-5.40", "--json").json
    assert conforms["probability"] == pytest.approx(0.91924, abs=1e-5)  # JCGM 106:2012 7.3, from memory
    assert conforms["verdict"] == "undecided"
    plan = lotproof("calc", "plan", "--lot", 10, "--bad-fraction", "10 %", "--confidence", "0.9", "--json").json
    assert plan["n"] == 9
    interval = lotproof("calc", "interval", "--failed", 7, "--tested", 50, "--json").json
    assert interval["upper"] == pytest.approx(0.26739600249700846, rel=1e-9)  # SciPy's documentation
    life = lotproof("calc", "life", "--from", "125 C", "--to", "77 F", "--ea", "0.5", "--json").json
    assert life["factor"] == pytest.approx(133, rel=0.005)  # NIST/SEMATECH e-Handbook 8.1.5.1
    assert lotproof("calc", "life", "--from", "125", "--to", "25", "--ea", "0.5 eV", "--json").json[
        "factor"
    ] == pytest.approx(life["factor"], rel=1e-9)
    for words in (("conformity", "--value", 1, "--u", 1, "--upper", 2), ("life", "--from", "85C", "--to", "55C")):
        assert lotproof("calc", *words).code == 0


@pytest.mark.parametrize(
    "words",
    [
        ("conformity", "--value", "nan", "--u", "1", "--upper", "2"),
        ("conformity", "--value", "1", "--u", "0", "--upper", "2"),
        ("conformity", "--value", "1", "--u", "1"),
        ("plan", "--lot", "0", "--bad-fraction", "0.1", "--confidence", "0.9"),
        ("plan", "--lot", "50", "--bad-fraction", "0.1", "--confidence", "95"),
        ("interval", "--failed", "5", "--tested", "4"),
        ("life", "--from", "5 V", "--to", "25 C"),
        ("life", "--from", "-300 C", "--to", "25 C"),
        ("soak", "none.csv"),
        ("current", "."),
    ],
)
def test_calc_refuses_with_exit_2(lotproof: Lotproof, words: tuple[str, ...]) -> None:
    ran = lotproof("calc", *words, "--json")
    assert (ran.code, ran.out) == (2, "")
    assert ran.err.startswith("lotproof: ")


def test_help_starts_without_the_heavy_libraries() -> None:
    heavy = "{'scipy', 'pandas', 'pint', 'sqlalchemy'}"
    probe = f"import sys; from tracker.cli import bench, calc; print({heavy} & set(sys.modules) or 'none')"
    done = subprocess.run([sys.executable, "-c", probe], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "none"
