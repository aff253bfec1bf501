"""Clock ceiling: separated data, coverage, agreement with plain logistic regression where that has an answer."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize

from tracker.bench import clock
from tracker.bench.clock import Step
from tracker.errors import BadRequest


def _steps(text: str) -> list[Step]:
    """Return steps from '2p 2.5f': clock in MHz and its outcome."""
    return [Step(float(word[:-1]) * 1e6, word[-1] == "p") for word in text.split()]


def test_separated_steps_give_the_gap() -> None:
    found = clock.find(_steps("1p 2p 3p 4p 5f 6f"))
    assert found.value_hz is not None
    assert found.lower_hz is not None
    assert found.upper_hz is not None
    assert found.separated
    assert 4e6 < found.value_hz < 5e6
    assert 3.7e6 < found.lower_hz < 4.1e6
    assert 4.9e6 < found.upper_hz < 5.4e6
    assert (found.highest_pass_hz, found.lowest_fail_hz) == (4e6, 5e6)
    assert 4e6 < found.next_hz < 5e6


def test_a_smaller_gap_gives_a_narrower_interval() -> None:
    def width(text: str) -> float:
        found = clock.find(_steps(text))
        assert found.upper_hz is not None
        assert found.lower_hz is not None
        return found.upper_hz - found.lower_hz

    assert width("4p 4.4p 4.5f 5f") < width("4p 4.4p 4.8f 5f") < width("4p 5f")


def test_following_the_proposal_closes_in_on_the_ceiling() -> None:
    truth, steps = 3.37e6, _steps("2p")
    for _ in range(12):
        proposed = clock.find(steps).next_hz
        steps.append(Step(proposed, proposed < truth))
    found = clock.find(steps)
    assert found.lower_hz is not None
    assert found.upper_hz is not None
    assert found.lower_hz < truth < found.upper_hz
    assert found.upper_hz / found.lower_hz < 1.06


def test_overlapping_steps_agree_with_plain_logistic_regression() -> None:
    rng = np.random.default_rng(11)
    clocks = np.repeat(np.linspace(2e6, 4e6, 21), 20)
    passed = rng.random(len(clocks)) < 1 / (1 + (clocks / 3e6) ** (1 / 0.07))

    def against(parameters: np.ndarray) -> float:
        z = (np.log(clocks / 1e6) - parameters[0]) / math.exp(parameters[1])
        return float(np.where(passed, np.logaddexp(0, z), np.logaddexp(0, -z)).sum())

    plain = optimize.minimize(against, [1.0, -2.0])
    found = clock.find([Step(float(f), bool(ok)) for f, ok in zip(clocks, passed, strict=True)])
    assert found.value_hz == pytest.approx(1e6 * math.exp(plain.x[0]), rel=0.003)
    assert found.lower_hz is not None
    assert found.upper_hz is not None
    sd = math.sqrt(plain.hess_inv[0, 0])
    assert math.log(found.upper_hz / found.lower_hz) == pytest.approx(2 * 1.96 * sd, rel=0.15)


def test_intervals_hold_the_truth_as_often_as_they_say() -> None:
    rng = np.random.default_rng(5)
    ladder, inside = np.linspace(2e6, 4e6, 17), 0
    for _ in range(60):
        truth, width = 3e6 * math.exp(rng.uniform(-0.2, 0.2)), 0.005 * math.exp(rng.normal())
        passed = rng.random(len(ladder)) < 1 / (1 + (ladder / truth) ** (1 / width))
        found = clock.find([Step(float(f), bool(ok)) for f, ok in zip(ladder, passed, strict=True)])
        inside += (found.lower_hz or 0) <= truth <= (found.upper_hz or math.inf)
    assert inside >= 52  # 95 % of 60 is 57; 51 or fewer has a chance of 1 in 500


@settings(max_examples=30, deadline=None)
@given(st.lists(st.tuples(st.floats(1e5, 1e8), st.booleans()), min_size=1, max_size=12), st.floats(0.1, 10.0))
def test_bounds_and_scale(pairs: list[tuple[float, bool]], factor: float) -> None:
    found = clock.find([Step(f, ok) for f, ok in pairs])
    scaled = clock.find([Step(f * factor, ok) for f, ok in pairs])
    ends = (found.lower_hz, found.value_hz, found.upper_hz)
    known = [end for end in ends if end is not None]
    assert known
    assert known == sorted(known)
    for ours, theirs in zip(ends, (scaled.lower_hz, scaled.value_hz, scaled.upper_hz), strict=True):
        assert (ours is None) == (theirs is None)
        assert ours is None or theirs == pytest.approx(ours * factor, rel=0.01)


@pytest.mark.parametrize(
    ("steps", "verdict"),
    [
        ("1p 2p 2.3p 2.6f", "pass"),
        ("1p 1.5p 1.6f", "fail"),
        ("1p 1.9p 2.02p 2.06f", "undecided"),  # above the grade, but not by the margin
        ("2.3p", "pass"),
        ("2p", "undecided"),
        ("3f 1.8f 1.5f", "fail"),
        ("2f", "undecided"),
        ("1f 2f 3p", "undecided"),  # the wrong way round is no ceiling
    ],
)
def test_verdicts_against_a_grade_of_2_mhz(steps: str, verdict: str) -> None:
    found = clock.evaluate(_steps(steps), grade_hz=2e6)
    assert found.verdict == verdict
    assert "margin 5 %" in found.rule
    assert found.margin_source.endswith("no source")


def test_one_sided_steps_leave_the_other_side_open() -> None:
    found = clock.find(_steps("1p 2p"))
    assert (found.value_hz, found.upper_hz) == (None, None)
    assert found.lower_hz is not None
    assert 1.8e6 < found.lower_hz < 2e6
    down = clock.find(_steps("2f 3f"))
    assert (down.value_hz, down.lower_hz) == (None, None)
    assert down.upper_hz is not None
    assert 2e6 < down.upper_hz < 2.2e6


def test_the_first_proposal_heads_for_the_grade() -> None:
    assert clock.evaluate(_steps("1p"), grade_hz=2e6).ceiling.next_hz == pytest.approx(2.1e6)


def test_without_a_grade_nothing_is_decided() -> None:
    found = clock.evaluate(_steps("1p 2f"), grade_hz=None)
    assert (found.verdict, found.probability) == ("undecided", None)
    assert found.ceiling.value_hz is not None


def test_refusals() -> None:
    with pytest.raises(BadRequest, match="no step"):
        clock.find([])
    with pytest.raises(BadRequest, match="above 0"):
        clock.find([Step(0.0, True)])
    with pytest.raises(BadRequest, match="margin"):
        clock.evaluate(_steps("1p"), grade_hz=1e6, margin=-0.1)
    with pytest.raises(BadRequest, match="grade"):
        clock.evaluate(_steps("1p"), grade_hz=math.nan)
