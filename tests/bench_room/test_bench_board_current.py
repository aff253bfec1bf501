"""A board's current before and after a change: the interval's coverage, the rule, and the run that keeps it."""

import numpy as np
import pytest
from conftest import Lotproof
from sqlalchemy import select
from stock import a_lot

from tracker.bench import board_current, in_circuit
from tracker.bench.board_current import MUCH_MORE
from tracker.bench.current import Reading
from tracker.desk.bench_board import board_change
from tracker.desk.bench_in_circuit import InCircuitRequest, run_in_circuit
from tracker.desk.workspace import Workspace
from tracker.errors import BadRequest
from tracker.records.models import BenchSample


def test_the_interval_covers_as_often_as_it_says() -> None:
    rng = np.random.default_rng(1954)  # the year of Fieller's paper
    inside = share_inside = 0
    draws = 2000
    for _ in range(draws):
        before, after = rng.normal(0.310, 0.004), rng.normal(0.350, 0.006)
        found = board_current.evaluate([Reading(before, u_a=0.004)], [Reading(after, u_a=0.006)]).change
        assert found.lower is not None
        assert found.upper is not None
        assert found.share_lower is not None
        assert found.share_upper is not None
        inside += found.lower <= 0.040 <= found.upper
        share_inside += found.share_lower <= 0.040 / 0.310 <= found.share_upper
    slack = 3 * np.sqrt(0.05 * 0.95 / draws)
    assert inside / draws == pytest.approx(0.95, abs=slack)
    assert share_inside / draws == pytest.approx(0.95, abs=slack)


def test_one_meter_s_error_does_not_shrink_by_repeating() -> None:
    once = board_current.evaluate([Reading(0.3, u_a=0.01)], [Reading(0.3, u_a=0.01)])
    often = board_current.evaluate([Reading(0.3, u_a=0.01)] * 9, [Reading(0.3, u_a=0.01)] * 9)
    scattered = board_current.evaluate([Reading(0.28, u_a=0.01), Reading(0.32, u_a=0.01)], [Reading(0.3, u_a=0.01)])
    assert once.before_a.se == often.before_a.se == pytest.approx(0.01)
    # GUM 4.2.3: the scatter of two readings 0.04 apart is 0.04 / sqrt(2), that of their mean 0.02.
    assert scattered.before_a.se == pytest.approx(np.hypot(0.01, 0.02))


@pytest.mark.parametrize(
    ("after", "verdict", "words"),
    [
        ("312 mA", "pass", "cannot be told from what it was"),
        ("355 mA", "pass", "mA more than before"),
        ("200 mA", "pass", "mA less than before"),
        ("480 mA", "undecided", "See which part gets warm"),
    ],
)
def test_a_much_larger_current_keeps_a_pass_back(after: str, verdict: str, words: str) -> None:
    board = board_change(["310 mA"], [after], None)
    assert board.much_more == (verdict == "undecided")
    found = in_circuit.evaluate(runs=True, duration_s=7200, board=board)
    assert found.verdict == verdict
    assert words in " ".join(found.reasons)
    assert f"{100 * MUCH_MORE:g} %" in found.rule
    # A board that draws more does not by itself accuse the piece.
    assert in_circuit.evaluate(runs=False, duration_s=None, board=board).verdict == "undecided"


def test_the_run_keeps_the_readings(workspace: Workspace) -> None:
    a_lot(workspace)
    request = InCircuitRequest(
        runs=True,
        duration="2 h",
        checks=("keys=pass",),
        board_before=("310 mA", "312 mA"),
        board_after=("308 mA",),
        board_u="4 mA",
    )
    recorded = run_in_circuit(workspace, "L1-1", request)
    assert recorded.verdict == "pass"
    assert recorded.result.board is not None
    assert recorded.result.board.u_source == "stated"
    with workspace.read() as session:
        samples = session.scalars(select(BenchSample).order_by(BenchSample.position)).all()
    assert [(one.text, one.current_a) for one in samples[2:]] == [
        ("board current before", pytest.approx(0.310)),
        ("board current before", pytest.approx(0.312)),
        ("board current after", pytest.approx(0.308)),
    ]
    assert [one.position for one in samples] == [1, 2, 3, 4, 5]


@pytest.mark.parametrize(
    ("before", "after", "u", "match"),
    [
        ((), ("310 mA",), None, "from before the change"),
        (("310 mA",), (), None, "from after the change"),
        (("310",), ("310 mA",), None, "has no unit"),
        (("310 mA",), ("310 mV",), None, "is a voltage"),
        (("310 mA",), ("310 mA",), "0 mA", "uncertainty of 0"),
        ((), (), "4 mA", "goes with the board's currents"),
    ],
)
def test_wrong_requests(
    workspace: Workspace, before: tuple[str, ...], after: tuple[str, ...], u: str | None, match: str
) -> None:
    a_lot(workspace)
    request = InCircuitRequest(runs=True, board_before=before, board_after=after, board_u=u)
    with pytest.raises(BadRequest, match=match):
        run_in_circuit(workspace, "L1-1", request)


def test_as_a_user_asks_for_it(lotproof: Lotproof) -> None:
    found = lotproof("calc", "board-current", "--before", "310 mA", "--after", "155 mA", "--u", "2 mA", "--json").json
    assert found["schema"] == "lotproof.calc.board-current/1"
    assert found["change"]["share"] == pytest.approx(-0.5)
    text = lotproof("calc", "board-current", "--before", "310 mA", "--after", "455 mA").out
    assert "more than before" in text
    assert "looked at before the piece stays in" in text
