"""Straight lines by medians, against SciPy's Theil-Sen estimator."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import theilslopes

from vision.top_edges import _median_line


# SciPy takes the root of a negative variance of pairs where most points have one x.
@pytest.mark.filterwarnings("ignore::RuntimeWarning")
@settings(max_examples=50, deadline=None)
@given(st.lists(st.tuples(st.integers(-50, 50), st.integers(-50, 50)), min_size=2, max_size=24))
def test_the_median_line_is_scipy_s(points: list[tuple[int, int]]) -> None:
    x, y = np.array(points, float).T
    if np.ptp(x) == 0:
        return
    slope, start = _median_line(x, y)
    wanted = theilslopes(y, x, method="joint")
    assert (slope, start) == pytest.approx((wanted.slope, wanted.intercept), abs=1e-9)


def test_a_quarter_of_the_points_far_off_moves_it_little() -> None:
    """Least squares (numpy.polyfit) is drawn away by what the median line leaves aside."""
    x = np.arange(24.0)
    y = 3.0 + 0.25 * x
    y[::4] += 40.0
    slope, start = _median_line(x, y)
    assert (slope, start) == pytest.approx((0.25, 3.0), abs=1e-9)
    assert np.polyval(np.polyfit(x, y, 1), 12.0) > 3.0 + 0.25 * 12.0 + 5.0
