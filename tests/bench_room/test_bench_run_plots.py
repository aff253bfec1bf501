"""Plots of kept runs: the same run gives the same bytes, and what must be seen is there."""

import pytest

from tracker.bench.run_plots import ClockDrawn, CurrentDrawn, CurrentPoint, clock_plot, current_plot

CURRENT = CurrentDrawn(
    points=[CurrentPoint(1e6, 0.0121, 0.0002), CurrentPoint(2e6, 0.013, None)],
    line=(0.0112, 9e-10),
    limit_a=0.015,
    limit_at_hz=2e6,
    guard_a=0.0004,
)
CLOCK = ClockDrawn([(1e6, True), (2e6, True), (3e6, False)], 2.5e6, 2.0e6, 3.0e6, 2e6, 2.1e6)


@pytest.mark.parametrize("kind", ["svg", "png"])
def test_same_run_same_bytes(kind):
    assert current_plot(CURRENT, kind=kind) == current_plot(CURRENT, kind=kind)
    assert clock_plot(CLOCK, kind=kind) == clock_plot(CLOCK, kind=kind)


def test_they_are_pictures_without_script_date_or_outside_address():
    for picture in (current_plot(CURRENT), clock_plot(CLOCK)):
        assert picture.startswith(b"<?xml")
        assert b"<script" not in picture
        assert b"<dc:date>" not in picture
        assert b'href="http' not in picture


@pytest.mark.parametrize(
    "drawn",
    [
        CurrentDrawn([CurrentPoint(0.0, 0.0, None)]),
        CurrentDrawn([CurrentPoint(1e6, 1e-9, 1e-9)], limit_a=1.0),
        CurrentDrawn([CurrentPoint(1e6, 0.01, None)], line=(0.02, -1e-9)),
    ],
)
def test_odd_currents_are_drawn_as_well(drawn):
    assert current_plot(drawn).startswith(b"<?xml")


@pytest.mark.parametrize("passed", [True, False])
def test_one_step_is_enough(passed):
    assert clock_plot(ClockDrawn([(1e6, passed)])).startswith(b"<?xml")
