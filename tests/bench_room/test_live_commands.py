"""`bench read`, `bench current --read` and `--prompt` as a user runs them, the latter on a real terminal."""

import json
import math
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from conftest import Lotproof
from scpi_server import DROP, IDENTITY, scpi_server
from terminal import CTRL_C, CTRL_D, terminal

from tracker.cli.live_plot import BLOCKS, columns

RUN = "import sys; from tracker.cli.main import run; run()"


@pytest.fixture
def stocked(lotproof: Lotproof, sqlite_template: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Give a workspace with one lot of two pieces."""
    folder = tmp_path / "workspace"
    shutil.copytree(sqlite_template, folder)
    monkeypatch.setenv("LOTPROOF_WORKSPACE", str(folder))
    monkeypatch.setenv("LOTPROOF_OPERATOR", "jonas")
    words = ("--seller", "Quayside Surplus", "--source", "marketplace", "--part", "CV6522AP", "--quantity", 2)
    assert lotproof("receive", *words).code == 0
    return folder


def _runs(lotproof: Lotproof) -> list[dict[str, object]]:
    found: list[dict[str, object]] = lotproof("list", "runs", "--json").json["runs"]
    return found


# --- live -------------------------------------------------------------------------------------------------------------


def test_a_query_without_its_question_mark_is_named(lotproof: Lotproof, stocked: Path, tmp_path: Path) -> None:
    with scpi_server(["0.01"]) as server:
        words = ("bench", "read", server.resource, "--to", tmp_path / "to.csv", "--timeout", "200 ms", "--count", 1)
        assert "has a question mark: 'READ?'" in lotproof(*words, "--query", "MEAS:CURR").err
        assert "the query it knows with --query" in lotproof(*words, "--query", "MEAS:POW?").err


def test_overloads_do_not_pass_on_the_readings_that_are_left(lotproof: Lotproof, stocked: Path, tmp_path: Path) -> None:
    """A current that runs out of the meter's range now and then is no current below the limit."""
    log = tmp_path / "log.csv"
    words = ("bench", "current", "L0001-01", "--limit", "30 mA", "--json")
    with scpi_server(["0.0121", "9.9E37", "0.0122"]) as server:
        read = ("--read", server.resource, "--count", 2, "--every", "10 ms", "--log", log)
        live = lotproof(*words, "--clock", "2 MHz", *read)
    kept = lotproof(*words, "--from", log)
    for ran in (live, kept):
        assert ran.json["verdict"] == "undecided"
        assert "1 of 3 answers were overloads" in ran.json["reasons"][0]
        assert ran.json["weight_db"] == 0.0


def test_a_current_is_read_live_and_recorded(lotproof: Lotproof, stocked: Path) -> None:
    with scpi_server(["0.0961", "0.0962", "9.9E37", "0.0963"]) as server:
        words = ("bench", "current", "L0001-01", "--clock", "2 MHz", "--count", 2, "--every", "10 ms", "--json")
        ran = lotproof(*words, "--read", server.resource)
        named = lotproof(*words, "--instrument", server.resource)
    assert ran.code == 0
    assert ran.json["verdict"] == "fail"
    assert ran.json["conditions"]["instrument"] == f"{IDENTITY} at {server.resource}"
    assert ran.json["result"]["at_hz"] == 2e6
    assert ran.json["result"]["current_a"] == pytest.approx((0.0962 + 0.0963) / 2)
    assert any("Overload" in note for note in ran.json["notes"])
    assert "Static" in ran.err  # before anybody touches the jig
    assert named.json["conditions"]["instrument"] == f"{IDENTITY} at {server.resource}"
    # The table with its instants is evidence, and the spool is empty again.
    kept = [path.read_text(encoding="utf-8") for path in (stocked / "evidence").rglob("*") if path.is_file()]
    assert any(text.startswith("time_s,current_a,clock_hz,instant,said\n") and "Overload" in text for text in kept)
    assert list((stocked / "spool").iterdir()) == []
    assert lotproof("verify").code == 0


def test_a_name_that_is_no_resource_stays_a_name(lotproof: Lotproof, stocked: Path) -> None:
    ran = lotproof("bench", "current", "L0001-01", "--current", "5 mA", "--instrument", "Penhallow PM-6", "--json")
    assert ran.json["conditions"]["instrument"] == "Penhallow PM-6"


def test_a_link_lost_for_good_records_nothing_and_says_where_the_readings_are(
    lotproof: Lotproof, stocked: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tracker.instruments.reading.BACK_OFF_S", (0.01, 0.01))
    with scpi_server(["0.002", "0.002", "0.0021", DROP], refuses=lambda number: number > 1) as server:
        words = ("bench", "current", "L0001-01", "--clock", "1 MHz", "--every", "10 ms", "--read", server.resource)
        ran = lotproof(*words)
    assert (ran.code, ran.out) == (2, "")
    assert "did not come back" in ran.err
    assert _runs(lotproof) == []
    left = next((stocked / "spool").iterdir())
    assert f"What was read is in {left}" in ran.err
    later = lotproof("bench", "current", "L0001-01", "--from", left, "--json")
    assert later.json["result"]["current_a"] == pytest.approx(0.00205)


def _warming(rise_k: float, time_constant_s: float) -> Callable[[int], str]:
    """Return answers of a thermometer on a part that warms up from 22 C from the second answer on."""
    begun: list[float] = []

    def answer(number: int) -> str:
        if number < 2:
            return "22.000"
        begun.append(time.monotonic())
        since = begun[-1] - begun[0]
        ripple = 0.02 * (-1) ** number  # a thermometer that shows two hundredths more and less
        return "9.9E37" if number == 20 else f"{22 + rise_k * (1 - math.exp(-since / time_constant_s)) + ripple:.3f}"

    return answer


def test_a_soak_is_read_live_and_stops_early(
    lotproof: Lotproof, stocked: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # A part of 0.5 s instead of 5 minutes, so that a word every 0.25 s stands for one every two minutes and a half.
    monkeypatch.setattr("tracker.cli.soak_live.SAY_EVERY_S", 0.25)
    words = ("bench", "soak", "L0001-01", "--cold", "--ambient", "22 C", "--open", "--limit", "45 K", "--json")
    with scpi_server(_warming(20.0, 0.5)) as server:
        live = ("--read", server.resource, "--every", "10 ms", "--for", "20 s", "--stop-early")
        ran = lotproof(*words, *live)
    assert ran.code == 0
    assert ran.json["result"]["rise"]["value_k"] == pytest.approx(20.0, abs=0.5)
    assert ran.json["verdict"] == "pass"
    assert ran.json["result"]["length_s"] < 15  # not the 20 s that it would have taken
    assert ran.json["conditions"]["instrument"] == f"{IDENTITY} at {server.resource}"
    assert any("answers held no value" in note for note in ran.json["notes"])
    assert "0 min: " in ran.err
    assert list((stocked / "spool").iterdir()) == []


def test_a_soak_that_cannot_be_told_keeps_its_readings(lotproof: Lotproof, stocked: Path) -> None:
    with scpi_server(["22.0"]) as server:
        words = ("bench", "soak", "L0001-01", "--read", server.resource, "--every", "10 ms", "--for", "10 ms")
        ran = lotproof(*words)
        both = lotproof(*words, "--at", "10 min=41.5 C")
    assert (ran.code, both.code) == (2, 2)
    assert "at least 4 readings" in ran.err
    assert f"The readings are kept in {next((stocked / 'spool').iterdir())}" in ran.err
    assert "Give the readings in one way." in both.err
    assert "--read" in lotproof("bench", "soak", "L0001-01", "--for", "10 min").err


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--read", "TCPIP::127.0.0.1::1::SOCKET"), "Connection refused"),
        (("--read", "the meter"), "no VISA resource"),
        (("--read", "TCPIP::127.0.0.1::1::SOCKET", "--current", "5 mA"), "do not go together"),
        (("--read", "TCPIP::127.0.0.1::1::SOCKET", "--instrument", "GPIB::1::INSTR"), "both name what to read"),
        (("--current", "5 mA", "--count", "3"), "go with --read"),
        (("--current", "5 mA", "--column", "clock=F"), "--column goes with --from"),
        (("--prompt",), "somebody at a terminal"),
        (("--prompt", "--at", "1 MHz=5 mA"), "do not go together"),
    ],
)
def test_wrong_requests_are_one_sentence(
    lotproof: Lotproof, stocked: Path, monkeypatch: pytest.MonkeyPatch, words: tuple[str, ...], told: str
) -> None:
    monkeypatch.setattr("sys.stdin", open(os.devnull, encoding="utf-8"))  # noqa: SIM115, PTH123
    ran = lotproof("bench", "current", "L0001-01", *words)
    assert (ran.code, ran.out) == (2, "")
    assert told in ran.err
    assert "Traceback" not in ran.err
    assert _runs(lotproof) == []
    assert not (stocked / "spool").exists()


def test_a_wrong_label_is_told_before_anything_is_read(lotproof: Lotproof, stocked: Path) -> None:
    with scpi_server(["0.002"]) as server:
        ran = lotproof("bench", "current", "L0099-01", "--read", server.resource)
        assert (ran.code, server.heard) == (2, [])


def test_bench_read_writes_a_table_and_says_what_it_comes_to(lotproof: Lotproof, tmp_path: Path) -> None:
    table = tmp_path / "board.csv"
    with scpi_server(["25.0", "25.0", "26.0", "27.0"]) as server:
        words = ("bench", "read", server.resource, "--what", "temperature", "--every", "10 ms", "--count", 3)
        found = lotproof(*words, "--to", table, "--json").json
        again = lotproof(*words, "--to", table)
    assert found["schema"] == "lotproof.bench.read/1"
    assert (found["n"], found["mean"], found["sd"], found["unit"]) == (3, 26.0, 1.0, "C")
    assert table.read_text(encoding="utf-8").startswith("time_s,temp_c,instant,said\n0.000,25.0,")
    assert again.code == 2
    assert "is there already" in again.err


def test_a_kill_loses_nothing_that_was_told(tmp_path: Path) -> None:
    table = tmp_path / "board.csv"
    with scpi_server(lambda number: f"0.0{number:04d}") as server:
        words = [sys.executable, "-c", RUN, "bench", "read", server.resource, "--every", "5 ms", "--to", str(table)]
        with subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as process:
            until = time.monotonic() + 30
            while server.measured < 40 and time.monotonic() < until:
                time.sleep(0.01)
            process.kill()
        sent = server.measured
    lines = table.read_text(encoding="utf-8").splitlines()
    values = [line.split(",")[1] for line in lines[1:]]
    # All in order and without a hole; of what the instrument sent, at most the last one was still under way. The first
    # answer only showed that the query is known.
    assert values == [repr(float(f"0.0{number:04d}")) for number in range(2, 2 + len(values))]
    assert len(values) >= sent - 2
    assert table.read_bytes().endswith(b",\n")


def test_help_does_not_load_the_library_for_instruments() -> None:
    probe = "import sys; from tracker.cli import main; sys.exit('pyvisa' in sys.modules or 'serial' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", probe], check=False).returncode == 0


