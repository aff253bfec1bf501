"""Columns whose head says a unit, columns named otherwise, gaps and repeated rows."""

from pathlib import Path

import pytest

from tracker.bench import headers, readings
from tracker.errors import BadRequest


def _file(folder: Path, text: str) -> Path:
    path = folder / "readings.csv"
    path.write_text(text, encoding="utf-8")
    return path


def _currents(
    folder: Path, text: str, *columns: str, clock_hz: float | None = None
) -> list[tuple[float | None, float]]:
    found, _ = readings.current_table(_file(folder, text), columns, clock_hz)
    return [(one.clock_hz, one.current_a) for one in found]


@pytest.mark.parametrize(
    "head",
    [
        "clock_khz,current_ma",
        "Clock_kHz,Current_mA",
        "clock (kHz),current (mA)",
        "Clock [kHz],Current [mA]",
        "clock / kHz,current / mA",
        "clock in kHz,current in mA",
        "current in mA,clock_khz",
    ],
)
def test_the_head_says_the_unit(tmp_path: Path, head: str) -> None:
    turned = head.lower().startswith("current")
    rows = ["12.1,1000", "24.3,2000"] if turned else ["1000,12.1", "2000,24.3"]
    found = _currents(tmp_path, "\n".join([head, *rows, ""]))
    assert [one for pair in found for one in pair] == pytest.approx([1e6, 12.1e-3, 2e6, 24.3e-3])


def test_uncertainties_and_semicolons_too(tmp_path: Path) -> None:
    found, _ = readings.current_table(_file(tmp_path, "clock (MHz);current (uA);u (nA)\n1;2100;500\n2;4200;500\n"))
    assert [one.u_a for one in found] == pytest.approx([5e-7, 5e-7])
    assert found[1].current_a == pytest.approx(4.2e-3)


@pytest.mark.parametrize(
    ("kind", "unit", "number", "value"),
    # By definition: 25 C is 77 F; a minute has 60 s.
    [("temperature", "F", 77.0, 25.0), ("temperature", "K", 298.15, 25.0), ("time", "min", 2.0, 120.0)],
)
def test_scales_with_and_without_an_offset(kind: str, unit: str, number: float, value: float) -> None:
    assert headers.scale(unit, kind)(number) == pytest.approx(value)


def test_other_names_are_mapped(tmp_path: Path) -> None:
    text = "n,F,I1 (mA)\n1,1 MHz,12.1\n2,2 MHz,24.3\n"
    assert _currents(tmp_path, text, "clock=F", "current=I1")[1] == pytest.approx((2e6, 24.3e-3))
    assert _currents(tmp_path, text, "Clock=f", "current=i1 (mA)")[1] == pytest.approx((2e6, 24.3e-3))
    bare = "n,F,I1\n1,1,12.1\n2,2,24.3\n"
    assert _currents(tmp_path, bare, "clock=F (MHz)", "current=I1 (mA)")[1] == pytest.approx((2e6, 24.3e-3))
    steps, _ = readings.clock_table(_file(tmp_path, "Takt_MHz,ok?\n1,yes\n2,no\n"), ["clock=Takt_MHz", "passed=ok?"])
    assert [(one.clock_hz, one.passed) for one in steps] == [(1e6, True), (2e6, False)]


def test_one_clock_for_a_table_without_one(tmp_path: Path) -> None:
    assert _currents(tmp_path, "current_ma\n12.1\n", clock_hz=4e6) == [(4e6, pytest.approx(12.1e-3))]
    with pytest.raises(BadRequest, match="--clock states one"):
        _currents(tmp_path, "clock_hz,current_ma\n1e6,12.1\n", clock_hz=4e6)


@pytest.mark.parametrize(
    ("text", "columns", "match"),
    [
        ("clock (mV),current_a\n1,1\n", (), r"'clock \(mV\)' is in 'mV': .* is a voltage"),
        ("clock (furlongs),current_a\n1,1\n", (), "in 'furlongs'"),
        ("clock_hz,current_limit\n1,1\n", (), "no column 'current_a'"),
        ("clock_hz,clock_khz,current_a\n1,1,1\n", (), "'clock_hz' and 'clock_khz' could both be clock"),
        ("F,I1\n1 MHz,1 mA\n", ("clock=G", "current=I1"), "no column 'G'; the columns are: F, I1"),
        ("F,I1\n1 MHz,12\n", ("clock=F", "current=I1"), "data row 1, i1: '12' has no unit"),
        ("F,I1\n1 MHz,12\n", ("clock=F", "current=I1 (mV)"), "is a voltage"),
        ("F,I1\n1 MHz,12\n", ("clock",), "does not say which column"),
        ("F,I1\n1 MHz,12\n", ("speed=F",), "no 'speed' in this table"),
        ("F,I1\n1 MHz,12\n", ("clock=F", "clock=I1"), "named twice"),
        ("F (MHz),F (kHz),I\n1,1,1 A\n", ("clock=F", "current=I"), "More than one column is called 'F'"),
    ],
)
def test_heads_that_cannot_be_understood_are_named(
    tmp_path: Path, text: str, columns: tuple[str, ...], match: str
) -> None:
    with pytest.raises(BadRequest, match=match):
        _currents(tmp_path, text, *columns)


def test_gaps_are_named(tmp_path: Path) -> None:
    with pytest.raises(BadRequest, match="data rows 2, 4, current_ma: the cells are empty"):
        _currents(tmp_path, "clock_hz,current_ma\n1,1\n2,\n3,3\n4, \n")
    text = "clock_hz,current_ma,remark\n1,1,\n,,probe slipped\n3,3,\n,,\n"
    found, source = readings.current_table(_file(tmp_path, text))
    assert [one.clock_hz for one in found] == [1.0, 3.0]
    assert "left out of readings.csv: 2, 4." in source.notes[0]
    with pytest.raises(BadRequest, match="no readings in its 2 rows"):
        _currents(tmp_path, "clock_hz,current_ma\n,\n,\n")
    # A row number is the file's, whatever was left out before it.
    with pytest.raises(BadRequest, match="data row 3, current_ma: 'x'"):
        _currents(tmp_path, "clock_hz,current_ma\n1,1\n,\n3,x\n")


def test_rows_that_stand_twice_are_named_and_count(tmp_path: Path) -> None:
    found, source = readings.current_table(_file(tmp_path, "clock_hz,current_ma\n1,1\n2,2\n1,1\n2,2.0\n"))
    assert len(found) == 4
    assert source.notes == ("Data rows of readings.csv that repeat an earlier one cell for cell: 3 as 1; all count.",)


def test_rows_of_a_live_table_without_a_value_are_left_out(tmp_path: Path) -> None:
    live = (
        "time_s,current_a,clock_hz,instant,said\n"
        "0.000,0.0121,4000000.0,2031-04-02T09:15:00.000Z,\n"
        "1.000,,4000000.0,2031-04-02T09:15:01.000Z,Overload: out of range.\n"
        "2.000,0.0122,4000000.0,2031-04-02T09:15:02.000Z,\n"
    )
    found, source = readings.current_table(_file(tmp_path, live))
    assert [one.current_a for one in found] == [0.0121, 0.0122]
    assert "1 of 3 answers held no value and were left out: rows 2." in source.notes
    # Torn by a power cut inside the value: 0.01 was never read.
    with pytest.raises(BadRequest, match="breaks off in its last line"):
        _currents(tmp_path, live + "3.000,0.01")
