"""Counts that settled pieces add: what they add up to, whom they leave out, and that their order does not matter."""

import random
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize, stats

from tracker.judgement.counts import ABSENT, CLEAR, OUTCOMES, SLIGHT, Counts
from tracker.judgement.learning import FOLDS, Experience, effective
from tracker.judgement.lesson import Lesson
from tracker.judgement.observed import Remark
from tracker.judgement.suspicion import combine, probability_to_db
from tracker.judgement.together import AS_DECLARED, LARGEST_FOUND, Seen, Together, fit
from tracker.judgement.weighing import weigh
from tracker.judgement.weights import declared, indicators, learning_rule

SANDED, COATED = "surface-sanded", "surface-coated"
CODES = (SANDED, COATED, "lettering-height-differs", "date-codes-differ", "bench-clock-fail", "bench-clock-pass")
D = learning_rule().declared_pieces


def lesson(piece: int, lot: int, bad: bool, outcome: str = CLEAR, before_db: float | None = None) -> Lesson:
    return Lesson(piece, lot, bad, {SANDED: outcome}, before_db)


LESSONS = st.lists(
    st.tuples(
        st.integers(1, 6),
        st.booleans(),
        st.dictionaries(st.sampled_from(CODES), st.sampled_from(OUTCOMES), max_size=len(CODES)),
        st.one_of(st.none(), st.floats(-20, 5)),
    ),
    max_size=14,
).map(lambda rows: tuple(Lesson(number, *row) for number, row in enumerate(rows, 1)))


def test_a_weight_is_bayes_theorem_with_the_posterior_of_scipy() -> None:
    """Three sanded of four bad lots, one of six good ones: the Dirichlet posterior's means, by scipy.stats."""
    lessons = [lesson(n, n, True, CLEAR if n < 3 else ABSENT) for n in range(4)]
    lessons += [lesson(n, n, False, CLEAR if n == 4 else ABSENT) for n in range(4, 10)]
    weights = Experience(tuple(lessons)).weights
    known = indicators()[SANDED]

    def mean(counts: Counts, seen: int, of: int) -> float:
        shares = [counts.of(one) / counts.total * D for one in OUTCOMES]
        posterior = stats.dirichlet([shares[0] + seen, shares[1], shares[2] + of - seen])
        return float(posterior.mean()[0])

    bad, good = mean(known.not_genuine, 3, 4), mean(known.genuine, 1, 6)
    prior = 0.2
    by_hand = prior * bad / (prior * bad + (1 - prior) * good)
    found = combine(probability_to_db(prior), weigh([Remark(SANDED, "", family="surface")], weights=weights))
    assert found.probability == pytest.approx(by_hand)
    basis = weights.basis(SANDED, CLEAR)
    assert (basis.settled, basis.lots, basis.declared) == (10, 10, D)
    assert basis.not_genuine_of == pytest.approx(D + 4)
    assert basis.not_genuine_seen == pytest.approx(0.3 * D + 3)


@pytest.mark.parametrize(("seen", "of"), [(0, 0), (9, 9), (3, 7)])
def test_laplace_s_rule_of_succession(seen: int, of: int) -> None:
    """P. S. Laplace (1774): after s of n, the next one with chance (s + 1) / (n + 2) [MEMORY]; one and one declared."""
    known = replace(indicators()[SANDED], not_genuine=Counts(1, 1), genuine=Counts(1, 1))
    start = replace(declared(), indicators={SANDED: known}, declared_pieces=2.0)
    lessons = tuple(lesson(n, n, True, CLEAR if n < seen else ABSENT) for n in range(of))
    weights = Experience(lessons, declared=start).weights
    basis = weights.basis(SANDED, CLEAR)
    assert basis.not_genuine_seen / basis.not_genuine_of == pytest.approx((seen + 1) / (of + 2))
    assert 10 ** (weights.weight_db(SANDED) / 10) == pytest.approx((seen + 1) / (of + 2) / 0.5)


def test_pieces_of_one_lot_are_hardly_more_than_two() -> None:
    # The design effect of L. Kish, "Survey Sampling" (1965), 5.4: n / (1 + (n - 1) rho); by hand, rho = 1/2.
    assert [effective(n, 0.5) for n in (0, 1, 2, 3, 20)] == pytest.approx([0, 1, 4 / 3, 3 / 2, 40 / 21])
    assert effective(20, 0.0) == 20
    assert effective(20, 1.0) == 1
    one_lot = Experience(tuple(lesson(n, 1, True) for n in range(20))).weights
    many = Experience(tuple(lesson(n, n, True) for n in range(20))).weights
    assert one_lot.taught[SANDED].not_genuine.present == pytest.approx(40 / 21)
    assert many.taught[SANDED].not_genuine.present == pytest.approx(20)
    assert declared().weight_db(SANDED) < one_lot.weight_db(SANDED) < many.weight_db(SANDED)


