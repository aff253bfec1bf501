"""Powers against plain arithmetic and simulation."""

import math

import numpy as np
import pytest

from tracker.bench.power import Measured, PowerInput, evaluate
from tracker.errors import BadRequest


def volts(value: float, u: float = 0.0) -> Measured:
    return Measured(value, u, "V")


def amperes(value: float, u: float = 0.0) -> Measured:
    return Measured(value, u, "A")


def test_powers_of_a_machine_and_its_supply() -> None:
    read = PowerInput(
        board=((volts(5.0), amperes(1.2)), (volts(12.0), amperes(0.25))),
        mains_v=volts(230.0),
        mains_a=amperes(0.1),
        mains_w=Measured(13.8, 0.0, "W"),
    )
    found = evaluate(read)
    assert found.board_w is not None
    assert found.board_w.value == pytest.approx(9.0)
    assert found.apparent_va is not None
    assert found.apparent_va.value == pytest.approx(23.0)
    assert found.power_factor is not None
    assert found.power_factor.value == pytest.approx(0.6)
    assert found.loss_w is not None
    assert found.loss_w.value == pytest.approx(4.8)
    assert found.verdict == "undecided"
    assert found.rule == "no limit was stated"


def test_uncertainties_are_those_of_a_simulation() -> None:
    rng = np.random.default_rng(3)
    inputs = {"v": (5.0, 0.03), "a": (1.2, 0.02), "mv": (230.0, 2.0), "ma": (0.1, 0.001), "mw": (13.8, 0.2)}
    drawn = {name: rng.normal(value, u, 400_000) for name, (value, u) in inputs.items()}
    found = evaluate(
        PowerInput(
            board=((volts(*inputs["v"]), amperes(*inputs["a"])),),
            mains_v=volts(*inputs["mv"]),
            mains_a=amperes(*inputs["ma"]),
            mains_w=Measured(*inputs["mw"], "W"),
        )
    )
    board = drawn["v"] * drawn["a"]
    assert found.board_w is not None
    assert found.board_w.u == pytest.approx(board.std(), rel=0.01)
    factor = drawn["mw"] / (drawn["mv"] * drawn["ma"])
    assert found.power_factor is not None
    assert found.power_factor.u == pytest.approx(factor.std(), rel=0.01)
    assert found.loss_w is not None
    assert found.loss_w.u == pytest.approx((drawn["mw"] - board).std(), rel=0.01)


def test_a_limit_is_held_with_a_guard_band() -> None:
    def of(watts: float) -> str:
        return evaluate(PowerInput(mains_w=Measured(watts, 0.5, "W")), limit_w=30.0).verdict

    assert [of(28.9), of(29.5), of(30.5), of(31.1)] == ["pass", "undecided", "undecided", "fail"]


def test_what_cannot_be_is_said() -> None:
    over = evaluate(
        PowerInput(mains_v=volts(230.0, 1.0), mains_a=amperes(0.1, 0.001), mains_w=Measured(30.0, 0.3, "W"))
    )
    assert any("one of the mains readings is wrong" in caution for caution in over.cautions)
    less = evaluate(PowerInput(board=((volts(5.0, 0.01), amperes(4.0, 0.01)),), mains_w=Measured(12.0, 0.1, "W")))
    assert any("cannot be" in caution for caution in less.cautions)


def test_a_power_is_needed() -> None:
    with pytest.raises(BadRequest, match="gives a power"):
        evaluate(PowerInput(mains_v=volts(230.0)))
    with pytest.raises(BadRequest, match="real power"):
        evaluate(PowerInput(mains_v=volts(230.0), mains_a=amperes(0.1)), limit_w=30.0)


def test_known_within_a_share_is_rectangular() -> None:
    assert volts(5.0).within(0.02).u == pytest.approx(0.1 / math.sqrt(3))
