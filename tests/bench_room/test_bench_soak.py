"""Heat soak against certified fits of NIST's Statistical Reference Datasets, and made data with known truth."""

import numpy as np
import pytest
from scipy import optimize

from tracker.bench import soak
from tracker.errors import BadRequest

# NIST/ITL StRD, nonlinear regression, as shipped with lmfit 1.3.4 (NIST_STRD/*.dat): y = b1 (1 - exp(-b2 x))
BOXBOD_X = [1, 2, 3, 5, 7, 10]
BOXBOD_Y = [109, 149, 149, 191, 213, 224]
MISRA1A_X = [77.6, 114.9, 141.1, 190.8, 239.9, 289.0, 332.8, 378.4, 434.8, 477.3, 536.8, 593.1, 689.1, 760.0]
MISRA1A_Y = [10.07, 14.73, 17.94, 23.93, 29.61, 35.18, 40.02, 44.82, 50.76, 55.05, 61.01, 66.40, 75.47, 81.78]


@pytest.mark.parametrize(
    ("x", "y", "b1", "sd1", "b2", "sd2", "residual_sd"),
    [
        (BOXBOD_X, BOXBOD_Y, 2.1380940889e02, 1.2354515176e01, 5.4723748542e-01, 1.0455993237e-01, 1.7088072423e01),
        (MISRA1A_X, MISRA1A_Y, 2.3894212918e02, 2.7070075241e00, 5.5015643181e-04, 7.2668688436e-06, 1.0187876330e-01),
    ],
    ids=["BoxBOD", "Misra1a"],
)
def test_nist_certified_values(x, y, b1, sd1, b2, sd2, residual_sd) -> None:  # type: ignore[no-untyped-def]
    found = soak.fit(x, y, from_rest=True)
    tau = found.time_constant
    assert found.rise.value == pytest.approx(b1, rel=1e-8)
    assert found.rise.se == pytest.approx(sd1, rel=1e-7)
    assert 1 / tau.value == pytest.approx(b2, rel=1e-8)
    assert tau.se is not None
    assert tau.se / tau.value**2 == pytest.approx(sd2, rel=1e-7)  # first-order, exact for a change of parameter
    assert found.residual_sd == pytest.approx(residual_sd, rel=1e-8)
    assert (found.start.value, found.start.se) == (0.0, 0.0)


def _made(length_s: float, scatter: float, seed: int) -> tuple[np.ndarray, np.ndarray]:
    t = np.arange(0.0, length_s, 20.0)
    y = 24.0 + 31.0 * (1 - np.exp(-t / 700.0))
    return t, y + np.random.default_rng(seed).normal(0.0, scatter, len(t))


def test_with_a_start_it_agrees_with_scipy() -> None:
    t, y = _made(2400.0, 0.2, seed=3)
    found = soak.fit(t, y)
    values, covariance = optimize.curve_fit(lambda t, a, b, c: a + b * (1 - np.exp(-t / c)), t, y, p0=(20, 30, 500))
    ours = (found.start, found.rise, found.time_constant)
    assert [one.value for one in ours] == pytest.approx(list(values), rel=1e-6)
    assert [one.se for one in ours] == pytest.approx(list(np.sqrt(np.diag(covariance))), rel=1e-4)


def test_noise_free_truth_comes_back() -> None:
    t, y = _made(1400.0, 0.0, seed=0)
    found = soak.fit(t, y)
    assert found.start.value == pytest.approx(24.0, rel=1e-9)
    assert found.final.value == pytest.approx(55.0, rel=1e-9)
    assert found.time_constant.value == pytest.approx(700.0, rel=1e-8)
    assert found.cautions == ()


def test_intervals_hold_the_truth_as_often_as_they_say() -> None:
    inside = by_likelihood = 0
    for seed in range(60):
        final = soak.fit(*_made(1400.0, 0.3, seed=seed)).final
        inside += final.lower <= 55.0 <= final.upper
        assert final.likelihood_lower is not None
        assert final.likelihood_upper is not None
        by_likelihood += final.likelihood_lower <= 55.0 <= final.likelihood_upper
    assert inside >= 52  # 95 % of 60 is 57; 51 or fewer has a chance of 1 in 500
    assert by_likelihood >= 52


def test_ambient_is_taken_off_reading_by_reading() -> None:
    t, y = _made(2100.0, 0.1, seed=5)
    drift = 22.0 + t / 1000.0
    with_ambient = soak.fit(t, y - 24.0 + drift, drift)
    without = soak.fit(t, y - 24.0)
    assert with_ambient.above_ambient
    assert with_ambient.rise.value == pytest.approx(without.rise.value, rel=1e-9)


def test_a_cooling_part_has_a_negative_rise() -> None:
    t = np.arange(0.0, 600.0, 10.0)
    found = soak.fit(t, 25.0 + 40.0 * np.exp(-t / 150.0))
    assert found.rise.value == pytest.approx(-40.0, rel=1e-8)
    assert found.final.value == pytest.approx(25.0, rel=1e-8)


def test_a_short_run_says_that_it_extrapolates() -> None:
    found = soak.fit(*_made(300.0, 0.2, seed=1))
    assert any("extrapolated" in caution or "do not bound" in caution for caution in found.cautions)
    assert found.final.likelihood_upper is None or found.final.likelihood_upper > found.final.upper


@pytest.mark.parametrize(
    ("t", "y", "match"),
    [
        ([0, 1, 2, 3], [1, 2, 3, 4], "does not bend"),
        ([0, 1, 2, 3, 4], [0, 1, 4, 9, 16], "does not bend"),
        ([0, 1, 2, 3], [5, 5, 5, 5], "never changed"),
        ([0, 1, 2, 3], [1, 5, 5, 5], "no gradual rise"),
        ([0, 1, 2], [1, 2, 2.5], "at least 4 readings"),
        ([-1, 1, 2, 3], [1, 2, 2.5, 2.7], "negative"),
        ([0, 1, 2, float("nan")], [1, 2, 2.5, 2.7], "finite"),
    ],
)
def test_refusals(t: list[float], y: list[float], match: str) -> None:
    with pytest.raises(BadRequest, match=match):
        soak.fit(t, y)
