"""The form of each bench test: filled in as people do, wrongly, twice; for a piece and for a machine."""

import math
import threading
from pathlib import Path
from typing import Any

import pytest
from web_bench import MACHINE, PIECE, Bench, held

from tracker.desk.showing import RunShown, show

CURVES = "pin, voltage [V], current [uA]\n" + "".join(
    f"{pin}, {0.2 * i:.1f}, {10 * i * pin}\n" for pin in (1, 2) for i in range(6)
)
GOOD: dict[str, dict[str, Any]] = {
    "current": {"read.clock": ["1 MHz", "2MHz", ""], "read.current": ["2.1 mA", "4.0 mA", ""], "supply": "5 V"},
    "clock": {"step.clock": ["2 MHz", "4.4 MHz", "5 MHz"], "step.outcome": ["pass", "pass", "fail"]},
    "soak": {
        "at.time": ["0 s", "1 min", "2 min", "4 min", "8 min", "12 min", "20 min", "30 min"],
        "at.temp": ["22.0 C", "26.1 C", "29.4 C", "34.3 C", "39.5 C", "41.2 C", "107.0 F", "41.9 C"],
        "at.ambient": [""] * 8,
        "ambient": "71.6 F",
        "cold": "yes",
        "case": "open",
        "limit": "45 K",
        "spot.what": "regulator",
        "spot.temp": "61 C",
    },
    "signature": {"read.bytes": ["1E 95", "1E 95"], "maker": "Corvane"},
    "curve": {"readings": CURVES, "common": "20"},
    "in-circuit": {
        "runs": "yes",
        "duration": "2 h",
        "machine": MACHINE,
        "check.what": ["all keys sound", ""],
        "check.outcome": ["pass", ""],
        "before.current": ["412 mA", "411 mA"],
        "after.current": ["418 mA", "417 mA"],
    },
    "power": {
        "rail.voltage": ["5.02 V", "12.1 V", ""],
        "rail.current": ["1.2 A", "0.21 A", ""],
        "mains_power": "17.5 W",
        "mains_voltage": "230 V",
        "mains_current": "0.11 A",
        "limit": "25 W",
    },
}
CSV = {
    "current": b"clock (MHz),current (mA)\n1,2.1\n1,2.2\n2,4.0\n",
    "clock": b"clock_hz,passed\n2000000,1\n4400000,yes\n5000000,fail\n",
    "soak": b"time_min,temp_f,ambient_c\n0,71.6,22\n1,79,22\n2,85,22\n4,93.7,22\n8,103.1,22\n16,107.2,22\n30,107.5,22",
    "curve": b"pin,voltage (V),current (uA)\n"
    + b"".join(b"%d,%.1f,%d\n" % (pin, 0.2 * i, 10 * i * pin) for pin in (1, 2) for i in range(6)),
}


def where(test: str) -> str:
    return f"/bench/{test}/{MACHINE if test == 'power' else PIECE}"


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return Bench(tmp_path)


def settled() -> dict[str, Any]:
    """Return a soak by the formula it is fitted with: 20 K above 22 C, five minutes; rounded as a thermometer does."""
    temps = [22.0 + 20.0 * (1.0 - math.exp(-minute / 5.0)) for minute in range(31)]
    return {
        "at.time": [f"{minute} min" for minute in range(31)],
        "at.temp": [f"{temp:.1f} C" for temp in temps],
        "at.ambient": [""] * 31,
        "ambient": "22 C",
        "cold": "yes",
    }


def run_of(bench: Bench, answer: Any) -> RunShown:
    assert answer.status_code == 303, answer.text[:3000]
    shown = show(bench.app.state.workspace, answer.headers["location"].removeprefix("/runs/"))
    assert isinstance(shown, RunShown)
    return shown


@pytest.mark.parametrize("test", list(GOOD))
def test_a_form_becomes_a_run(bench: Bench, test: str) -> None:
    shown = run_of(bench, bench.do(where(test), "record", GOOD[test]))
    assert (shown.test, shown.operator) == (test, "Ida Brandt")
    page = bench.text(f"/runs/{shown.run}")
    assert f"{shown.run} is recorded" in page
    assert shown.rule[:30] in page.replace("&lt;", "<").replace("&gt;", ">").replace("&#39;", "'")