def test_a_mixed_lot_shares_its_worth() -> None:
    outcomes = [CLEAR, CLEAR, ABSENT, SLIGHT]
    taught = Experience(tuple(lesson(n, 1, True, one) for n, one in enumerate(outcomes))).weights.taught[SANDED]
    worth = effective(4, learning_rule().alike_in_lot)
    assert taught.not_genuine.present == pytest.approx(worth / 2)
    assert taught.not_genuine.slight == taught.not_genuine.absent == pytest.approx(worth / 4)
    assert (taught.pieces, taught.lots) == (4, 1)


@given(LESSONS, st.integers())
def test_the_order_of_settlements_does_not_matter(lessons: tuple[Lesson, ...], seed: int) -> None:
    shuffled = list(lessons)
    random.Random(seed).shuffle(shuffled)
    one, other = Experience(lessons).weights, Experience(tuple(shuffled)).weights
    assert one.taught == other.taught
    assert one.together.found == pytest.approx(other.together.found, abs=1e-9)
    assert one.together.in_vain == pytest.approx(other.together.in_vain, abs=1e-9)


@settings(deadline=None)
@given(LESSONS.filter(bool), st.data())
def test_a_piece_s_own_truth_is_not_in_its_own_weights(lessons: tuple[Lesson, ...], data: st.DataObject) -> None:
    own = data.draw(st.sampled_from(lessons))
    turned = tuple(replace(one, not_genuine=not one.not_genuine) if one is own else one for one in lessons)
    without = tuple(one for one in lessons if one is not own)
    seen = [Experience(some).without_piece(own.piece) for some in (lessons, turned, without)]
    for code in CODES:
        for outcome in OUTCOMES:
            counts = [[part.of(o) for part in w.counts(code, outcome) for o in OUTCOMES] for w in seen]
            assert counts[0] == pytest.approx(counts[1], abs=1e-9)
            assert counts[0] == pytest.approx(counts[2], abs=1e-9)
    assert seen[0].together == seen[1].together


@settings(deadline=None)
@given(LESSONS.filter(bool), st.data())
def test_a_lot_s_truths_are_not_in_its_weights(lessons: tuple[Lesson, ...], data: st.DataObject) -> None:
    lot = data.draw(st.sampled_from(lessons)).lot
    left, only = Experience(lessons).without_lot(lot), Experience(tuple(one for one in lessons if one.lot != lot))
    for code in CODES:
        for outcome in OUTCOMES:
            there = [part.of(o) for part in left.counts(code, outcome) for o in OUTCOMES]
            assert there == pytest.approx(
                [part.of(o) for part in only.weights.counts(code, outcome) for o in OUTCOMES], abs=1e-9
            )
        numbers, expected = left.taught.get(code), only.weights.taught.get(code)
        assert (numbers.pieces if numbers else 0) == (expected.pieces if expected else 0)
        assert (numbers.lots if numbers else 0) == (expected.lots if expected else 0)
    # What signs are worth together is fitted without that lot, and some others.
    assert left.together == Experience(tuple(o for o in lessons if o.lot % FOLDS != lot % FOLDS)).together


def test_settled_and_taken_back_is_as_if_never_said() -> None:
    lessons = tuple(lesson(n, n, n % 2 == 0, before_db=-5.0) for n in range(6))
    assert Experience(lessons[:-1]).weights == Experience((*lessons, lesson(9, 9, True))[:-2]).weights
    nothing = Experience(()).weights
    assert nothing == declared()
    assert nothing.version == declared().version
    assert Experience((), until=12).without_piece(1) == Experience((), until=12).without_lot(1) == declared()


def test_the_version_names_both_counts() -> None:
    assert Experience((lesson(1, 1, True),), until=7).weights.version == (
        f"{declared().version}, 1 settled piece up to entry 7"
    )
    assert Experience((lesson(1, 1, True), lesson(2, 1, True))).version.endswith(", 2 settled pieces")


