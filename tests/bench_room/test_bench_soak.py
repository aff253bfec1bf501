"""Heat soak against certified fits of NIST's Statistical Reference Datasets, and made data with known truth."""

from collections.abc import Callable

import numpy as np
import pytest
from scipy import integrate, optimize
from soak_coverage import CORRELATED, DESIGNS, Design, covered

from tracker.bench import soak, soak_model
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


def _in_ambient(t: np.ndarray, ambient: Callable[[float], float], rise: float, tau: float, start: float) -> np.ndarray:
    """Return the temperature by a general solver of differential equations, not by our formula."""
    found = integrate.solve_ivp(
        lambda s, y: (ambient(s) + rise - y) / tau,
        (0.0, t[-1]),
        [start],
        t_eval=t,
        rtol=1e-10,
        atol=1e-10,
        max_step=5.0,
    )
    return np.asarray(found.y[0])


def test_the_part_follows_a_changing_ambient_with_its_own_time_constant() -> None:
    t = np.arange(0.0, 3000.0, 60.0)
    nodes = 22.0 + 3.0 * np.sin(t / 400.0) + t / 500.0
    made = _in_ambient(t, lambda s: float(np.interp(s, t, nodes)), 31.0, 700.0, 25.0)
    found = soak.fit(t, made, nodes)
    assert found.above_ambient
    assert found.final.value == pytest.approx(31.0, abs=1e-5)
    assert found.time_constant.value == pytest.approx(700.0, rel=1e-6)
    assert found.start.value == pytest.approx(3.0, abs=1e-5)
    # Taking the ambient off reading by reading is another, wrong model: under a ramp it errs by slope times tau.
    assert soak.fit(t, made - nodes).final.value < 31.0 - 0.9
    cold = soak.fit(
        t, _in_ambient(t, lambda s: float(np.interp(s, t, nodes)), 31.0, 700.0, 22.0), nodes, from_rest=True
    )
    assert cold.final.value == pytest.approx(31.0, abs=1e-5)
    assert cold.start.value == 0.0


def test_the_slope_by_the_time_constant_is_that_of_the_model() -> None:
    t = np.array([0.0, 30.0, 90.0, 100.0, 400.0, 900.0])
    run = soak.run_of(t, 20.0 + t / 50.0, [20.0, 21.0, 20.5, 22.0, 24.0, 23.0])

    def modelled(tau: float) -> np.ndarray:
        felt = run.temp - soak_model.above_felt(run, np.array([tau]))[0]
        return felt + soak_model.basis(run, tau, from_rest=False) @ np.array([2.0, 30.0])

    ours = soak_model.slope_in_tau(run, 300.0, 2.0, 30.0)
    assert ours == pytest.approx((modelled(300.3) - modelled(299.7)) / 0.6, rel=1e-5, abs=1e-9)


def test_a_constant_ambient_is_only_a_shift() -> None:
    t, y = _made(2100.0, 0.1, seed=5)
    with_ambient, without = soak.fit(t, y, np.full(len(t), 24.0)), soak.fit(t, y)
    assert with_ambient.final.value == pytest.approx(without.final.value - 24.0, rel=1e-9)
    assert with_ambient.final.likelihood_upper == pytest.approx(without.final.likelihood_upper - 24.0, rel=1e-6)


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


@pytest.mark.parametrize("design", [DESIGNS[0], DESIGNS[2], DESIGNS[5]], ids=lambda design: design.name)
def test_the_printed_interval_holds_the_truth_as_often_as_it_says(design: Design) -> None:
    found = covered(design, 500, seed=23)
    assert found.bounded >= 495
    assert 0.925 <= found.share <= 0.975  # 95 % within 2.6 standard errors of 500 repeats; `make bench` does 2,000


@pytest.mark.parametrize("design", CORRELATED, ids=lambda design: design.name)
def test_the_interval_is_widened_where_neighbours_err_together(design: Design) -> None:
    assert covered(design, 120, seed=5).share >= 0.89  # 95 % less 3 standard errors


def test_correlated_readings_are_noticed_and_certified_errors_stay() -> None:
    t, y = _made(6000.0, 0.2, seed=9)
    slow = np.convolve(np.random.default_rng(2).normal(0.0, 0.3, len(t) + 9), np.ones(10) / 10**0.5, mode="valid")
    together = soak.fit(t, 24.0 - 31.0 * np.expm1(-t / 700.0) + slow)
    assert together.correlation > 0.6
    assert together.widened > 2.0
    assert any("err together" in caution for caution in together.cautions)
    assert soak.fit(t, y).widened == 1.0
    half = (together.final.upper - together.final.lower) / 2.0
    assert half > 2.0 * 1.96 * together.final.se  # the standard error stays that of independent readings
