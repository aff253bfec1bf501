"""Tables of readings, in-circuit runs, and the words printed with a test."""

from pathlib import Path

import pytest

from tracker.bench import cautions, in_circuit, readings, tables
from tracker.bench.in_circuit import Check
from tracker.bench.soak_table import soak_table
from tracker.errors import BadRequest


def _file(folder: Path, content: str | bytes) -> Path:
    path = folder / "readings.csv"
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return path


def test_plain_numbers_and_units_as_written_are_the_same(tmp_path: Path) -> None:
    plain, _ = readings.current_table(_file(tmp_path, "clock_hz,current_a,u_a\n1e6,0.0021,1e-5\n2e6,0.0042,1e-5\n"))
    written, _ = readings.current_table(
        _file(tmp_path, "\ufeffClock; Current; u ;who\n1 MHz; 2.1 mA;10 uA;mira\n\n2 MHz;4.2mA;0.01 mA;mira\n")
    )
    for ours, theirs in zip(written, plain, strict=True):
        assert (ours.clock_hz, ours.current_a, ours.u_a) == pytest.approx(
            (theirs.clock_hz, theirs.current_a, theirs.u_a)
        )


def test_outcomes_as_people_write_them(tmp_path: Path) -> None:
    steps, source = readings.clock_table(
        _file(tmp_path, "clock_hz,passed\n1e6,1\n2e6,Yes\n3e6,PASS\n4e6,0\n5e6,fail\n")
    )
    assert [step.passed for step in steps] == [True, True, True, False, False]
    assert source.name == "readings.csv"
    assert source.data.startswith(b"clock_hz")


@pytest.mark.parametrize(
    ("content", "match"),
    [
        ("", "is empty"),
        ("  \n\n", "is empty"),
        ("clock_hz,current_a\n", "no rows"),
        ("clock_hz,current_a\n1e6,nan\n", "data row 1, current_a: 'nan' is not a finite number"),
        ("clock_hz,current_a\n1e6,1e-3\n2e6,inf\n", "data row 2, current_a"),
        ("clock_hz,current_a\n1e6,\n", "the cell is empty"),
        ("clock_hz,current_a\n1e6\n", "the cell is empty"),
        ("clock_hz,current_a\n1e6,96 mA\n", "is not a plain number"),
        ("clock_hz,current_a\n1e6,-0.1\n", "too low"),
        ("clock_hz,current_a\n1e6,1e300\n", "too high"),
        ("clock_hz,current_a,u_a\n1e6,0.1,0\n", "must be above 0"),
        ("clock_hz,current\n1e6,96 mV\n", "data row 1, current: '96 mV' is a voltage"),
        ("clock_hz,current\n1e6,96\n", "has no unit"),
        ("frequency,current_a\n1e6,0.1\n", "no column 'clock_hz'; its columns are: 'frequency', 'current_a'"),
        ("clock_hz,current_a,current_a\n1e6,0.1,0.2\n", "twice"),
        ("clock_hz,current_a\n1e6,0.1\n1e6,0.1,7\n", "line 3 has 3 cells, 2 are expected"),
        (b"\xff\xd8\xff\xe0 not text", "not a CSV file in UTF-8"),
        (b"clock_hz,current_a\n1e6,\x00\n", "not a CSV file"),
        ('clock_hz,current_a\n"1e6,0.1\n', "cannot be read as a table"),
    ],
)
def test_bad_tables_are_refused_by_row(tmp_path: Path, content: str | bytes, match: str) -> None:
    with pytest.raises(BadRequest, match=match):
        readings.current_table(_file(tmp_path, content))


def test_bad_paths_are_refused(tmp_path: Path) -> None:
    with pytest.raises(BadRequest, match="no file"):
        soak_table(tmp_path / "none.csv")
    with pytest.raises(BadRequest, match="is a folder"):
        soak_table(tmp_path)
    with pytest.raises(BadRequest, match="neither pass nor fail"):
        readings.clock_table(_file(tmp_path, "clock_hz,passed\n1e6,perhaps\n"))
    huge = tmp_path / "huge.csv"
    with huge.open("wb") as file:
        file.truncate(tables.LARGEST_BYTES + 1)
    with pytest.raises(BadRequest, match="larger than"):
        soak_table(huge)


@pytest.mark.parametrize(
    ("arguments", "verdict"),
    [
        ({"runs": True, "duration_s": 7200.0}, "pass"),
        ({"runs": True, "duration_s": 1800.0, "checks": (Check("all keys sound", True),)}, "pass"),
        ({"runs": True, "duration_s": 60.0}, "undecided"),
        ({"runs": True, "duration_s": None}, "undecided"),
        ({"runs": False, "duration_s": None}, "undecided"),
        ({"runs": False, "duration_s": None, "known_good_runs": False}, "undecided"),
        ({"runs": False, "duration_s": None, "known_good_runs": True}, "fail"),
        ({"runs": True, "duration_s": 7200.0, "checks": (Check("tuning", False),), "known_good_runs": True}, "fail"),
        ({"runs": True, "duration_s": 7200.0, "checks": (Check("tuning", False),)}, "undecided"),
    ],
)
def test_in_circuit_verdicts(arguments: dict[str, object], verdict: str) -> None:
    found = in_circuit.evaluate(**arguments)  # type: ignore[arg-type]
    assert found.verdict == verdict
    assert found.reasons


def test_in_circuit_refuses_impossible_durations() -> None:
    for seconds in (-1.0, float("nan"), float("inf")):
        with pytest.raises(BadRequest, match="duration"):
            in_circuit.evaluate(runs=True, duration_s=seconds)


@pytest.mark.parametrize("test", ["current", "clock", "in-circuit"])
def test_every_test_says_how_and_what_to_mind(test: str) -> None:
    found = cautions.protocol(test)
    assert found.steps
    assert any("Static" in caution.text for caution in found.cautions)
    assert all(advice.source for advice in (*found.steps, *found.cautions))
    if test == "in-circuit":
        assert any(caution.text.startswith("Mains") for caution in found.cautions)
    assert "Local rules" in cautions.LAST_WORD
