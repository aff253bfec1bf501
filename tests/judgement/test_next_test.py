"""What a bench test is worth: against sums by hand, and what must hold whatever the numbers."""

from fractions import Fraction
from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import special

from tracker.judgement import next_test
from tracker.judgement.costs import Costs, declared_costs
from tracker.judgement.lot_belief import LotBelief
from tracker.judgement.lots import belief
from tracker.judgement.next_test import SILENT, Channel, added_db, channel, loss_now, outcomes, remains, worth
from tracker.judgement.suspicion import combine
from tracker.judgement.weighing import Weighed
from tracker.judgement.weights import families

COSTS = Costs(fit_bad=120.0, reject_good=15.0, minute=0.5, source="test")
CURRENT = channel(16.5, -3.8, 0.05)
decibans = st.floats(-15, 15)
fails, passes = st.floats(0.5, 25), st.floats(-12, -0.5)


def lot_of(*evidence: float, prior: float = 0.15) -> LotBelief:
    return belief(prior, [{"settled": one} if one else {} for one in evidence])


def test_one_piece_by_hand() -> None:
    # By hand, in fractions. Prior 1/4 bad. Of bad pieces 3/5 fail, of good ones 1/10. Fitting a bad one costs 120,
    # rejecting a good one 20. Now: fit 30, reject 15 -> 15. Fail: 3/20 bad, 3/40 good; pass: 2/20 bad, 27/40 good.
    # After fail: min(18, 3/2) = 3/2; after pass: min(12, 27/2) = 12. Worth: 15 - 13.5 = 3/2.
    bad, good = Fraction(1, 4), Fraction(3, 4)
    fail = min(bad * Fraction(3, 5) * 120, good * Fraction(1, 10) * 20)
    passing = min(bad * Fraction(2, 5) * 120, good * Fraction(9, 10) * 20)
    by_hand = min(bad * 120, good * 20) - fail - passing
    assert by_hand == Fraction(3, 2)
    test = channel(10 * np.log10(6), 10 * np.log10(4 / 9))
    assert test.fails_genuine == pytest.approx(0.1)
    assert test.fails_bad() == pytest.approx(0.6)
    assert worth(lot_of(0.0, prior=0.25), [(0, test)], [0], Costs(120, 20, 0.5, "")) == pytest.approx(float(by_hand))


def test_a_perfect_test_is_worth_all_of_the_expected_loss() -> None:
    # The expected value of perfect information (Raiffa and Schlaifer 1961, chapter 4; MEMORY).
    lot = lot_of(0.0, 0.0, 0.0)
    perfect = channel(100.0, -100.0)
    found = worth(lot, [(piece, perfect) for piece in range(3)], range(3), COSTS)
    assert found == pytest.approx(loss_now(lot, range(3), COSTS), abs=1e-6)


def brute(lot: LotBelief, items: list[tuple[int, Channel]], costs: Costs) -> float:
    """Return the worth of tests summed over every state of the lot and every outcome: no quadrature, no groups."""
    size = lot.evidence.size
    states = [np.array(one) for one in product((0, 1), repeat=size)]
    prior = np.array(
        [np.exp(special.betaln(lot.bad + s.sum(), lot.good + size - s.sum()) + s @ lot.evidence) for s in states]
    )
    prior /= prior.sum()

    def loss(chances: np.ndarray) -> float:
        bad = sum(chance * state for chance, state in zip(chances, states, strict=True))
        return float(np.minimum(bad * costs.fit_bad, (chances.sum() - bad) * costs.reject_good).sum())

    after = 0.0
    for told in product(("fail", "pass", "undecided"), repeat=len(items)):
        chances = prior.copy()
        for (piece, test), verdict in zip(items, told, strict=True):
            bad_fails = test.fails_bad()
            chance = {
                "fail": (bad_fails, test.fails_genuine),
                "pass": (1 - bad_fails, 1 - test.fails_genuine),
                "undecided": (1.0, 1.0),
            }[verdict]
            decided = test.undecided if verdict == "undecided" else 1 - test.undecided
            chances *= decided * np.array([chance[0] if state[piece] else chance[1] for state in states])
        after += loss(chances)
    return loss(prior) - after


