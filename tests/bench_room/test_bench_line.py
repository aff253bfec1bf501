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


def test_both_axes_uncertain_as_york_found() -> None:
    # Pearson's data with York's weights (York 1966, Can. J. Phys. 44, 1079); the line and its errors as printed in York
    # et al. 2004, Am. J. Phys. 72, 367: intercept 5.47991 +/- 0.29497, slope -0.480533 +/- 0.057985. From memory.
    x = [0.0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4]
    y = [5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5]
    w_x = [1000, 1000, 500, 800, 200, 80, 60, 20, 1.8, 1.0]
    w_y = [1.0, 1.8, 4.0, 8.0, 20, 20, 70, 70, 100, 500]
    found = line.fit_both(x, y, [w**-0.5 for w in w_x], [w**-0.5 for w in w_y])
    assert found.intercept == pytest.approx(5.47991022, abs=5e-9)
    assert found.slope == pytest.approx(-0.480533407, abs=5e-10)
    assert found.intercept_se == pytest.approx(0.29497, abs=5e-4)
    assert found.slope_se == pytest.approx(0.057985, abs=5e-4)


def test_without_uncertainty_of_x_it_is_the_weighted_line() -> None:
    x, y, u = [1e6, 2e6, 4e6, 8e6], [0.011, 0.0195, 0.041, 0.0795], [2e-4, 3e-4, 4e-4, 8e-4]
    both, plain = line.fit_both(x, y, [0.0] * 4, u), line.fit(x, y, u)
    for name in ("intercept", "slope", "intercept_se", "slope_se", "correlation", "misfit"):
        assert getattr(both, name) == pytest.approx(getattr(plain, name), rel=1e-9)


def test_intervals_of_a_line_with_both_axes_uncertain_cover() -> None:
    rng = np.random.default_rng(8)
    x, u_x, u_y = np.array([1e6, 2e6, 3e6, 4e6, 6e6]), np.full(5, 3e4), np.full(5, 2e-4)
    held = np.zeros((2000, 2), bool)
    for k in range(len(held)):
        found = line.fit_both(rng.normal(x, u_x), rng.normal(1e-3 + 1e-8 * x, u_y), u_x, u_y)
        errors = found.intercept_se, found.slope_se
        off = found.intercept - 1e-3, found.slope - 1e-8
        held[k] = [error is not None and abs(d) < 1.96 * error for d, error in zip(off, errors, strict=True)]
    assert ((held.mean(axis=0) > 0.93) & (held.mean(axis=0) < 0.97)).all()


def test_clocks_as_uncertain_as_they_are_apart_give_no_line() -> None:
    with pytest.raises(BadRequest, match="two different"):
        line.fit_both([1e6, 1e6], [0.01, 0.02], [1e3, 1e3], [1e-4, 1e-4])
