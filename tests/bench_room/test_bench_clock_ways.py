"""Steps up and down: hysteresis, and the correction to the conditions at which a grade must hold."""

import math

import pytest

from tracker.bench import clock, derating, hysteresis
from tracker.bench.clock import Step
from tracker.bench.derating import Conditions
from tracker.errors import BadRequest


def tried(text: str) -> list[Step]:
    """Steps from '2+ 3+ 4- 3-': megahertz, worked or not."""
    return [Step(1e6 * float(word[:-1]), word[-1] == "+") for word in text.split()]


def test_a_part_that_recovers_late_shows_hysteresis() -> None:
    found = hysteresis.seen(tried("2+ 3+ 3.4+ 4- 3.4- 3- 2.6+ 2+"))
    assert found is not None
    assert (found.worked_rising_hz, found.failed_falling_hz, found.recovered_hz) == (3.4e6, 3e6, 2.6e6)
    assert "worked up to 3.4 MHz" in found.sentence
    assert "until 2.6 MHz" in found.sentence


def test_a_part_that_never_recovers() -> None:
    found = hysteresis.seen(tried("2+ 3+ 4- 3- 2-"))
    assert found is not None
    assert found.recovered_hz is None
    assert "did not recover" in found.sentence


@pytest.mark.parametrize("steps", ["2+ 3+ 4- 3.5- 3+ 2+", "4- 3- 2+", "2- 3-", "2+ 3+", "3+ 3- 3+", ""])
def test_the_same_both_ways_is_none(steps: str) -> None:
    assert hysteresis.seen(tried(steps)) is None


def test_a_kind_bench_raises_what_is_required() -> None:
    # by hand: 5 V against 4.5 V is 1.1111 times; 47 K at 0.3 % a kelvin is exp(0.141) = 1.15143 times
    found = derating.correction(Conditions(5.0, 23.0), Conditions(4.5, 70.0))
    assert found.factor == pytest.approx(1.279363, rel=1e-5)
    assert "from 5 V to 4.5 V" in found.sentence
    result = clock.evaluate(tried("2+ 2.4+ 2.5- 2.6-"), grade_hz=2e6, margin=0.0, correction=found)
    assert result.required_hz == pytest.approx(2e6 * found.factor)
    assert result.verdict == "fail"  # 2.45 MHz on this bench is less than 2 MHz at 4.5 V and 70 C
    assert clock.evaluate(tried("2+ 2.4+ 2.5- 2.6-"), grade_hz=2e6, margin=0.0).verdict == "pass"


def test_without_the_grades_conditions_nothing_is_corrected() -> None:
    found = derating.correction(Conditions(5.0, 23.0), Conditions(None, None))
    assert found == derating.NONE
    assert "not corrected" in clock.evaluate(tried("2+ 3-"), grade_hz=1e6).rule


def test_what_the_bench_did_not_state_cannot_be_corrected() -> None:
    for bench, grade in (
        (Conditions(None, 23.0), Conditions(4.5, None)),
        (Conditions(5.0, None), Conditions(None, 70.0)),
        (Conditions(5.0, None), Conditions(0.0, None)),
        (Conditions(math.nan, None), Conditions(5.0, None)),
    ):
        with pytest.raises(BadRequest):
            derating.correction(bench, grade)