@settings(max_examples=25, deadline=None)
@given(st.lists(decibans, min_size=2, max_size=4), fails, passes, st.integers(1, 4))
def test_worth_is_the_sum_over_every_state_and_outcome(
    evidence: list[float], fail: float, passing: float, tests: int
) -> None:
    lot = lot_of(*evidence)
    test = channel(fail, passing, 0.1)
    items = [(number % len(evidence), test if number < 3 else CURRENT) for number in range(tests)]
    assert worth(lot, items, range(len(evidence)), COSTS) == pytest.approx(brute(lot, items, COSTS), abs=1e-8)


@settings(max_examples=40, deadline=None)
@given(st.lists(decibans, min_size=1, max_size=6), fails, passes, st.floats(0, 0.9), st.data())
def test_a_test_is_never_worth_less_than_nothing_and_beliefs_stay_on_average(
    evidence: list[float], fail: float, passing: float, undecided: float, data: st.DataObject
) -> None:
    lot, test = lot_of(*evidence), channel(fail, passing, undecided)
    pieces = data.draw(st.lists(st.integers(0, len(evidence) - 1), min_size=1, max_size=4, unique=True))
    found = outcomes(lot, [(piece, test) for piece in pieces], range(len(evidence)))
    assert found.chance.sum() == pytest.approx(1.0)
    # Interchangeable pieces are told apart by number only, so it is their sum that stays.
    assert (found.chance @ found.probability).sum() == pytest.approx(lot.marginals().sum(), abs=1e-9)
    after = float(found.chance @ COSTS.loss(found.probability).sum(axis=1))
    assert after <= loss_now(lot, range(len(evidence)), COSTS) + 1e-9


@given(st.lists(decibans, min_size=1, max_size=5), st.floats(0, 0.9))
def test_a_test_that_says_nothing_is_worth_nothing(evidence: list[float], undecided: float) -> None:
    lot = lot_of(*evidence)
    assert worth(lot, [(0, SILENT)], range(len(evidence)), COSTS) == pytest.approx(0.0, abs=1e-9)
    assert channel(0.0, -3.0, undecided) == SILENT
    never = Channel(CURRENT.fail_ln, CURRENT.pass_ln, CURRENT.fails_genuine, 1.0)
    assert worth(lot, [(0, never)], range(len(evidence)), COSTS) == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize(("fail", "passing"), [(5.0, 1.0), (-5.0, -1.0), (5.0, 0.0), (0.0, 0.0)])
def test_verdicts_that_both_speak_for_the_same_are_no_test(fail: float, passing: float) -> None:
    assert channel(fail, passing) == SILENT


@settings(max_examples=40, deadline=None)
@given(
    st.lists(decibans, min_size=1, max_size=4),
    st.floats(0.02, 0.3),
    st.floats(0.4, 0.9),
    st.floats(0.0, 1.0),
    st.floats(0.0, 0.5),
)
def test_a_more_accurate_test_is_never_worth_less(
    evidence: list[float], false_alarm: float, found: float, blur: float, undecided: float
) -> None:
    # The blurred test is the sharp one whose verdict is now and then thrown by a coin: less informative in Blackwell's
    # sense (D. Blackwell, Ann. Math. Stat. 24 (1953) 265-272; MEMORY), so never worth more.
    def made(genuine: float, bad: float, lost: float) -> Channel:
        return channel(10 * np.log10(bad / genuine), 10 * np.log10((1 - bad) / (1 - genuine)), lost)

    lot = lot_of(*evidence)
    sharp = worth(lot, [(0, made(false_alarm, found, 0.0))], range(len(evidence)), COSTS)
    mixed = [(1 - blur) * one + blur * 0.5 for one in (false_alarm, found)]
    assert worth(lot, [(0, made(mixed[0], mixed[1], 0.0))], range(len(evidence)), COSTS) <= sharp + 1e-9
    assert worth(lot, [(0, made(false_alarm, found, undecided))], range(len(evidence)), COSTS) <= sharp + 1e-9