@pytest.mark.parametrize("test", list(CSV))
def test_a_file_becomes_a_run_and_is_kept(bench: Bench, test: str) -> None:
    path = where(test)
    looked = bench.do(path, "look", files={"file": ("../evil <b>.csv", CSV[test], "text/csv")})
    assert looked.status_code == 200
    assert "evil &lt;b&gt;.csv" in looked.text
    assert not bench.runs()
    shown = run_of(bench, bench.do(path, "record", {"held": held(looked.text)}))
    assert shown.test == test
    kept = bench.get(f"/runs/{shown.run}/file")
    assert kept.content == CSV[test]
    assert kept.headers["content-disposition"] == f'attachment; filename="{shown.run}-readings.csv"'
    state = bench.app.state.bench.uploads
    assert not list(Path(state._folder.name).rglob("*.csv"))


def test_a_file_is_another_persons(bench: Bench, tmp_path: Path) -> None:
    looked = bench.do(where("current"), "look", files={"file": ("a.csv", CSV["current"])})
    word = held(looked.text)
    bench.client.cookies.clear()
    other = bench.do(where("current"), "record", {"held": word})
    assert other.status_code == 422
    assert "is gone" in other.text


def test_columns_are_chosen_on_the_page(bench: Bench) -> None:
    path, table = where("current"), b"F;I1;I2\n1;2,1;9\n2;4,0;9\n"
    looked = bench.do(path, "look", files={"file": ("a.csv", table)})
    assert "no column" in looked.text
    mapped = {"held": held(looked.text), "column.clock": "F", "unit.clock": "MHz", "column.current": "I1"}
    again = bench.do(path, "say", {**mapped, "unit.current": "mA"})
    assert again.status_code == 200
    assert again.text.count("taken for") == 2
    shown = run_of(bench, bench.do(path, "record", {**mapped, "unit.current": "mA"}))
    assert [dict(one)["current_a"] for one in shown.samples] == pytest.approx([2.1e-3, 4.0e-3])


WRONG = [
    ("current", {"read.current": ["96 mV"]}, "read.current.0"),
    ("current", {"read.current": ["96"]}, "read.current.0"),
    ("current", {"read.current": ["nan mA"]}, "read.current.0"),
    ("current", {"read.current": ["inf A"]}, "read.current.0"),
    ("current", {"read.clock": ["1 MHz", ""], "read.current": ["1 mA", "2 mA"]}, "read.clock.1"),
    ("current", {"read.clock": ["1 MHz"], "read.current": [""]}, "read.current.0"),
    ("current", {"read.current": ["1 mA"], "supply": "5 mA"}, "supply"),
    ("current", {"read.current": ["1 mA"], "k": "nan"}, "k"),
    ("current", {"read.current": ["1 mA"], "jig": "x" * 300}, "jig"),
    ("clock", {"step.clock": ["2 V"], "step.outcome": ["pass"]}, "step.clock.0"),
    ("clock", {"step.clock": ["2 MHz"], "step.outcome": [""]}, "step.outcome.0"),
    ("clock", {"step.clock": ["2 MHz"], "step.outcome": ["maybe"]}, "step.outcome.0"),
    ("clock", {"step.clock": ["2 MHz"], "step.outcome": ["pass"], "margin": "-5 %"}, "margin"),
    ("soak", {"at.time": ["1 min"], "at.temp": ["22"], "at.ambient": [""]}, "at.temp.0"),
    ("soak", {"at.time": ["1 V"], "at.temp": ["22 C"], "at.ambient": [""]}, "at.time.0"),
    ("soak", {"at.time": [""], "at.temp": ["22 C"], "at.ambient": [""]}, "at.time.0"),
    ("soak", {"spot.what": "regulator", "spot.temp": ""}, "spot.temp.0"),
    ("in-circuit", {"duration": "2 h"}, "runs"),
    ("in-circuit", {"runs": "yes", "duration": "2 kg"}, "duration"),
    ("power", {"rail.voltage": ["5 V"], "rail.current": [""]}, "rail.current.0"),
    ("power", {"mains_power": "17 V"}, "mains_power"),
    ("power", {"rail.voltage": ["5 V"], "rail.current": ["1 A"], "within": "0.02 V"}, "within"),
    ("in-circuit", {"runs": "yes", "check.what": ["all keys"], "check.outcome": [""]}, "check.outcome.0"),
    ("in-circuit", {"runs": "yes", "before.current": ["412 mW"]}, "before.current.0"),
    ("curve", {}, "readings"),
    ("curve", {"readings": "7, 0.6, 120"}, "readings"),
    ("curve", {"readings": "pin, voltage [V], current [uA]"}, "readings"),
    ("curve", {"readings": CURVES.replace("2, 0.4, 40", "2, 0.4, forty")}, "readings"),
    ("curve", {"readings": CURVES.replace("[uA]", "")}, "readings"),
    ("curve", {"readings": "pin, voltage [V], current [uA]\n7, 0.1, 1\n7, 0.2, 2"}, "readings"),
]