# --- on a terminal ----------------------------------------------------------------------------------------------------


def test_ctrl_c_stops_reading_and_keeps_what_was_read(tmp_path: Path) -> None:
    table = tmp_path / "board.csv"
    answers = [f"0.{number % 7 + 1}" for number in range(1000)]
    with (
        scpi_server(answers) as server,
        terminal("bench", "read", server.resource, "--to", table, "--every", "20 ms") as shown,
    ):
        shown.expect("Readings go to")
        shown.expect("reading 3")
        shown.expect("\x1b[6A\x1b[J")  # the plot is drawn again in its place
        shown.press(CTRL_C)
        shown.expect("Stopped by hand.")
        assert shown.end() == 0
    assert any(block in shown.shown for block in BLOCKS[1:])
    assert "Traceback" not in shown.shown
    lines = table.read_text(encoding="utf-8").splitlines()
    assert f"{len(lines) - 1} in" in shown.shown
    assert all(line.endswith(",") for line in lines[1:])


def test_ctrl_c_does_not_wait_for_an_instrument_that_is_silent(tmp_path: Path) -> None:
    with (
        scpi_server(["0.1", "0.1", "<silent>"]) as server,
        terminal("bench", "read", server.resource, "--to", tmp_path / "t.csv", "--timeout", "60 s") as shown,
    ):
        shown.expect("reading 1")
        while server.measured < 3:
            time.sleep(0.01)
        begun = time.monotonic()
        shown.press(CTRL_C)
        shown.expect("Stopped by hand.")
        assert shown.end() == 0
        assert time.monotonic() - begun < 20  # far below the 60 s that the answer may take


