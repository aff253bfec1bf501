"""Differences and percentages against arithmetic and simulation."""

import numpy as np
import pytest

from tracker.bench.compare import Figure, Side, compare, difference


def amperes(value: float, u: float | None) -> Figure:
    return Figure("board current", value, u, "A")


def test_runs_stand_side_by_side_against_the_first_that_has_a_figure() -> None:
    heat = Figure("final rise", 31.4, 0.5, "K")
    table = compare(
        (
            Side("B0001", "stock", (amperes(1.00, 0.01),)),
            Side("B0002", "one chip changed", (amperes(0.90, 0.01), heat)),
            Side("B0003", "two changed", (Figure("final rise", 27.0, 0.5, "K"), amperes(0.80, 0.01))),
        )
    )
    assert [row.name for row in table.rows] == ["board current", "final rise"]
    current, rise = table.rows
    assert current.differences[0] is None
    assert [d.value for d in current.differences[1:] if d] == pytest.approx([-0.1, -0.2])
    assert [d.share for d in current.differences[1:] if d] == pytest.approx([-0.1, -0.2])
    assert rise.figures[0] is None
    assert rise.differences[:2] == (None, None)
    assert rise.differences[2] is not None
    assert rise.differences[2].value == pytest.approx(-4.4)


def test_an_unknown_uncertainty_leaves_the_intervals_open() -> None:
    found = difference(amperes(1.0, None), amperes(0.9, 0.01))
    assert (found.value, found.share) == (pytest.approx(-0.1), pytest.approx(-0.1))
    assert (found.u, found.lower, found.share_lower) == (None, None, None)
    assert not found.told_apart


@pytest.mark.parametrize(
    ("first", "second"), [((1.0, 0.02), (0.9, 0.03)), ((1.0, 0.2), (2.5, 0.3)), ((-3.0, 0.4), (1.0, 0.2))]
)
def test_intervals_cover_what_they_say(first: tuple[float, float], second: tuple[float, float]) -> None:
    rng = np.random.default_rng(11)
    change, share = second[0] - first[0], second[0] / first[0] - 1
    held = np.zeros((4000, 2), bool)
    for k in range(len(held)):
        found = difference(amperes(rng.normal(*first), first[1]), amperes(rng.normal(*second), second[1]))
        assert found.lower is not None
        assert found.upper is not None
        # Now and then the first reading may be zero, and the share's interval is open: it holds every share.
        bounded = found.share_lower is not None and found.share_upper is not None
        held[k] = found.lower < change < found.upper, not bounded or found.share_lower < share < found.share_upper
    # 95 % within three standard errors of 4,000 repeats
    assert held.mean(axis=0) == pytest.approx([0.95, 0.95], abs=0.0104)


def test_a_share_of_what_may_be_zero_is_not_bounded() -> None:
    found = difference(amperes(0.01, 0.01), amperes(0.5, 0.01))
    assert found.share_lower is None
    assert found.share_upper is None
    assert found.told_apart
    assert difference(amperes(0.0, 0.01), amperes(0.5, 0.01)).share is None
