"""Lots of known truth at a simulated bench; `make bench` (next-test) prints the same for 400 lots."""

import pytest
from next_test_simulation import bill, everything, lots_of, next_test

LEAST_SAVED = 0.3
"""Of the minutes that every test on every piece takes; the bar that was set for the choice of tests."""


@pytest.mark.parametrize("seed", [48, 49])
def test_choosing_tests_saves_bench_time_and_fits_no_more_bad_parts(seed: int) -> None:
    lots = lots_of(seed, number=60)
    every, chosen = bill(lots, everything), bill(lots, next_test)
    assert every.bad >= 20  # enough to be missed
    assert chosen.minutes <= (1 - LEAST_SAVED) * every.minutes
    assert chosen.bad_accepted <= every.bad_accepted
    # What time saves is not lost on wrong decisions.
    assert chosen.total < every.total