@pytest.mark.parametrize(("test", "form", "field"), WRONG)
def test_what_is_wrong_is_said_at_its_field_and_nothing_is_lost(
    bench: Bench, test: str, form: dict[str, Any], field: str
) -> None:
    typed = {"remark": "kept <as> typed", **form}
    answer = bench.do(where(test), "record", typed)
    assert answer.status_code == 422
    assert f'id="e-{field}"' in answer.text
    assert 'role="alert"' in answer.text
    assert "kept &lt;as&gt; typed" in answer.text
    for values in form.values():
        for value in [values] if isinstance(values, str) else values:
            there = f'value="{value}"' in answer.text or f">\n{value.strip()}<" in answer.text
            assert value in ("", "maybe", "x" * 300) or there
    assert "--" not in answer.text.split('role="alert"')[1].split("</div>")[0]
    assert not bench.runs()


@pytest.mark.parametrize("test", ["current", "clock", "soak", "signature", "curve", "in-circuit", "power"])
def test_without_readings_nothing_is_recorded(bench: Bench, test: str) -> None:
    answer = bench.do(where(test), "record", {})
    assert answer.status_code == 422
    assert not bench.runs()


def test_rows_and_a_file_do_not_go_together(bench: Bench) -> None:
    answer = bench.do(where("current"), "record", GOOD["current"], files={"file": ("a.csv", CSV["current"])})
    assert answer.status_code == 422
    assert "in the rows and a file" in answer.text


@pytest.mark.parametrize("content", [b"", b"\x00\x01", b"a,b\n", b"\xff\xfe\x00", b"clock_hz,current_a\n1,nan\n"])
def test_files_that_cannot_be_used_are_refused(bench: Bench, content: bytes) -> None:
    answer = bench.do(where("current"), "record", files={"file": ("a.csv", content)})
    assert answer.status_code == 422
    assert not bench.runs()


@pytest.mark.parametrize("test", list(GOOD))
def test_looking_records_nothing(bench: Bench, test: str) -> None:
    answer = bench.do(where(test), "say", GOOD[test])
    assert answer.status_code == 200, answer.text[:2000]
    assert "So far" in answer.text or "maker code" in answer.text
    assert not bench.runs()


def test_a_clock_dialogue_that_has_its_answer_offers_to_record_it_there(bench: Bench) -> None:
    one = bench.do(where("clock"), "say", {"step.clock": ["2 MHz"], "step.outcome": ["pass"]})
    assert "Record these steps" not in one.text
    assert "Record these steps" in bench.do(where("clock"), "say", GOOD["clock"]).text


def test_more_rows_keep_what_was_typed(bench: Bench) -> None:
    answer = bench.do(where("current"), "more", {"read.clock": ["x"], "read.current": ["not checked yet"]})
    assert answer.status_code == 200
    assert answer.text.count('name="read.current"') == 4 + 5
    assert 'value="not checked yet"' in answer.text


def test_a_form_left_is_there_again(bench: Bench) -> None:
    bench.do(where("soak"), "say", GOOD["soak"])
    page = bench.text(where("soak"))
    assert 'value="107.0 F"' in page
    assert 'value="107.0 F"' not in bench.text(f"{where('soak')}?anew=1")


def test_a_double_click_records_once(bench: Bench) -> None:
    once = bench.number(where("current"))
    first = bench.do(where("current"), "record", GOOD["current"], once=once)
    second = bench.do(where("current"), "record", GOOD["current"], once=once)
    assert first.headers["location"] == second.headers["location"] == "/runs/B0001"
    assert len(bench.runs()) == 1
    assert "came twice" in bench.text("/runs/B0001")
    changed = {**GOOD["current"], "read.current": ["2.2 mA", "4.1 mA", ""]}  # went back and mended a reading
    assert bench.do(where("current"), "record", changed, once=once).headers["location"] == "/runs/B0002"
    assert bench.do(where("current"), "record", GOOD["current"]).headers["location"] == "/runs/B0003"


def test_two_clicks_at_once_record_once(bench: Bench) -> None:
    once, token = bench.number(where("current")), bench.token
    found: list[str] = []

    def click() -> None:
        form = {"token": token, "once": once, "do": "record", **GOOD["current"]}
        answer = bench.client.post(where("current"), data=form)
        found.append(answer.headers.get("location", answer.text[:300]))

    threads = [threading.Thread(target=click) for _ in range(4)]
    for one in threads:
        one.start()
    for one in threads:
        one.join()
    assert found == ["/runs/B0001"] * 4
    assert len(bench.runs()) == 1


