"""Tables of a heat soak: the same readings however their units are written, and what is wrong with others."""

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tracker.bench import thermometry
from tracker.bench.soak_table import Sensors, SoakTable, soak_table
from tracker.errors import BadRequest

TIMES = [0.0, 120.0, 300.0, 600.0]
TEMPS = [22.0, 31.5, 40.0, 48.1]
ROOM = [22.0, 22.1, 22.3, 22.2]


def _table(folder: Path, content: str, sensors: Sensors | None = None) -> SoakTable:
    path = folder / "soak.csv"
    path.write_text(content, encoding="utf-8")
    return soak_table(path, sensors)


@pytest.mark.parametrize(
    ("head", "mapped"),
    [
        ("Elapsed,T1,T2", ("time=Elapsed (min)", "temp=T1 (F)", "ambient=t2 (C)")),
        ("t min;when_min;probe_f;Room air", ("time=when_min", "temp=PROBE_F", "ambient=Room air (C)")),
        ("time_s,temp_c,a,b,c", ("time=a (min)", "temp=b (F)", "ambient=c (C)")),
    ],
)
def test_columns_called_otherwise(tmp_path: Path, head: str, mapped: tuple[str, ...]) -> None:
    """Only the columns named count, also where others have the usual names."""
    separator = ";" if ";" in head else ","
    names = head.split(separator)
    columns = [MINUTES, FAHRENHEIT, ROOM]
    others = [[9.0] * 4] * (len(names) - 3)
    path = tmp_path / "soak.csv"
    path.write_text(_csv(head, *others, *columns, separator=separator), encoding="utf-8")
    found = soak_table(path, mapped=mapped)
    assert found.time_s == pytest.approx(TIMES)
    assert found.temp_c == pytest.approx(TEMPS)
    assert found.ambient_c == pytest.approx(ROOM)


@pytest.mark.parametrize(
    ("mapped", "match"),
    [
        (("temp",), "does not say which column"),
        (("clock=F",), "no 'clock' in a heat soak"),
        (("temp=T9",), "no column 'T9'; the columns are: time_s, t1"),
        (("temp=T1 (V)",), "'V' is no unit of temperature"),
        (("temp=T1 (C)", "temp=T1 (C)"), "named twice"),
        ((), "no column for the temperature"),
    ],
)
def test_columns_that_cannot_be(tmp_path: Path, mapped: tuple[str, ...], match: str) -> None:
    path = tmp_path / "soak.csv"
    path.write_text("time_s,T1\n0,20\n10,21\n", encoding="utf-8")
    with pytest.raises(BadRequest, match=match):
        soak_table(path, mapped=mapped)


def test_rows_with_nothing_in_them_are_left_out_and_named(tmp_path: Path) -> None:
    found = _table(tmp_path, "time_s;temp_c\n0;20\n;\n10;21,5\n ;\n20;22\n")
    assert found.temp_c == pytest.approx([20, 21.5, 22])
    assert "Rows with nothing in the columns that matter were left out of soak.csv: 2, 4." in found.notes


def _csv(head: str, *columns: list[object], separator: str = ",") -> str:
    rows = [separator.join(map(str, row)) for row in zip(*columns, strict=True)]
    return "\n".join([head, *rows]) + "\n"


FAHRENHEIT = [1.8 * t + 32 for t in TEMPS]
ROOM_F = [1.8 * t + 32 for t in ROOM]
MINUTES = [t / 60 for t in TIMES]


@pytest.mark.parametrize(
    "content",
    [
        _csv("time_s,temp_c,ambient_c", TIMES, TEMPS, ROOM),
        _csv("\ufefftime_min;temp_f;ambient_f", MINUTES, FAHRENHEIT, ROOM_F, separator=";"),
        _csv('"Time [min]",Temperature (°F),Room (C)', MINUTES, FAHRENHEIT, ROOM),
        _csv(
            "ambient_k,elapsed_h,temp_k",
            [r + 273.15 for r in ROOM],
            [t / 3600 for t in TIMES],
            [t + 273.15 for t in TEMPS],
        ),
        _csv(
            "time,temp,ambient",
            [f"{t:g} min" for t in MINUTES],
            [f"{t:.3f} F" for t in FAHRENHEIT],
            [f"{r} °C" for r in ROOM],
        ),
        _csv(
            "time_s;temp_c;ambient_c",
            TIMES,
            *([f"{v}".replace(".", ",") for v in column] for column in (TEMPS, ROOM)),
            separator=";",
        ),
        _csv("who,time_min,temp,ambient_c", ["mira"] * 4, MINUTES, [f"{t}C" for t in TEMPS], ROOM),
    ],
)
def test_the_same_readings_in_any_unit(tmp_path: Path, content: str) -> None:
    found = _table(tmp_path, content)
    assert found.time_s == pytest.approx(TIMES)
    assert found.temp_c == pytest.approx(TEMPS)
    assert found.ambient_c == pytest.approx(ROOM)
    assert found.notes == ()
    assert found.source.name == "soak.csv"


def test_sensors_in_place_of_temperatures(tmp_path: Path) -> None:
    emf = thermometry.type_k_emf_mv(TEMPS) - thermometry.type_k_emf_mv(ROOM)
    found = _table(tmp_path, _csv("time_s,emf_uv,ambient_c", TIMES, list(1e3 * emf), ROOM))
    assert found.temp_c == pytest.approx(TEMPS, abs=1e-6)  # the ambient is the cold junction's, too
    emf = thermometry.type_k_emf_mv(TEMPS) - thermometry.type_k_emf_mv(20.0)
    found = _table(
        tmp_path, _csv("time,emf", [f"{t} s" for t in TIMES], [f"{e:.6f} mV" for e in emf]), Sensors(None, 20.0)
    )
    assert found.temp_c == pytest.approx(TEMPS, abs=1e-4)
    beta = thermometry.thermistor("B=3950 K, 10 kohm at 25 C")
    ohms = [10.0 * np.exp(3950.0 * (1 / (t + 273.15) - 1 / 298.15)) for t in TEMPS]
    found = _table(tmp_path, _csv("time_s,resistance_kohm", TIMES, ohms), Sensors(beta))
    assert found.temp_c == pytest.approx(TEMPS, abs=1e-6)


