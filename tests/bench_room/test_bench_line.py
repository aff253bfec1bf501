"""Straight lines against GUM H.3 and SciPy."""

import math

import numpy as np
import pytest
from scipy import optimize, stats

from tracker.bench import line
from tracker.errors import BadRequest

# GUM H.3, calibration of a thermometer, as quoted in GTC's documentation: readings t in C and corrections b in C
T = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
B = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]


def test_gum_h3_thermometer() -> None:
    found = line.fit([t - 20.0 for t in T], B)
    assert found.intercept == pytest.approx(-0.1712, abs=5e-5)
    assert found.intercept_se == pytest.approx(0.0029, abs=5e-5)
    assert found.slope == pytest.approx(0.00218, abs=5e-6)
    assert found.slope_se == pytest.approx(0.00067, abs=5e-6)
    assert found.correlation == pytest.approx(-0.93, abs=5e-3)
    assert found.residual_sd is not None
    assert found.residual_sd**2 * 9 == pytest.approx(1.10096583109e-4, rel=1e-9)
    assert found.at(10.0) == pytest.approx(-0.1494, abs=5e-5)  # b at 30 C
    assert found.se_at(10.0) == pytest.approx(0.0041, abs=5e-5)


def test_unweighted_is_scipys_regression() -> None:
    x = [0.5e6, 1e6, 2e6, 4e6]
    y = [1.21e-3, 2.05e-3, 4.2e-3, 8.05e-3]
    found, theirs = line.fit(x, y), stats.linregress(x, y)
    assert (found.slope, found.intercept) == pytest.approx((theirs.slope, theirs.intercept), rel=1e-10)
    assert (found.slope_se, found.intercept_se) == pytest.approx((theirs.stderr, theirs.intercept_stderr), rel=1e-9)


def test_weighted_is_scipys_curve_fit_with_absolute_sigma() -> None:
    x, y, u = np.array([1.0, 2.0, 3.0, 5.0]), np.array([2.1, 3.9, 6.2, 9.8]), np.array([0.1, 0.2, 0.1, 0.4])
    found = line.fit(x, y, u)
    values, covariance = optimize.curve_fit(lambda x, a, b: a + b * x, x, y, sigma=u, absolute_sigma=True)
    assert (found.intercept, found.slope) == pytest.approx(tuple(values), rel=1e-7)
    assert (found.intercept_se, found.slope_se) == pytest.approx(tuple(np.sqrt(np.diag(covariance))), rel=1e-6)
    assert found.correlation == pytest.approx(
        covariance[0, 1] / math.sqrt(covariance[0, 0] * covariance[1, 1]), rel=1e-6
    )


def test_two_points_fix_a_line_without_its_uncertainty() -> None:
    found = line.fit([1.0, 2.0], [3.0, 5.0])
    assert (found.intercept, found.slope) == pytest.approx((1.0, 2.0))
    assert found.slope_se is None
    assert found.se_at(1.0) is None
    with pytest.raises(BadRequest, match="two different clock rates"):
        line.fit([1.0, 1.0], [3.0, 5.0])
