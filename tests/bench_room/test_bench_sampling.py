"""Sampling plans and exact intervals, against SciPy and published values."""

import math

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy import stats

from tracker.bench import sampling
from tracker.errors import BadRequest


@pytest.mark.parametrize(
    ("lot", "bad", "n", "allowed", "expected"),
    [
        (50, 10, 5, 2, 0.9517),  # assignmentexpert Q72628
        (10, 1, 4, 0, 0.6),  # homeworksource 1085671
        (10, 2, 4, 0, 0.3333),  # homeworksource 1085671
        (50, 2, 5, 1, 0.9919),  # askfilo, rounded there
        (100, 5, 15, 1, 0.83909),  # SciPy
        (100, 8, 15, 1, 0.65648),  # SciPy
    ],
)
def test_published_acceptance_probabilities(lot: int, bad: int, n: int, allowed: int, expected: float) -> None:
    assert float(sampling.accepted(lot, bad, n, allowed)) == pytest.approx(expected, abs=1e-4)


@settings(max_examples=60)
@given(st.integers(1, 400), st.floats(0.01, 1.0), st.floats(0.5, 0.999), st.integers(0, 3))
def test_the_plan_is_the_smallest_by_scipy(lot: int, share: float, confidence: float, allowed: int) -> None:
    assume(math.ceil(round(share, 3) * lot - 1e-9) > allowed)
    found = sampling.plan(lot, round(share, 3), round(confidence, 4), allowed=allowed)
    missed = 1 - round(confidence, 4)
    assert found.n <= lot
    assert stats.hypergeom.cdf(allowed, lot, found.bad_pieces, found.n) <= missed + 1e-9
    assert stats.hypergeom.cdf(allowed, lot, found.bad_pieces, found.n - 1) > missed - 1e-9


def test_large_lots_approach_the_ltpd_numbers() -> None:
    # MIL-PRF-38535 table D-I (from memory), where it equals the exact binomial minimum: LTPD 10 %: 22, 38, 52
    for allowed, n in enumerate((22, 38, 52)):
        assert sampling.plan(1_000_000, 0.10, 0.90, allowed=allowed).n == n
    # Trindade and Meade, JSM 1999: LTPD 2 %, c = 3 gives 333
    assert sampling.plan(5_000_000, 0.02, 0.90, allowed=3).n == 333


def test_a_tie_is_decided_exactly() -> None:
    # One bad piece in ten: nine tested find it with probability 0.9 exactly, which floating point misses.
    assert sampling.plan(10, 0.1, 0.9).n == 9


def test_decimal_shares_are_taken_at_their_word() -> None:
    assert sampling.plan(100, 0.07, 0.95).bad_pieces == 7  # 100 * 0.07 is 7.000000000000001 in binary


def test_nothing_but_the_whole_lot_may_be_needed() -> None:
    assert sampling.plan(5, 0.2, 0.99).n == 5
    assert sampling.plan(1, 1.0, 0.5).n == 1


@pytest.mark.parametrize(
    ("failed", "tested", "confidence", "lower", "upper"),
    [
        (7, 50, 0.95, 0.05819170033997342, 0.26739600249700846),  # scipy.stats docstring of proportion_ci
        (4, 20, 0.90, 0.0713539, 0.4010281),  # NIST e-Handbook 7.2.4.1, from memory
        (682, 925, 0.95, 0.7076683, 0.7654066),  # R binom.test documentation, from memory
        (0, 10, 0.95, 0.0, 0.3084971),  # SciPy
    ],
)
def test_published_intervals(failed: int, tested: int, confidence: float, lower: float, upper: float) -> None:
    found = sampling.interval(failed, tested, confidence)
    assert found.lower == pytest.approx(lower, abs=1e-7)
    assert found.upper == pytest.approx(upper, abs=1e-7)


@given(st.integers(1, 300).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))), st.floats(0.5, 0.999))
def test_intervals_are_scipys(counts: tuple[int, int], confidence: float) -> None:
    failed, tested = counts
    found = sampling.interval(failed, tested, confidence)
    theirs = stats.binomtest(failed, tested).proportion_ci(confidence, method="exact")
    assert (found.lower, found.upper) == pytest.approx((theirs.low, theirs.high), abs=1e-9)
    assert 0 <= found.lower <= failed / tested <= found.upper <= 1


@pytest.mark.parametrize(
    ("call", "match"),
    [
        (lambda: sampling.plan(0, 0.1, 0.9), "lot size"),
        (lambda: sampling.plan(10, 0.0, 0.9), "between 0 and 1"),
        (lambda: sampling.plan(10, 0.1, 1.0), "between 0 and 1"),
        (lambda: sampling.plan(10, 0.1, 0.9, allowed=1), "no sample can reject"),
        (lambda: sampling.plan(10, 0.1, 0.9, allowed=-1), "allowed failures"),
        (lambda: sampling.interval(5, 4), "number failed"),
        (lambda: sampling.interval(0, 0), "number tested"),
        (lambda: sampling.interval(1, 2, 1.5), "confidence"),
    ],
)
def test_refusals(call, match: str) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(BadRequest, match=match):
        call()
