"""Pieces of one lot: the Beta-binomial against SciPy, published rules, and summing over every possibility."""

from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import special, stats

from tracker.judgement.lot_belief import LotBelief
from tracker.judgement.lot_view import view
from tracker.judgement.lots import LotRule, belief, lot_rule, own_evidence, shared_evidence
from tracker.judgement.suspicion import combine, odds_to_probability, probability_to_db
from tracker.judgement.weighing import Weighed

SURE = 60.0
"""Decibans that leave no doubt."""
EACH_FOR_ITSELF = LotRule(concentration=0.5, bench=0.0, settled=0.0, source="test")
decibans = st.floats(-20, 20)
priors = st.floats(0.005, 0.6)


def hard(bad: float, good: float, evidence: np.ndarray) -> LotBelief:
    return LotBelief(bad, good, evidence, np.zeros(evidence.size))


@pytest.mark.parametrize(
    ("pieces", "bad", "good"),
    [(1, 0.5, 0.5), (5, 0.075, 0.425), (12, 0.0025, 0.4975), (40, 2.0, 3.0), (300, 0.05, 0.45)],
)
def test_with_no_evidence_the_number_bad_is_scipys_beta_binomial(pieces: int, bad: float, good: float) -> None:
    found = hard(bad, good, np.zeros(pieces)).number_bad()
    assert found == pytest.approx(stats.betabinom(pieces, bad, good).pmf(np.arange(pieces + 1)), abs=1e-8)


@pytest.mark.parametrize(("pieces", "tested", "failed"), [(8, 3, 1), (20, 5, 0), (20, 5, 5)])
def test_settled_pieces_leave_scipys_beta_binomial_for_the_rest(pieces: int, tested: int, failed: int) -> None:
    # Conjugacy: the rest is Beta-binomial with the counts added (SciPy is the outside truth).
    settled = np.array([1.0] * failed + [-1.0] * (tested - failed)) * 40
    lot = hard(0.1, 0.4, np.concatenate([settled, np.zeros(pieces - tested)]))
    rest = stats.betabinom(pieces - tested, 0.1 + failed, 0.4 + tested - failed)
    found = lot.number_bad(range(tested, pieces))
    assert found == pytest.approx(rest.pmf(np.arange(pieces - tested + 1)), abs=1e-9)


def test_laplaces_rule_of_succession_and_broads_for_a_finite_lot() -> None:
    # With a flat prior, after n good ones the next is good with (n + 1) / (n + 2) (Laplace), and all of N are good with
    # (n + 1) / (N + 1) (C. D. Broad, Mind 27 (1918) 389-404; H. Jeffreys, Theory of Probability, 3.2). MEMORY.
    lot = hard(1.0, 1.0, np.array([-40.0] * 6 + [0.0] * 4))
    assert 1 - lot.marginals()[-1] == pytest.approx(7 / 8)
    assert lot.number_bad()[0] == pytest.approx(7 / 11)


@settings(max_examples=40, deadline=None)
@given(st.lists(decibans, min_size=1, max_size=7), priors)
def test_marginals_and_number_bad_are_the_sums_over_every_possibility(evidence: list[float], prior: float) -> None:
    lot = belief(prior, [{"electrical": one} for one in evidence], EACH_FOR_ITSELF)
    total, each, number = 0.0, np.zeros(len(evidence)), np.zeros(len(evidence) + 1)
    for bad in product((0, 1), repeat=len(evidence)):
        k = sum(bad)
        chance = np.exp(special.betaln(lot.bad + k, lot.good + len(bad) - k)) * 10 ** (np.dot(bad, evidence) / 10)
        total, each = total + chance, each + chance * np.array(bad)
        number[k] += chance
    assert lot.marginals() == pytest.approx(each / total, abs=1e-10)
    assert lot.number_bad() == pytest.approx(number / total, abs=1e-10)


@given(decibans, priors)
def test_a_piece_alone_in_its_lot_has_prior_and_evidence_and_nothing_else(evidence: float, prior: float) -> None:
    alone = belief(prior, [{"electrical": evidence}])
    assert alone.marginals()[0] == pytest.approx(odds_to_probability(probability_to_db(prior) + evidence))
    untold = belief(prior, [{"electrical": evidence}, {}, {}])
    assert untold.marginals()[0] == pytest.approx(alone.marginals()[0])


@settings(max_examples=30, deadline=None)
@given(st.permutations(list(range(6))), st.lists(decibans, min_size=6, max_size=6))
def test_the_order_of_the_pieces_does_not_matter(order: list[int], evidence: list[float]) -> None:
    pieces = [{"electrical": one, "text": -one / 3} if nth % 2 else {"text": one} for nth, one in enumerate(evidence)]
    found = belief(0.1, pieces).marginals()
    moved = belief(0.1, [pieces[index] for index in order]).marginals()
    assert moved == pytest.approx(found[order], abs=1e-12)


def from_siblings(prior: float, siblings: list[dict[str, float]], own: dict[str, float] | None = None) -> float:
    return float(belief(prior, [*siblings, own or {}]).siblings_db()[-1])