def test_what_no_settled_piece_has_shown_keeps_its_declared_weight() -> None:
    lessons = [lesson(n, n, n < 10, ABSENT) for n in range(60)]
    weights = Experience(tuple(lessons)).weights
    assert weights.weight_db(SANDED) == declared().weight_db(SANDED)
    assert not weights.basis(SANDED, CLEAR).tried
    assert weights.absent_weight_db(SANDED) != declared().absent_weight_db(SANDED)
    # One that shows it is enough to try it.
    shown = Experience((*lessons, lesson(99, 99, False))).weights
    assert shown.weight_db(SANDED) < declared().weight_db(SANDED)
    assert shown.basis(SANDED, CLEAR).tried
    # And without that piece it is untried again.
    assert Experience((*lessons, lesson(99, 99, False))).without_piece(99).weight_db(SANDED) == pytest.approx(
        declared().weight_db(SANDED)
    )


def test_what_teaches_nothing() -> None:
    outcomes = {"no-such": CLEAR, "settled-genuine": CLEAR, "declared-exemplar": CLEAR, "markings-differ": SLIGHT}
    assert Experience((Lesson(1, 1, True, outcomes),)).weights.taught == {}


# --- signs together ---------------------------------------------------------------------------------------------------

SEEN = st.lists(
    st.builds(
        Seen,
        rest_db=st.floats(-25, 10),
        signs_db=st.floats(-5, 40),
        left_out_db=st.floats(-30, 2),
        not_genuine=st.booleans(),
        worth=st.floats(0.1, 1),
        lot=st.integers(1, 9),
    ),
    min_size=1,
    max_size=25,
)


@settings(deadline=None, max_examples=50)
@given(SEEN)
def test_the_shares_are_the_ones_that_scipy_finds(pieces: list[Seen]) -> None:
    import numpy as np

    x = np.array([[one.signs_db, one.left_out_db] for one in pieces]) * np.log(10) / 10
    offset = np.array([one.rest_db for one in pieces]) * np.log(10) / 10
    y, worth = np.array([one.not_genuine for one in pieces]), np.array([one.worth for one in pieces])

    def cost(shares: np.ndarray) -> float:
        z = offset + x @ shares
        losses = np.where(y, np.logaddexp(0, -z), np.logaddexp(0, z))
        return float(worth @ losses + 0.5 * np.sum((shares - [1, 0]) ** 2) / 0.5**2)

    bounds = [(0, LARGEST_FOUND), (0, 1)]
    best = optimize.minimize(cost, [1.0, 0.0], bounds=bounds, options={"ftol": 1e-15, "gtol": 1e-10})
    found = fit(pieces, 0.5)
    assert cost(np.array([found.found, found.in_vain])) <= best.fun + 1e-8
    assert [found.found, found.in_vain] == pytest.approx(list(best.x), abs=1e-3)


def test_nothing_settled_leaves_sums_as_declared() -> None:
    assert fit([], 0.5) == AS_DECLARED
    items = weigh([Remark(SANDED, "sanded", family="surface")], [COATED])
    assert combine(-5.0, items) == combine(-5.0, items, together=AS_DECLARED)


def test_the_line_of_signs_together_is_what_it_says() -> None:
    items = weigh([Remark(SANDED, "sanded", family="surface")], [COATED, "surface-old-mark"])
    plain = combine(-5.0, items)
    moved = combine(-5.0, items, together=Together(0.8, 0.5, 40, 12))
    line = next(one for one in moved.lines if one.kind == "together")
    left_out = declared().absent_weight_db(COATED) + declared().absent_weight_db("surface-old-mark")
    assert line.weight_db == pytest.approx(-0.2 * declared().weight_db(SANDED) + 0.5 * left_out)
    assert moved.total_db == pytest.approx(plain.total_db + line.weight_db)
    assert line.text == (
        "Learned from 40 settled pieces of 12 lots: together the signs above count 20 % less than they add up to, "
        "and what was not found and is left out above counts 50 % of its weight"
    )
    more = combine(-5.0, items, together=Together(1.034, 0.004, 3, 1))
    assert next(one.text for one in more.lines if one.kind == "together") == (
        "Learned from 3 settled pieces of 1 lot: together the signs above count 3 % more than they add up to, "
        "and what was not found and is left out above counts nothing"
    )


def test_bench_tests_are_no_signs() -> None:
    items = weigh(
        [Remark("bench-clock-fail", "", family="electrical"), Remark("settled-genuine", "", family="settled")]
    )
    assert combine(-5.0, items, together=Together(0.5, 0.5, 9, 9)).total_db == combine(-5.0, items).total_db