def test_currents_entered_at_prompts(lotproof: Lotproof, stocked: Path) -> None:
    with terminal("bench", "current", "L0001-01", "--prompt", "--json") as asked:
        for line, then in (
            ("undo", "Nothing was entered yet."),
            ("12", "'12' has no unit"),
            ("12 mV", "is a voltage"),
            ("1 MHz", "Write both: '1 MHz = 12.1 mA'."),
            ("1 MHz = 2.0 mA", "so far"),
            ("done please", "cannot be read as a current"),
            ("4.1 GHz = 9 mA", "so far"),
            ("undo", "Taken back: 4.1 GHz = 9 mA."),
            ("2 MHz = 4.1 mA", "slope"),
            ("4.2 mA", "technology"),
        ):
            asked.expect("Reading ")
            asked.expect(": ")
            asked.type(line)
            asked.expect(then)
        asked.expect("Reading 4 at 2 MHz: ")
        asked.type("done")
        assert asked.end() == 0
    document = json.loads(asked.shown[asked.shown.index("{") :])
    assert document["verdict"] == "pass"
    assert document["result"]["fitted"]["n"] == 3
    assert [run["verdict"] for run in _runs(lotproof)] == ["pass"]


def test_currents_read_live_at_each_clock_that_is_set(lotproof: Lotproof, stocked: Path) -> None:
    # Each time one answer shows that the query is known and three are readings: at 1 MHz, at a wrong clock, at 2 MHz.
    def answers(number: int) -> str:
        return f"{(0.002, 0.009, 0.004)[min((number - 1) // 4, 2)] + 1e-6 * (number % 3):.6f}"

    with (
        scpi_server(answers) as server,
        terminal(
            *("bench", "current", "L0001-01", "--prompt", "--read", server.resource, "--count", 3, "--every", "5 ms"),
            "--json",
        ) as asked,
    ):
        for line, then in (
            ("", "The clock was not said."),
            ("1 mA", "is a current, where a clock rate is needed"),
            ("1 MHz", "so far"),
            ("", "so far"),
            ("undo", "Taken back: 3 readings at 1 MHz."),
            ("2 MHz", "slope"),
        ):
            asked.expect("Clock ")
            asked.expect(": ")
            asked.type(line)
            asked.expect(then)
        asked.expect("Clock 3 (Enter: 2 MHz): ")
        asked.type("done")
        assert asked.end() == 0
    document = json.loads(asked.shown[asked.shown.index("{") :])
    assert document["verdict"] == "pass"
    assert document["result"]["fitted"]["n"] == 6
    assert document["result"]["fitted"]["slope_a_per_hz"]["value"] == pytest.approx(0.002 / 1e6, rel=0.01)
    assert document["conditions"]["instrument"].startswith(IDENTITY)
    assert list((stocked / "spool").iterdir()) == []
    kept = [path.read_text(encoding="utf-8") for path in (stocked / "evidence").rglob("*") if path.is_file()]
    table = next(text for text in kept if text.startswith("time_s,current_a,clock_hz"))
    assert [line.split(",")[2] for line in table.splitlines()[1:]] == ["1000000.0"] * 3 + ["2000000.0"] * 3


