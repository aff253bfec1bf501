"""What the forms of curves, in-circuit runs and powers say and draw before anything is recorded, and the runs after."""

import re
from pathlib import Path
from typing import Any

import pytest
from test_bench_forms import CSV, CURVES, GOOD, run_of, where
from web_bench import MACHINE, Bench

from tracker.desk.decide import declare_exemplar

JSON = {"accept": "application/json"}


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return Bench(tmp_path)


def said(bench: Bench, test: str, form: dict[str, Any]) -> dict[str, Any]:
    answer: dict[str, Any] = bench.post(f"{where(test)}/so-far", form, headers=JSON).json()
    assert not bench.runs()
    return answer


def with_exemplar(bench: Bench) -> None:
    """Record the same curves of a known-good piece."""
    declare_exemplar(bench.app.state.workspace, "L0001-02", "bought from its maker", operator="mira")
    assert bench.do("/bench/curve/L0001-02", "record", GOOD["curve"]).status_code == 303


@pytest.mark.parametrize("test", ["curve", "in-circuit", "power"])
def test_without_scripts_a_button_gives_the_same_picture(bench: Bench, test: str) -> None:
    drawings = said(bench, test, GOOD[test])["drawings"]
    text = bench.do(where(test), "say", GOOD[test]).text
    pictures = [part.split('"')[0] for part in text.split('<img src="/bench/drawn/')[1:]]
    assert len(pictures) == len(drawings) > 0
    for word, drawing in zip(pictures, drawings, strict=True):
        drawn = bench.get(f"/bench/drawn/{word}")
        assert drawn.status_code == 200
        assert b"<svg" in drawn.content
        assert drawing["told"] in text


@pytest.mark.parametrize("test", ["in-circuit", "power"])
def test_the_run_shows_the_picture_of_its_preview(bench: Bench, test: str) -> None:
    drawings = said(bench, test, GOOD[test])["drawings"]
    verdict = said(bench, test, GOOD[test])["verdict"]
    shown = run_of(bench, bench.do(where(test), "record", GOOD[test]))
    assert shown.verdict == verdict
    page = bench.text(f"/runs/{shown.run}")
    assert all(one["told"] in page for one in drawings)


def test_powers_stand_beside_those_of_the_run_before_and_the_limit(bench: Bench) -> None:
    first = said(bench, "power", {"mains_power": "17.5 W", "within": "2 %"})
    assert first["verdict"] == "undecided"
    assert [one["name"] for one in first["drawings"][0]["series"]] == ["now"]
    bench.do(where("power"), "record", {"mains_power": "17.5 W", "within": "2 %"})
    form = {"mains_power": "21 W", "within": "2 %", "limit": "20 W"}
    found = bench.post(f"{where('power')}/so-far", form, headers=JSON).json()
    assert found["verdict"] == "fail"
    drawing = found["drawings"][0]
    assert [one["name"] for one in drawing["series"]] == ["now", "before, B0001"]
    # The bar is twice 21 W x 2 % / sqrt(3), rectangular: GUM 4.3.7 and 6.3.3.
    assert drawing["series"][0]["points"][0][2] == pytest.approx(2 * 21 * 0.02 / 3**0.5)
    assert drawing["marks"][0] == {"name": "limit", "axis": "x", "at": 20.0, "to": None}
    assert "Into the supply 21.00 ± 0.24 W. The limit of 20 W is for what goes into the supply." in drawing["told"]


def test_a_run_in_a_machine_is_held_against_how_long_a_pass_needs(bench: Bench) -> None:
    short = said(bench, "in-circuit", {"runs": "yes", "duration": "10 min", "machine": MACHINE})
    assert short["verdict"] == "undecided"
    assert short["drawings"][0]["told"] == "It ran 10 min; a pass needs 30 min."
    assert short["drawings"][0]["marks"][0]["at"] == 30.0
    board = {"before.current": ["400 mA"], "after.current": ["600 mA"], "board_u": "2 mA"}
    more = said(bench, "in-circuit", {"runs": "yes", "duration": "2 h", "machine": MACHINE, **board})
    assert more["verdict"] == "undecided"
    drawing = more["drawings"][1]
    assert drawing["y_words"] == ["with the piece in it", "before the change"]
    assert [point[0] for point in drawing["series"][0]["points"]] == pytest.approx([600.0, 400.0])
    assert drawing["marks"][0]["at"] == pytest.approx(500.0)  # a quarter more than before
    assert not said(bench, "in-circuit", {"runs": "no", "machine": MACHINE})["drawings"]