def test_after_a_mistake_the_same_form_records(bench: Bench) -> None:
    once = bench.number(where("current"))
    assert bench.do(where("current"), "record", {"read.current": ["96"]}, once=once).status_code == 422
    assert bench.do(where("current"), "record", {"read.current": ["96 mA"]}, once=once).status_code == 303


def test_a_form_without_its_number_records_nothing(bench: Bench) -> None:
    assert bench.post(where("current"), {"do": "record", **GOOD["current"]}).status_code == 422
    assert bench.client.post(where("current"), data={"do": "record", **GOOD["current"]}).status_code == 403
    assert not bench.runs()


def test_conditions_come_back_for_the_next_run_of_the_same_test(bench: Bench) -> None:
    held_ = {"supply": "4.75 V", "ambient": "78.8 F", "jig": "port jig", "instrument": "bench meter", "remark": "third"}
    shown = run_of(bench, bench.do(where("current"), "record", {**GOOD["current"], **held_}))
    assert (shown.supply_v, round(shown.ambient_c or 0, 6)) == (4.75, 26.0)
    page = bench.text("/bench/current/L0001-02")
    for value in held_.values():
        assert f'value="{value}"' in page
    assert 'value="port jig"' not in bench.text(where("clock"))


HOSTILE = "<script>alert(1)</script>\"'{{7*7}}"


def test_hostile_words_come_out_as_words(bench: Bench) -> None:
    form = {**GOOD["current"], "remark": HOSTILE, "jig": HOSTILE, "limit": "9 mA", "limit_source": HOSTILE}
    preview = bench.do(where("current"), "say", form)
    recorded = bench.do(where("current"), "record", form)
    pages = [preview.text, bench.text(recorded.headers["location"]), bench.text(f"/bench/{PIECE}")]
    assert all("<script>alert" not in text for text in pages)
    assert "{{7*7}}" in pages[1]
    controls = bench.do(where("current"), "record", {**GOOD["current"], "remark": "a\x1b[2Jb"})
    assert controls.status_code == 422


def test_tests_of_other_things_and_of_nothing(bench: Bench) -> None:
    for path, status in (
        (f"/bench/power/{PIECE}", 422),
        (f"/bench/signature/{MACHINE}", 422),
        ("/bench/weight/L0001-01", 404),
        ("/bench/current/L0009-01", 404),
        ("/bench/L0009-01", 404),
        ("/runs/B0009", 404),
        ("/runs/..%2f..", 404),
    ):
        assert bench.get(path).status_code == status, path


@pytest.mark.parametrize("test", ["current", "soak", "in-circuit"])
def test_machines_are_tested_too(bench: Bench, test: str) -> None:
    form = {**GOOD[test], "machine": ""}
    shown = run_of(bench, bench.do(f"/bench/{test}/{MACHINE}", "record", form))
    assert shown.subject == MACHINE


def test_a_sibling_and_a_known_good_piece_stand_beside_the_form(bench: Bench) -> None:
    from tracker.desk.decide import declare_exemplar

    declare_exemplar(bench.app.state.workspace, "L0001-02", "bought from its maker", operator="mira")
    for label in ("L0001-02", "L0001-03"):
        bench.do(f"/bench/current/{label}", "record", GOOD["current"])
    page = bench.text(where("current"))
    assert "known good" in page
    assert "sibling" in page
    assert "4.00 ± " in page


def test_scripts_ask_what_the_readings_say(bench: Bench) -> None:
    path = f"{where('soak')}/so-far"
    headers = {"accept": "application/json"}
    said = bench.post(path, settled(), headers=headers).json()
    assert said["may_stop"] is True
    assert said["sentence"] == "The final rise is known well enough, you may stop."
    assert {one["name"] for one in said["drawings"][0]["series"]} == {"temperature", "ambient", "first-order rise"}
    few = bench.post(path, {"at.time": ["0 s"], "at.temp": ["22 C"], "at.ambient": [""]}, headers=headers).json()
    assert few["sentence"].startswith("Go on")
    wrong = bench.post(path, {"at.time": ["0 s"], "at.temp": ["22"], "at.ambient": [""]}, headers=headers).json()
    assert "22" in wrong["problem"]
    assert not bench.runs()


def test_a_preview_can_be_drawn_by_the_server(bench: Bench) -> None:
    text = bench.do(where("soak"), "say", GOOD["soak"]).text
    address = text.split('<img src="/bench/drawn/')[1].split('"')[0]
    drawn = bench.get(f"/bench/drawn/{address}")
    assert drawn.headers["content-type"] == "image/svg+xml"
    assert b"<svg" in drawn.content
    assert "sandbox" in drawn.headers["content-security-policy"]
    assert bench.get("/bench/drawn/guess.svg").status_code == 404
