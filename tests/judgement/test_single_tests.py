"""Tests of many pieces at once: the same as asking for each, and as every piece and every case summed by itself."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tracker.judgement import next_test
from tracker.judgement.bundles import Bundles, Trial
from tracker.judgement.costs import Costs
from tracker.judgement.lot_belief import LotBelief
from tracker.judgement.lots import belief
from tracker.judgement.next_test import Item, channel, outcomes, worth
from tracker.judgement.single_tests import worth_of_each

COSTS = Costs(fit_bad=120.0, reject_good=15.0, minute=0.5, source="test")
CHANNELS = [channel(16.5, -3.8, 0.05), channel(8.1, -3.6, 0.2), channel(-4.0, 3.0), channel(100.0, -100.0)]
SAME = 1e-12


@st.composite
def lots(draw: st.DrawFn) -> LotBelief:
    """Draw a lot; pieces like each other are frequent, and most have something that speaks of them alone."""
    family = {"settled": st.sampled_from([-12.0, 9.0]), "electrical": st.sampled_from([-3.8, 8.1, 16.5])}
    looks = {"surface": st.one_of(st.sampled_from([0.0, -2.5, 6.0]), st.floats(-15, 15))}
    pieces = draw(st.lists(st.fixed_dictionaries({}, optional=family | looks), min_size=1, max_size=12))
    return belief(draw(st.floats(0.02, 0.6)), pieces)


def subset(lot: LotBelief) -> st.SearchStrategy[list[int]]:
    """Draw some pieces of a lot."""
    return st.sets(st.integers(0, lot.evidence.size - 1), min_size=1).map(sorted)


def some_tests(lot: LotBelief) -> st.SearchStrategy[list[Item]]:
    """Draw up to five tests on pieces of a lot."""
    one = st.tuples(st.integers(0, lot.evidence.size - 1), st.sampled_from(CHANNELS))
    return st.lists(one, min_size=1, max_size=5)


def plain_after(lot: LotBelief, news: np.ndarray) -> np.ndarray:
    """Return every piece's probability in every case, piece by piece and node by node."""
    p, moved = lot._nodes[0], lot.evidence + news
    mixed = 1.0 - p + p * np.exp(moved)[:, :, np.newaxis]
    weights = np.exp(lot._nodes[1]) * mixed.prod(axis=1)
    bad = p * np.exp(moved)[:, :, np.newaxis] / mixed
    shared = (weights[:, np.newaxis] * bad).sum(axis=2) / weights.sum(axis=1)[:, np.newaxis]
    return shared * np.exp(lot.private) / (1.0 - shared + shared * np.exp(lot.private))


def plain_worth(lot: LotBelief, items: list[Item], still_open: list[int], *, drawn: bool = False) -> float:
    """Return what standing by today's decisions costs beside the better ones, over all cases and open pieces."""
    after = outcomes(lot, items, still_open, drawn=drawn)
    then, now = after.probability[:, still_open], lot.marginals()[still_open]
    by_today = np.where(now >= COSTS.threshold, (1.0 - then) * COSTS.reject_good, then * COSTS.fit_bad)
    return float(after.chance @ (by_today - COSTS.loss(then)).sum(axis=1))


@settings(deadline=None, max_examples=60)
@given(st.data(), lots())
def test_what_each_test_is_worth_alone(data: st.DataObject, lot: LotBelief) -> None:
    still_open = data.draw(subset(lot))
    items = [(piece, test) for piece in range(lot.evidence.size) for test in CHANNELS]
    found = worth_of_each(lot, items, still_open, COSTS)
    each = [worth(lot, [one], still_open, COSTS) for one in items]
    plain = [plain_worth(lot, [one], still_open) for one in items]
    assert found == pytest.approx(each, rel=SAME, abs=SAME * COSTS.fit_bad)
    assert found == pytest.approx(plain, rel=SAME, abs=SAME * COSTS.fit_bad)


@settings(deadline=None, max_examples=60)
@given(st.data(), lots(), st.booleans())
def test_pieces_that_are_alike_are_worked_out_once(data: st.DataObject, lot: LotBelief, drawn: bool) -> None:
    items, still_open = data.draw(some_tests(lot)), data.draw(subset(lot))
    found, plain = (one(lot, items, still_open, drawn=drawn) for one in (by_the_program, plain_worth))
    assert found == pytest.approx(plain, rel=SAME, abs=SAME * COSTS.fit_bad)


