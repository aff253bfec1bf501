"""Which tests come next: time, set-ups, claim windows, and when to stop."""

from dataclasses import replace

import pytest

from tracker.judgement.bench_order import LotAtBench, first, meaning, only, plan
from tracker.judgement.bundles import Trial
from tracker.judgement.costs import Costs
from tracker.judgement.lots import belief
from tracker.judgement.next_test import SILENT, Channel, channel, worth

COSTS = Costs(fit_bad=120.0, reject_good=15.0, minute=0.5, source="test")
QUICK = Trial("current", channel(16.5, -3.8, 0.05), 10.0, 2.0)
SLOW = Trial("in-circuit", channel(8.1, -3.6, 0.05), 10.0, 40.0)


def lot_of(
    pieces: int, *trials: Trial, prior: float = 0.1, label: str = "L0001", part: str = "CV6522", days: int | None = None
) -> LotAtBench:
    every = tuple(range(pieces))
    return LotAtBench(
        lot=label,
        part=part,
        belief=belief(prior, [{}] * pieces),
        labels=tuple(f"{label}-{index + 1:02d}" for index in every),
        still_open=every,
        trials=dict.fromkeys(every, trials),
        days_left=days,
    )


def test_the_quick_test_that_tells_more_comes_first() -> None:
    steps = plan([lot_of(4, SLOW, QUICK)], COSTS)
    assert steps[0].trial.test == "current"
    assert [step.minutes for step in steps if step.trial.test == "current"] == [12.0, 2.0, 2.0, 2.0]


def test_what_is_chosen_is_worth_its_minutes_and_saves_what_it_is_worth() -> None:
    lot = lot_of(4, SLOW, QUICK)
    steps = plan([lot], COSTS)
    items = [(step.piece, step.trial.channel) for step in steps]
    assert sum(step.saves for step in steps) == pytest.approx(worth(lot.belief, items, lot.still_open, COSTS))
    assert sum(step.saves for step in steps) > COSTS.minute * sum(step.minutes for step in steps)


def test_no_test_is_chosen_when_none_is_worth_its_time() -> None:
    assert plan([lot_of(3, QUICK, prior=0.0001)], COSTS) == ()
    assert first(lot_of(3, QUICK, prior=0.0001), COSTS) is None
    assert plan([lot_of(3, QUICK)], replace(COSTS, minute=1000.0)) == ()
    assert plan([lot_of(3)], COSTS) == ()
    assert plan([], COSTS) == ()
    assert plan([lot_of(3, replace(QUICK, channel=SILENT))], COSTS) == ()


@pytest.mark.parametrize("minutes", [1.0, 12.0, 14.0, 35.0, 90.0])
def test_the_minutes_are_kept(minutes: float) -> None:
    steps = plan([lot_of(5, SLOW, QUICK), lot_of(5, QUICK, label="L0002", part="CV7001")], COSTS, minutes=minutes)
    assert sum(step.minutes for step in steps) <= minutes
    assert bool(steps) == (minutes >= 12.0)


def test_a_set_up_serves_all_lots_of_one_part() -> None:
    steps = plan([lot_of(2, QUICK), lot_of(2, QUICK, label="L0002")], COSTS)
    assert sorted(step.minutes for step in steps) == [2.0, 2.0, 2.0, 12.0]
    others = plan([lot_of(2, QUICK), lot_of(2, QUICK, label="L0002", part="CV7001")], COSTS)
    assert sorted(step.minutes for step in others) == [2.0, 2.0, 12.0, 12.0]
    stands = plan([lot_of(2, QUICK)], COSTS, ready=[("CV6522", "current")])
    assert [step.minutes for step in stands] == [2.0, 2.0]


def test_at_equal_worth_the_window_that_closes_first_comes_first() -> None:
    lots = [
        lot_of(3, QUICK, label=f"L000{number}", part=f"CV{number}", days=days)
        for number, days in enumerate([None, 9, 2, -1], start=1)
    ]
    order = list(dict.fromkeys(lots[step.lot].lot for step in plan(lots, COSTS)))
    assert order[:2] == ["L0003", "L0002"]
    # A window does not buy time for what is worth much less: the declared tenth is the limit.
    late, poor = lot_of(3, QUICK, prior=0.1), lot_of(3, QUICK, prior=0.01, label="L0009", part="CV9", days=0)
    assert plan([poor, late], COSTS)[0].lot == 1


def test_where_one_result_changes_no_decision_several_together_are_looked_at() -> None:
    lot = lot_of(5, QUICK, prior=0.3)
    assert worth(lot.belief, [(0, QUICK.channel)], lot.still_open, COSTS) == pytest.approx(0.0, abs=1e-9)
    assert len(plan([lot], COSTS)) > 1
    # The same for one piece and several tests.
    other = replace(QUICK, test="clock", setup_min=0.0)
    alone = lot_of(1, replace(QUICK, setup_min=0.0), other, prior=0.22)
    assert {step.trial.test for step in plan([alone], COSTS)} == {"current", "clock"}


def test_a_piece_alone_is_tested_for_its_lot_too() -> None:
    lot = only(lot_of(5, QUICK), 2)
    steps = plan([lot], COSTS)
    assert [step.piece for step in steps] == [2]
    assert steps[0].saves == pytest.approx(worth(lot.belief, [(2, QUICK.channel)], lot.still_open, COSTS))
    assert only(lot, 0).trials == {}


def test_what_the_outcomes_would_mean() -> None:
    lot = lot_of(3, QUICK)
    told = meaning(lot, 0, QUICK.channel, COSTS)
    assert told.now == pytest.approx(0.1)
    # By hand: odds 1/9 times 10^1.65 and 10^-0.38.
    assert told.if_fail == pytest.approx(1 / (1 + 9 * 10**-1.65))
    assert told.if_pass == pytest.approx(1 / (1 + 9 * 10**0.38))
    assert (told.decision_now, told.decision_if_fail, told.decision_if_pass) == ("accept", "reject", "accept")
    assert told.siblings_if_pass < told.siblings_now < told.siblings_if_fail
    # All that can happen adds up to what is thought now.
    passes = 0.95 - told.fails
    assert told.fails * told.if_fail + passes * told.if_pass + 0.05 * told.now == pytest.approx(0.1)
    alone = meaning(lot_of(1, QUICK), 0, QUICK.channel, COSTS)
    assert (alone.siblings_now, alone.siblings_if_fail, alone.siblings_if_pass) == (None, None, None)


def test_the_order_of_lots_and_pieces_does_not_change_what_is_saved() -> None:
    lots = [
        lot_of(3, QUICK, SLOW),
        lot_of(2, QUICK, prior=0.15, label="L0002", part="CV7"),
        lot_of(1, SLOW, label="L3"),
    ]
    saved = sum(step.saves for step in plan(lots, COSTS, minutes=60))
    assert sum(step.saves for step in plan(lots[::-1], COSTS, minutes=60)) == pytest.approx(saved)


def test_undecided_tests_are_worth_less() -> None:
    sure, unsure = (Channel(3.8, -0.87, 0.013, lost) for lost in (0.0, 0.5))
    lot = lot_of(2, QUICK)
    assert worth(lot.belief, [(0, unsure)], (0, 1), COSTS) < worth(lot.belief, [(0, sure)], (0, 1), COSTS)
