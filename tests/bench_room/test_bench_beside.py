"""A current beside exemplars' and siblings', and lines whose clocks are uncertain too. Everything here is invented."""

from pathlib import Path

import numpy as np
import pytest
from scipy import optimize
from stock import a_lot

from tracker.bench import current
from tracker.bench.beside import Other, sentences
from tracker.bench.current import Reading
from tracker.desk.bench import CurrentRequest, run_current
from tracker.desk.decide import declare_exemplar
from tracker.desk.workspace import Workspace
from tracker.errors import BadRequest


def at(milliamperes: str, **more: str) -> CurrentRequest:
    return CurrentRequest(currents=(f"{milliamperes} mA",), clock="2 MHz", u="0.1 mA", **more)


def test_exemplar_and_siblings_are_named_once_they_are_there(workspace: Workspace) -> None:
    a_lot(workspace, quantity=4, received=4)
    first = run_current(workspace, "L0001-01", at("4.1"))
    assert not any("sibling" in note or "Exemplar" in note for note in first.notes)
    declare_exemplar(workspace, "L0001-01", grounds="from the maker's own tube")
    second = run_current(workspace, "L0001-02", at("4.0"))
    assert any("Exemplar L0001-01" in note and "cannot be told" in note for note in second.notes)
    run_current(workspace, "L0001-03", at("4.3"))
    other = run_current(workspace, "L0001-04", at("41"))
    assert any("2 siblings draw 4.15 mA in the middle" in note and "unlike them" in note for note in other.notes)
    assert any("36.9 mA more (+900 %), beyond how far" in note for note in other.notes)


def test_another_clock_is_no_comparison(workspace: Workspace) -> None:
    a_lot(workspace)
    declare_exemplar(workspace, "L0001-01", grounds="from the maker's own tube")
    run_current(workspace, "L0001-01", at("4.1"))
    slower = run_current(workspace, "L0001-02", CurrentRequest(currents=("2 mA",), clock="1 MHz", u="0.1 mA"))
    assert not any("Exemplar" in note for note in slower.notes)


def test_a_difference_within_makers_spread_is_no_more_than_said() -> None:
    (told,) = sentences(5.2e-3, 1e-4, "A", [Other("L0001-01", 4.1e-3, 1e-4)], [])
    assert "1.1 mA more (+27 %)" in told
    assert "beyond" not in told
    assert sentences(1.0, 0.1, "A", [], [Other("L0001-02", 1.0, 0.1)]) == []


def test_a_line_with_uncertain_clocks_is_the_best_by_effective_variance() -> None:
    rng = np.random.default_rng(1)
    clocks, currents = np.array([1e6, 2e6, 3e6, 4e6, 5e6]), np.array([11.2e-3, 20.5e-3, 31.3e-3, 40.2e-3, 51.1e-3])
    u_x, u_y = rng.uniform(2e4, 9e4, 5), rng.uniform(1e-4, 5e-4, 5)
    found = current.fit(
        [Reading(i, f, u_a=u, clock_u_hz=v) for f, i, u, v in zip(clocks, currents, u_y, u_x, strict=True)]
    )

    def misfit(line: np.ndarray) -> float:
        left = currents * 1e3 - line[0] - line[1] * clocks / 1e6
        return float(np.sum(left**2 / ((u_y * 1e3) ** 2 + (line[1] * u_x / 1e6) ** 2)))

    best = optimize.minimize(misfit, [1.0, 10.0], method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-12}).x
    assert found.static_a.value * 1e3 == pytest.approx(best[0], abs=1e-5)
    assert found.slope_a_per_hz.value * 1e9 == pytest.approx(best[1], abs=1e-5)


def test_clock_uncertainty_by_flag_and_by_table(workspace: Workspace, tmp_path: Path) -> None:
    a_lot(workspace)
    pairs = ("1 MHz=1.1 mA", "2 MHz=2.1 mA", "4 MHz=4.2 mA")
    by_flag = run_current(workspace, "L0001-01", CurrentRequest(pairs=pairs, u="0.1 mA", clock_u="50 kHz"))
    table = tmp_path / "both.csv"
    rows = "\n".join(f"{f},{i},0.1,50" for f, i in ((1000, 1.1), (2000, 2.1), (4000, 4.2)))
    table.write_text(f"clock_khz,current_ma,u_ma,clock_u_khz\n{rows}\n", encoding="utf-8")
    by_table = run_current(workspace, "L0001-02", CurrentRequest(table=table))
    plain = run_current(workspace, "L0001-03", CurrentRequest(pairs=pairs, u="0.1 mA"))
    errors = [run.result.fitted.slope_a_per_hz.se for run in (by_flag, by_table, plain) if run.result.fitted]
    assert errors[0] == pytest.approx(errors[1])
    assert errors[0] is not None
    assert errors[2] is not None
    assert errors[0] > errors[2]
    for wrong in (
        CurrentRequest(currents=("2 mA",), clock_u="1 kHz"),
        CurrentRequest(pairs=pairs, clock_u="0 Hz"),
        CurrentRequest(table=table, clock_u="1 kHz"),
    ):
        with pytest.raises(BadRequest):
            run_current(workspace, "L0001-01", wrong)