def by_the_program(lot: LotBelief, items: list[Item], still_open: list[int], *, drawn: bool) -> float:
    return worth(lot, items, still_open, COSTS, drawn=drawn)


@settings(deadline=None, max_examples=60)
@given(st.data(), lots())
def test_beliefs_after_news_piece_by_piece(data: st.DataObject, lot: LotBelief) -> None:
    row = st.lists(st.sampled_from([0.0, 0.0, -0.9, 3.8, 1.5]), min_size=lot.evidence.size, max_size=lot.evidence.size)
    news = np.array(data.draw(st.lists(row, min_size=1, max_size=4)))
    assert lot.after(news)[1] == pytest.approx(plain_after(lot, news), rel=1e-10, abs=SAME)
    assert lot.marginals() == pytest.approx(plain_after(lot, np.zeros((1, lot.evidence.size)))[0], rel=1e-10, abs=SAME)


def test_a_test_that_changes_nothing_is_worth_exactly_nothing() -> None:
    """Rounding must not put one such test before another."""
    lot = belief(0.0001, [{"surface": -0.1 * piece} for piece in range(40)])
    items = [(piece, CHANNELS[1]) for piece in range(40)]
    assert worth_of_each(lot, items, range(40), COSTS).tolist() == [0.0] * 40


def test_what_is_drawn_does_not_change_with_the_way_it_is_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    """The numbers drawn for all pieces are kept, and those that follow are the ones that would have followed."""
    lot = belief(0.2, [{"surface": 0.3 * piece} for piece in range(9)])
    rng = np.random.default_rng(next_test._SEED)
    first, then = rng.random((500, 9)), rng.random(500)
    again = np.random.default_rng(next_test._SEED)
    again.bit_generator.advance(500 * 9)
    assert (next_test._evenly(500, 9) == first).all()
    assert (again.random(500) == then).all()
    monkeypatch.setattr(next_test, "EXACT_CASES", 2)
    assert worth(lot, [(3, CHANNELS[0])], range(9), COSTS) == worth(lot, [(3, CHANNELS[0])], range(9), COSTS)


# --- choosing among many ----------------------------------------------------------------------------------------------

TRIALS = [Trial(name, CHANNELS[0], setup, each) for name, setup, each in (("a", 10, 2), ("b", 0, 3), ("c", 5, 40))]
STEPS = st.lists(st.tuples(st.integers(0, 3), st.sampled_from(TRIALS)), min_size=1, max_size=3).map(tuple)


@given(
    st.lists(st.tuples(STEPS, st.one_of(st.just(6.0), st.floats(0, 50)))),
    st.sampled_from([0.0, 0.5, 2.0]),
    st.sampled_from([None, 4.0, 15.0, 60.0]),
    st.sets(st.sampled_from("abc")),
    st.lists(st.tuples(st.integers(0, 3), st.sampled_from(TRIALS)), max_size=2),
)
def test_the_best_bundle_is_the_one_a_plain_search_finds(
    bundles: list[tuple[tuple[tuple[int, Trial], ...], float]],
    minute: float,
    left: float | None,
    stands: set[str],
    done: list[tuple[int, Trial]],
) -> None:
    made = Bundles(bundles)
    for piece, trial in done:
        made.drop(piece, trial.test)
    best: tuple[float, int] | None = None
    gone = {(piece, trial.test) for piece, trial in done}
    for place, (steps, saves) in enumerate(bundles):
        set_up = {trial.test: trial.setup_min for _, trial in steps if trial.test not in stands}
        minutes = sum(trial.piece_min for _, trial in steps) + sum(set_up.values())
        fits = saves > minutes * minute + 1e-9 and (left is None or minutes <= left)
        is_left = not gone & {(piece, trial.test) for piece, trial in steps}
        if fits and is_left and (best is None or saves / minutes > best[0]):
            best = (saves / minutes, place)
    assert made.best(minute, left, stands) == best
    assert not done or not made.fresh.any()