def test_clock_steps_entered_at_prompts_follow_the_proposal(lotproof: Lotproof, stocked: Path) -> None:
    with terminal("bench", "clock", "L0001-01", "--prompt") as asked:
        asked.expect("Step 1, 1.6 MHz proposed: ")  # below the grade of 2 MHz
        asked.type("perhaps")
        asked.expect("neither pass nor fail")
        asked.type("p")
        asked.expect("so far       UNDECIDED")
        asked.expect("Step 2, 2.1 MHz proposed: ")  # the grade with its margin
        asked.type("3 MHz = fail")
        asked.expect("Step 3, ")
        asked.expect("proposed: ")
        asked.type("pass")
        asked.expect("Step 4, ")
        asked.type("done")
        assert asked.end() == 0
    assert [run["test"] for run in _runs(lotproof)] == ["clock"]


@pytest.mark.parametrize(
    ("keys", "code", "recorded"),
    [
        ((CTRL_C, "y\n"), 0, 1),
        ((CTRL_C, "n\n"), 2, 0),
        ((CTRL_C, "\n"), 2, 0),
        ((CTRL_C, CTRL_C), 2, 0),
        ((CTRL_D,), 2, 0),
    ],
)
def test_ctrl_c_at_a_prompt_keeps_nothing_unless_asked(
    lotproof: Lotproof, stocked: Path, keys: tuple[str, ...], code: int, recorded: int
) -> None:
    with terminal("bench", "current", "L0001-01", "--prompt") as asked:
        asked.expect("Reading 1: ")
        asked.type("1 MHz = 2.0 mA")
        asked.expect("Reading 2 at 1 MHz: ")
        asked.press(keys[0])
        for key in keys[1:]:
            asked.expect("so far (1)? [y/N]: ")
            asked.press(key)
        assert asked.end() == code
    assert ("nothing was recorded" in asked.shown) == (recorded == 0)
    assert len(_runs(lotproof)) == recorded


# --- the plot ---------------------------------------------------------------------------------------------------------


def test_the_plot_fills_columns_in_proportion() -> None:
    assert columns([0.0, 1.0], 10, 1) == ["▁█"]
    assert columns([0.0, 0.5, 1.0], 10, 2) == [" ▁█", "▁██"]
    assert columns([5.0, 5.0], 10, 1) == ["▄▄"]
    assert columns([1.0, 0.0, 1.0, 0.0], 2, 1) == ["█▁"]
    assert columns([], 10, 3) == ["", "", ""]


def test_higher_values_are_never_drawn_lower() -> None:
    rows = columns([float(value) for value in range(60)], 60, 5)
    heights = [sum(BLOCKS.index(row[i]) for row in rows) for i in range(60)]
    assert heights == sorted(heights)
    assert (heights[0], heights[-1]) == (1, 40)