def test_an_unknown_machine_is_told_before_it_is_recorded(bench: Bench) -> None:
    found = said(bench, "in-circuit", {"runs": "yes", "machine": "M0099"})
    assert "M0099" in found["problem"]
    assert not found["drawings"]


def test_curves_typed_are_the_curves_of_the_file(bench: Bench) -> None:
    with_exemplar(bench)
    path = where("curve")
    typed = run_of(bench, bench.do(path, "record", GOOD["curve"]))
    from_file = run_of(bench, bench.do(path, "record", {"common": "20"}, files={"file": ("c.csv", CSV["curve"])}))
    assert typed.samples == from_file.samples
    assert typed.verdict == from_file.verdict == "pass"
    assert bench.get(f"/runs/{typed.run}/file").status_code == 404
    assert bench.get(f"/runs/{from_file.run}/file").content == CSV["curve"]


@pytest.mark.parametrize("part", ["\t", ";"])
def test_a_table_pasted_from_a_spreadsheet_is_read(bench: Bench, part: str) -> None:
    pasted = CURVES.replace(", ", part).replace(".", ",")  # with the decimal commas of some countries
    found = run_of(bench, bench.do(where("curve"), "record", {"readings": pasted}))
    plain = run_of(bench, bench.do(where("curve"), "record", {"readings": CURVES}))
    assert found.samples == plain.samples


def test_a_wrong_row_is_named_by_its_number(bench: Bench) -> None:
    wrong = CURVES.replace("2, 0.4, 40", "2, 0.4, 40 mV")
    typed = said(bench, "curve", {"readings": wrong})["problem"]
    assert typed.startswith("The typed table, data row 9: '40 mV' has a unit, and so has its column.")
    sent = bench.do(where("curve"), "record", files={"file": ("c.csv", wrong.encode())})
    assert "data row 9: &#39;40 mV&#39; has a unit, and so has its column." in sent.text


def test_curves_are_held_against_the_exemplar_pin_by_pin(bench: Bench) -> None:
    with_exemplar(bench)
    other = CURVES.partition("2, 0.0")[0] + "".join(f"2, {0.2 * i:.1f}, {100 * i * i}\n" for i in range(6))
    found = bench.post(f"{where('curve')}/so-far", {"readings": other, "common": "20"}, headers=JSON).json()
    first, second = found["drawings"]
    assert first["told"].startswith("Pin 2 ")  # the one that differs comes first
    assert second["told"] == "Pin 1 is as the exemplar's."
    assert [one["name"] for one in first["series"]] == ["piece", "exemplar"]
    assert first["y"] == "current / mA"
    assert first["series"][0]["points"][4] == [0.8, 1.6]
    assert first["series"][1]["points"][4] == [0.8, 0.08]
    assert found["verdict"] == "fail"
    assert ["exemplar", "B0001"] in found["rows"]


def test_a_typed_table_and_a_file_do_not_go_together(bench: Bench) -> None:
    answer = bench.do(where("curve"), "record", GOOD["curve"], files={"file": ("c.csv", CSV["curve"])})
    assert answer.status_code == 422
    assert "typed readings and a file as well" in answer.text
    assert CURVES[:40] in answer.text
    assert not bench.runs()


def test_a_hostile_table_comes_back_as_text(bench: Bench) -> None:
    table = "pin, voltage [V], current [uA]\n</textarea><script>alert(1)</script>, 1, 2\n"
    answer = bench.do(where("curve"), "record", {"readings": table})
    assert answer.status_code == 422
    assert "<script>alert" not in answer.text
    assert "&lt;/textarea&gt;&lt;script&gt;" in answer.text
    assert bench.do(where("curve"), "record", {"readings": "x" * 200_001}).status_code == 422


def test_uncertainties_on_a_runs_page_have_two_digits(bench: Bench) -> None:
    """0.8 A known within 2 %, rectangular, has a standard uncertainty of 9.2376 mA."""
    shown = run_of(bench, bench.do(where("power"), "record", {"rail.voltage": ["5 V"], "rail.current": ["0.8 A"]}))
    page = bench.text(f"/runs/{shown.run}")
    assert "9.2376" not in page
    assert "9.2 mA" in page
    fitted = {"read.clock": ["1 MHz", "2 MHz", "4 MHz"], "read.current": ["9.24 mA", "13.1 mA", "20 mA"]}
    text = bench.do(where("current"), "say", {**fitted, "limit": "30 mA"}).text
    numbers = text.split("<caption>straight line</caption>")[1].split("</table>")[0]
    assert re.findall(r">([0-9.]+)<", numbers) == ["0", "5.79", "4", "20.06"]