def test_siblings_say_nothing_when_nothing_is_known_of_them_and_move_with_what_is() -> None:
    assert from_siblings(0.15, []) == pytest.approx(0.0, abs=1e-9)
    assert from_siblings(0.15, [{}, {}]) == pytest.approx(0.0, abs=1e-9)
    assert from_siblings(0.15, [{"text": 30.0, "surface": 9.0}]) == pytest.approx(0.0, abs=1e-9)  # looks say nothing
    one_bad, one_good = from_siblings(0.15, [{"settled": SURE}]), from_siblings(0.15, [{"settled": -SURE}])
    # By hand: E[p | one bad] = (a + 1) / (c + 1) with a = 0.075, c = 0.5; E[p | one good] = a / (c + 1).
    assert one_bad == pytest.approx(probability_to_db(1.075 / 1.5) - probability_to_db(0.15), abs=1e-3)
    assert one_good == pytest.approx(probability_to_db(0.075 / 1.5) - probability_to_db(0.15), abs=1e-3)
    more = [from_siblings(0.15, [{"settled": SURE}] * bad) for bad in range(1, 6)]
    assert more == sorted(more)


@given(decibans, decibans, priors)
def test_what_a_piece_itself_shows_is_never_told_by_its_siblings(own: float, looks: float, prior: float) -> None:
    assert from_siblings(prior, [{}, {}], {"electrical": own, "text": looks}) == pytest.approx(0.0, abs=1e-6)
    told = from_siblings(prior, [{"settled": 20.0}, {}], {"settled": own, "text": looks})
    assert told == pytest.approx(from_siblings(prior, [{"settled": 20.0}, {}]), abs=1e-6)


@settings(max_examples=40, deadline=None)
@given(st.lists(st.tuples(decibans, decibans), min_size=1, max_size=6), priors)
def test_a_sum_of_prior_siblings_and_own_evidence_is_the_marginal(
    pieces: list[tuple[float, float]], prior: float
) -> None:
    told = [{"electrical": bench, "surface": looks} for bench, looks in pieces]
    found = belief(prior, told)
    for index, one in enumerate(told):
        total = probability_to_db(prior) + float(found.siblings_db()[index]) + sum(one.values())
        assert found.marginals()[index] == pytest.approx(odds_to_probability(total), abs=1e-9)
    # Chances of several pieces together keep each one's probability.
    assert found.given_fraction @ found.fraction_weights == pytest.approx(found.marginals(), abs=1e-6)
    assert found.number_bad() @ np.arange(len(told) + 1) == pytest.approx(found.marginals().sum(), abs=1e-5)


def test_what_only_some_pieces_show_counts_with_those() -> None:
    # By hand, alike 0.5: of 10, 4 and -3 the two that speak one way share 4 (4 / 1.5 each); 6 are the first's own.
    rule = LotRule(concentration=0.5, bench=0.5, settled=0.0, source="test")
    assert shared_evidence([{"heat": 10.0}, {"heat": 4.0}, {"heat": -3.0}, {}], rule) == pytest.approx(
        [6 + 4 / 1.5, 4 / 1.5, -3, 0]
    )


@given(st.lists(decibans, min_size=1, max_size=8), st.floats(0, 1))
def test_shared_evidence_neither_turns_nor_grows_and_keeps_its_order(values: list[float], alike: float) -> None:
    rule = LotRule(concentration=0.5, bench=alike, settled=0.0, source="test")
    found = shared_evidence([{"heat": one} for one in values], rule)
    assert np.all(np.abs(found) <= np.abs(values) + 1e-9)
    assert np.all(found * np.array(values) >= -1e-9)
    assert np.all(np.diff(found[np.argsort(values)]) >= -1e-9)


def test_many_bench_verdicts_of_one_jig_are_worth_two_pieces_at_most() -> None:
    one, many = (belief(0.1, [{"electrical": -4.0}] * count).evidence.sum() for count in (1, 40))
    assert 1.9 < many / one <= 1 / lot_rule().bench


def test_own_evidence_is_the_sum_without_the_prior() -> None:
    items = [
        Weighed("bench-current-fail", "electrical", 16.5, "failed"),
        Weighed("surface-sanded", "surface", 9.0, "sanded"),
    ]
    found = combine(-8.0, items)
    own = own_evidence(found)
    assert sum(own.values()) == pytest.approx(found.total_db + 8.0)
    assert own == pytest.approx({"electrical": 16.5, "surface": 9.0})


def test_the_view_of_a_lot_and_its_intervals() -> None:
    lot = belief(0.15, [{"settled": -SURE}, {"settled": -SURE}, {"settled": -SURE}, {}, {}])
    seen = view(lot, [3, 4])
    rest = stats.betabinom(2, 0.075, 0.425 + 3)  # SciPy
    assert seen.open_all_good == pytest.approx(rest.pmf(0), abs=1e-6)
    assert seen.open_bad == pytest.approx(rest.mean(), abs=1e-5)
    assert (seen.open_bad_low, seen.open_bad_high) == rest.interval(0.95)
    assert (seen.fraction_low, seen.fraction_high) == (0.0, rest.ppf(0.975) / 5)
    untested = view(belief(0.15, [{}] * 5), range(5))
    assert untested.fraction == pytest.approx(0.15)
    assert (untested.fraction_low, untested.fraction_high) == (0.0, 1.0)