def test_gaps_and_repeated_rows_are_named(tmp_path: Path) -> None:
    rows = "0,20\n10,21\n10,21\n20,22\n20,23\n30,24\n500,30\n510,31\n"
    found = _table(tmp_path, "time_s,temp_c\n" + rows)
    assert found.time_s == pytest.approx([0, 10, 20, 20, 30, 500, 510])
    told = " ".join(found.notes)
    assert "1 data row is there twice (first: data row 3)" in told
    assert "1 data row is at the time of the one before, with another temperature (first: data row 5)" in told
    assert "1 gap in the readings, the longest of 470 s after data row 6, where 10 s is usual" in told


@pytest.mark.parametrize(
    ("content", "match"),
    [
        ("", "is empty"),
        ("time_s,temp_c\n", "no rows"),
        ("time_s,temp_c\n0,20\n10,nan\n", "data row 2, temp_c: 'nan' is not a number"),
        ("time_s,temp_c\n0,20\n10,9.9E37\n", "data row 2, temp_c: '9.9E37' is no value"),
        ("time_s,temp_c\n0,20\n10,OL\n", "data row 2, temp_c: 'OL' is no value"),
        ("time_s,temp_c\n0,20\n10,\n", "data row 2, temp_c: the cell is empty"),
        ("time_s,temp_c\n0,20\n10,warm\n", "data row 2, temp_c"),
        ("time_s,temp_c\n0,20 C\n", "name says the unit already"),
        ("time,temp_c\n0,20\n", "data row 1, time: '0' has no unit"),
        ("time,temp\n0 s,20 V\n", "data row 1, temp: '20 V' is a voltage"),
        ("time_s,temp_c\n0,-300\n", "data row 1, temp_c: -300 is too low"),
        ("time_s,temp_c\n-5,20\n", "data row 1, time_s: -5 is too low"),
        ("time_s,temp_c\n0,20\n20,21\n10,22\n", "data row 3: the time runs backwards, from 20 s to 10 s"),
        ("time_s,power_w\n0,20\n", "no column for the temperature; its columns are: time_s, power_w"),
        ("temp_c,ambient_c\n0,20\n", "no column for the time"),
        ("time_s,temp_c,temp_f\n0,20,68\n", "two columns for the temp"),
        ("time_s,temp_c,emf_mv\n0,20,1\n", "temperature twice"),
        ("time_s,resistance_ohm\n0,10000\n", "which temperature they stand for"),
        ("time_s,emf_mv\n0,1\n", "how warm its cold junction"),
        ("time_s,emf_mv,ambient_c\n0,100,20\n", "emf"),
        ("time_s,temp_c\n0,20\n1,2,3\n", "line 3 has 3 cells"),
    ],
)
def test_bad_tables(tmp_path: Path, content: str, match: str) -> None:
    with pytest.raises(BadRequest, match=match):
        _table(tmp_path, content)


NUMBERS = st.floats(-200.0, 1500.0).map(lambda value: np.format_float_positional(value, trim="-")) | st.sampled_from(
    ["21", "+21.5", "-3", ".5", "7.", "2.1e1", "215E-1", "1234.5678901234567"]
)


@given(st.lists(st.tuples(NUMBERS, NUMBERS), min_size=2, max_size=30), st.sampled_from(["\n", "\r\n"]))
def test_numbers_read_in_one_go_are_those_read_cell_by_cell(
    tmp_path_factory: pytest.TempPathFactory, rows: list[tuple[str, str]], end: str
) -> None:
    folder = tmp_path_factory.mktemp("numbers")
    lines = [f"{60 * i},{temp},{ambient}" for i, (temp, ambient) in enumerate(rows)]
    at_once = _table(folder, end.join(["time_s,temp_c,ambient_c", *lines]) + end)
    by_cell = _table(folder, end.join(["time_s,temp_c,ambient_c", *lines[:-1], lines[-1] + " "]) + end)
    for name in ("time_s", "temp_c", "ambient_c"):
        np.testing.assert_array_equal(getattr(at_once, name), getattr(by_cell, name))
    np.testing.assert_array_equal(at_once.temp_c, [float(temp) for temp, _ in rows])


@pytest.mark.parametrize(
    ("lines", "match"),
    [
        # As many cells and numbers in all as three rows have, but not in each.
        (["0,22,22", "60,23,22,24", "120,24"], "line 3"),
        (["0,22,22", "60,23", "120,24,22,25"], "line 4 has 4 cells"),
        (["0,22,22", "60,,22", "120,24,22"], "data row 2, temp_c: the cell is empty"),
        (["0,22,22", "60,1e999,22", "120,24,22"], "data row 2"),
        (["0,22,22", "60,2-3,22", "120,24,22"], "data row 2"),
        (["0,22,22", "60,23 5,22", "120,,22"], "data row 2"),
    ],
)
def test_no_cell_moves_into_another_row(tmp_path: Path, lines: list[str], match: str) -> None:
    with pytest.raises(BadRequest, match=match):
        _table(tmp_path, "\n".join(["time_s,temp_c,ambient_c", *lines]) + "\n")
