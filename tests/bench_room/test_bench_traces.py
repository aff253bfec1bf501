"""Heat soaks over each other: the exponential they were made from, and plots. Everything here is invented."""

import math
import xml.etree.ElementTree as ET
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from tracker.bench import life
from tracker.bench.compare import Comparison
from tracker.bench.traces import Trace, at_minute, rise_trace
from tracker.cli.overlay_text import overlay
from tracker.desk.bench_compare import Compared, compare_runs, draw
from tracker.desk.bench_entry import Typed
from tracker.desk.bench_soak import run_soak
from tracker.desk.bench_soak_entry import SoakRequest
from tracker.desk.fitting import add_machine
from tracker.desk.workspace import Workspace
from tracker.errors import BadRequest


@dataclass(frozen=True)
class Read:
    time_s: float | None
    temp_c: float | None
    ambient_c: float | None = None


def plot(traces: list[tuple[str, Trace]], path: Path) -> None:
    """Draw courses as the desk does."""
    draw(Compared(Comparison((), (), ()), (), tuple(traces), ()), path)


def risen(seconds: float, rise: float, tau: float = 1500.0) -> float:
    return rise * (1 - math.exp(-seconds / tau))


def test_a_rise_at_a_minute_is_the_exponentials() -> None:
    samples = [Read(t, 22 + t / 3600 + risen(t, 30.0), 22 + t / 3600) for t in range(0, 7200, 60)]
    (found,) = at_minute(rise_trace([*reversed(samples), Read(None, 61.0)]), 30.5)
    assert found.name == "rise at 30.5 min"
    assert found.value == pytest.approx(risen(1830, 30.0), abs=0.005)
    assert found.u is not None
    assert found.u < 0.01
    assert at_minute(rise_trace(samples), 200) == []
    assert at_minute(rise_trace([]), 10) == []


def test_its_uncertainty_is_the_readings_scatter() -> None:
    rng = np.random.default_rng(2)
    us = []
    for _ in range(300):
        samples = [Read(t, 20.0 + 0.002 * t + rng.normal(0, 0.3)) for t in range(0, 3600, 60)]
        (found,) = at_minute(rise_trace(samples), 30)
        assert found.name.endswith("above the start")
        us.append(found.u)
    assert np.sqrt(np.mean(np.square(us))) == pytest.approx(0.3, rel=0.05)


@pytest.mark.parametrize("name", ["over.png", "over.svg"])
def test_the_plot_shows_every_run(tmp_path: Path, name: str) -> None:
    traces = [
        (title, rise_trace([Read(t, 20 + risen(t, rise)) for t in range(0, 7200, 60)]))
        for title, rise in (("as it came", 31.0), ("U12 changed", 24.0))
    ]
    path = tmp_path / name
    plot(traces, path)
    if name.endswith("png"):
        grey = np.asarray(Image.open(path).convert("L"))
        assert grey.shape[1] > 800
        assert (grey < 100).mean() > 0.005
    else:
        texts = "".join(ET.fromstring(path.read_text(encoding="utf-8")).itertext())
        assert "as it came" in texts
        assert "U12 changed" in texts
        again = tmp_path / "again.svg"
        plot(traces, again)
        assert again.read_bytes() == path.read_bytes()


def test_the_terminal_shows_every_run_by_its_letter() -> None:
    traces = [
        (title, rise_trace([Read(t, 20 + risen(t, rise)) for t in range(0, 7260, 60)]))
        for title, rise in (("as it came", 30.0), ("U12 changed", 15.0))
    ]
    drawn = overlay(traces, width=60, height=15)
    assert drawn[-2:] == ["      a  as it came", "      b  U12 changed"]
    assert drawn[-3].endswith("120 min")
    field = [line.partition("|")[2].ljust(60) for line in drawn[:15]]
    assert "*" in field[-1][:2]  # both start at no rise
    last = {letter: [i for i, line in enumerate(field) if letter in line[-3:]] for letter in "ab"}
    # after 120 minutes both have 99 % of their rises: the higher at the top, the other half as high
    assert last["a"] == [0]
    assert last["b"] == [7]
    assert overlay([]) == []


def test_what_cannot_be_drawn_is_said(tmp_path: Path) -> None:
    trace = rise_trace([Read(0, 20), Read(60, 21)])
    for traces, path, said in (
        ([], tmp_path / "a.png", "heat soak"),
        ([("one", trace)], tmp_path / "a.pdf", "neither"),
        ([("one", trace)], tmp_path / "no" / "a.png", "cannot be written"),
    ):
        with pytest.raises(BadRequest, match=said):
            plot(traces, path)


def test_two_soaks_of_a_machine_side_by_side(workspace: Workspace, tmp_path: Path) -> None:
    add_machine(workspace, "Kestrel 2 sampler")
    rng = np.random.default_rng(4)
    for number, (title, rise) in enumerate((("stock", 31.0), ("U12 changed", 24.0))):
        table = tmp_path / f"{number}.csv"
        rows = [f"{t},{22 + risen(t, rise) + rng.normal(0, 0.05):.2f},22" for t in range(0, 9000, 60)]
        table.write_text("time_s,temp_c,ambient_c\n" + "\n".join(rows) + "\n", encoding="utf-8")
        run_soak(workspace, "M0001", SoakRequest(table=table, cold=True, typed=Typed(remark=title)))
    found = compare_runs(workspace, ["B0001", "B0002"], minutes=(30.0, 400.0))
    rows = {row.name: row.differences[1] for row in found.comparison.rows}
    for name, expected in (("final rise", -7.0), ("rise at 30 min", risen(1800, 24.0) - risen(1800, 31.0))):
        one = rows[name]
        assert one is not None
        assert one.value == pytest.approx(expected, abs=0.2)
        assert one.told_apart
    assert any("400 min" in note for note in found.notes)
    (_, first), (label, second) = found.lives
    assert label == "B0002"
    assert first is not None
    assert first.factor == 1
    assert second is not None
    assert second.factor == pytest.approx(life.factor(25 + 31.0, 25 + 24.0).factor, rel=0.02)
    draw(found, tmp_path / "over.png")
    assert (tmp_path / "over.png").stat().st_size > 5000
