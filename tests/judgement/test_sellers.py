"""Sellers' records: intervals against SciPy's Beta distribution, trends only where the counts bear them."""

import numpy as np
import pytest
from scipy import integrate, stats

from tracker.judgement import sellers
from tracker.judgement.prior import source_kind


@pytest.mark.parametrize(("bad", "lots"), [(1, 3), (2, 3), (5, 40)])
def test_the_interval_is_that_of_scipys_beta(bad: int, lots: int) -> None:
    found = sellers.share(bad, lots)
    low, high = stats.beta(bad + 0.5, lots - bad + 0.5).interval(0.95)
    assert (found.low, found.high) == pytest.approx((low, high))


def test_jeffreys_interval_of_a_published_table() -> None:
    # Brown, Cai and DasGupta 2001, table 5 (Jeffreys' interval, n = 7, x = 1 and 2): 0.016 to 0.501, 0.065 to 0.648.
    # MEMORY; checked by computation.
    one, two = sellers.share(1, 7), sellers.share(2, 7)
    assert [round(end, 3) for end in (one.low, one.high, two.low, two.high)] == [0.016, 0.501, 0.065, 0.648]


def test_few_lots_stay_wide_and_many_do_not() -> None:
    widths = [sellers.share(lots // 3, lots) for lots in (3, 12, 60, 300)]
    assert [one.high - one.low for one in widths] == sorted((one.high - one.low for one in widths), reverse=True)
    assert widths[0].high - widths[0].low > 0.6
    assert widths[-1].high - widths[-1].low < 0.12


def test_none_and_all_are_never_excluded() -> None:
    assert sellers.share(0, 4).low == 0.0
    assert sellers.share(4, 4).high == 1.0
    assert 0.3 < sellers.share(0, 4).high < 0.6
    nothing = sellers.share(0, 0)
    assert (nothing.low, nothing.high) == (0.0, 1.0)
    with pytest.raises(ValueError, match="no count"):
        sellers.share(3, 2)


def test_a_trend_needs_lots_on_both_sides() -> None:
    assert sellers.trend([False, False, True, True, True]) is None
    assert sellers.trend([]) is None
    level = sellers.trend([True, False, False, False, True, False])
    assert level is not None
    assert level.word == "none"
    up = sellers.trend([False] * 8 + [True] * 7 + [False])
    assert up is not None
    assert up.word == "more"
    down = sellers.trend([True] * 7 + [False] * 9)
    assert down is not None
    assert down.word == "fewer"
    assert (down.earlier.lots, down.later.lots) == (8, 8)


@pytest.mark.parametrize(("one", "other"), [((4, 5), (1, 6)), ((0, 4), (4, 4)), ((3, 3), (3, 3))])
def test_the_probability_of_a_rise_is_the_double_integral(one: tuple[int, int], other: tuple[int, int]) -> None:
    a, b = (stats.beta(bad + 0.5, lots - bad + 0.5) for bad, lots in (one, other))
    # Substituting the quantile takes the poles of the density out of the integral.
    by_scipy = integrate.quad(lambda u: b.cdf(a.ppf(u)), 0, 1, limit=400)[0]
    found = sellers.probability_larger(sellers.share(*one), sellers.share(*other))
    assert found == pytest.approx(by_scipy, abs=2e-4)


def test_the_next_lot_is_the_declared_opinion_with_the_record_added() -> None:
    known = source_kind("marketplace")
    assert sellers.expected("marketplace", 0, 0).not_genuine == pytest.approx(known.not_genuine)
    found = sellers.expected("marketplace", 2, 1)
    posterior = stats.beta(known.bad + 2, known.good + 1)
    assert found.not_genuine == pytest.approx(posterior.mean())
    assert (found.low, found.high) == pytest.approx(posterior.interval(0.95))


def test_sentences_count_and_do_not_accuse() -> None:
    assert sellers.said(sellers.share(2, 3)) == (
        "2 of 3 known lots had pieces that were not as claimed; 95 % interval 18 to 96 %"
    )
    assert "nothing is known" in sellers.said(sellers.share(0, 0))
    assert "bear no trend" in sellers.said_trend(sellers.trend([False, True] * 4))
    assert np.all([word not in sellers.said(sellers.share(4, 4)) for word in ("fake", "fraud", "counterfeit")])
