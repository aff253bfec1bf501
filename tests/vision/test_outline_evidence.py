"""What is seen at an outline moves its score the way physics says."""

import numpy as np
import pytest

from vision.evidence import View, measured
from vision.geometry import Corners
from vision.side_lines import Fit

TOP = np.array([[100.0, 100.0], [300.0, 100.0], [300.0, 180.0], [100.0, 180.0]])


def line(left: float, right: float, y: float = 140.0, high: float = 16.0) -> Corners:
    """A level line of print by its ends and middle."""
    return np.array([[left, y - high / 2], [right, y - high / 2], [right, y + high / 2], [left, y + high / 2]])


def score(*texts: Corners) -> float:
    """Of a top whose sides all show, with these lines of print in the picture."""
    grey = np.full((300, 500), 60, np.float32)
    lab = np.dstack([grey, np.full_like(grey, 128), np.full_like(grey, 128)]).astype(np.float32)
    every = (1.0, 1.0, 1.0, 1.0)
    fit = Fit(TOP, shown=every, within=every, beyond=(0.0, 0.0, 0.0, 0.0), even=1.0)
    return measured(View(grey, lab, lab, texts, ()), fit)[1].score


def test_a_side_through_a_line_of_print_speaks_against_an_outline() -> None:
    within = score(line(130, 270))
    for cut in (line(220, 360), line(170, 320), line(60, 250), np.roll(line(220, 360), 1, axis=0)):
        assert score(line(130, 270), cut) < within


@pytest.mark.parametrize("beside", [line(310, 450), line(200, 302), line(120, 280, y=210), line(296, 312)])
def test_print_that_ends_at_a_side_or_stands_elsewhere_does_not(beside: Corners) -> None:
    assert score(line(130, 270), beside) >= score(line(130, 270))