@settings(max_examples=25, deadline=None)
@given(st.lists(decibans, min_size=3, max_size=5), st.permutations([0, 1, 2]))
def test_neither_the_order_of_pieces_nor_of_tests_matters(evidence: list[float], order: list[int]) -> None:
    items = [(0, CURRENT), (1, CURRENT), (2, channel(10.0, -4.0))]
    found = worth(lot_of(*evidence), items, range(len(evidence)), COSTS)
    assert worth(lot_of(*evidence), [items[index] for index in order], range(len(evidence)), COSTS) == pytest.approx(
        found, abs=1e-9
    )
    turned = lot_of(*reversed(evidence))
    last = len(evidence) - 1
    mirrored = [(last - piece, test) for piece, test in items]
    assert worth(turned, mirrored, range(len(evidence)), COSTS) == pytest.approx(found, abs=1e-9)


def test_testing_one_piece_is_worth_what_it_tells_of_its_siblings() -> None:
    alone, among = lot_of(0.0, prior=0.1), lot_of(0.0, 0.0, 0.0, 0.0, prior=0.1)
    one = worth(alone, [(0, CURRENT)], [0], COSTS)
    assert worth(among, [(0, CURRENT)], range(4), COSTS) > 2 * one
    # Where only that piece is still to be decided on, siblings add nothing.
    assert worth(among, [(0, CURRENT)], [0], COSTS) == pytest.approx(one)


def test_drawn_outcomes_agree_with_exact_ones(monkeypatch: pytest.MonkeyPatch) -> None:
    lot = lot_of(1.0, -2.0, 3.0, 0.0, 5.0, -4.0)
    items = [(piece, CURRENT) for piece in range(6)]
    exact = worth(lot, items, range(6), COSTS), remains(lot, items, range(6), COSTS)
    monkeypatch.setattr(next_test, "EXACT_CASES", 10)
    drawn = worth(lot, items, range(6), COSTS), remains(lot, items, range(6), COSTS)
    assert exact[1].exact
    assert not drawn[1].exact
    assert drawn[0] == pytest.approx(exact[0], rel=0.03)
    assert drawn[1].bad_accepted == pytest.approx(exact[1].bad_accepted, abs=0.02)


def test_after_testing_all_perfectly_no_bad_one_remains() -> None:
    lot, perfect = lot_of(0.0, 0.0, 0.0), channel(100.0, -100.0)
    before = remains(lot, [], range(3), Costs(15.0, 120.0, 0.5, ""))
    assert before.bad_accepted == pytest.approx(1 - lot.number_bad()[0])
    after = remains(lot, [(piece, perfect) for piece in range(3)], range(3), COSTS)
    assert after.bad_accepted == pytest.approx(0.0, abs=1e-9)
    assert after.loss == pytest.approx(0.0, abs=1e-6)
    assert after.rejected == pytest.approx(3 * 0.15)


def test_costs_say_from_where_on_rejecting_is_cheaper() -> None:
    assert COSTS.threshold == pytest.approx(1 / 9)
    assert (COSTS.decision(0.11), COSTS.decision(0.12)) == ("accept", "reject")
    assert "no source" in declared_costs().source


def test_a_verdict_adds_what_the_familys_cap_leaves_of_it() -> None:
    family = families()["electrical"]
    passes = [Weighed(f"bench-{number}-pass", "electrical", -3.9, "passed") for number in range(4)]
    assert added_db(combine(-8.0, passes[:1]), family, -3.8) == pytest.approx(-3.8)
    # Four passes are -15.6 db, of which the declared cap leaves -15.
    full = combine(-8.0, passes)
    assert family.cap_against == 15.0
    assert added_db(full, family, -3.8) == 0.0
    assert added_db(full, family, 16.5) == pytest.approx(15.9)
    assert channel(16.5, added_db(full, family, -3.8)) == SILENT
