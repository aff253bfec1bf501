"""Heat soak: a first-order rise fitted to temperature against time.

    y(t) = start + rise (1 - exp(-t / time_constant))

y is the temperature, or the temperature above ambient where the ambient was measured alongside. For a given time
constant the model is linear in the other numbers, so only one number has to be searched for and no starting guess is
needed; Gauss-Newton steps then carry the last digits.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, stats

from tracker.bench.uncertainty import Estimate
from tracker.errors import BadRequest

Array = NDArray[np.float64]
CONFIDENCE = 0.95
_SCAN = np.geomspace(1e-3, 1e3, 241)  # time constants tried, in multiples of the run's length
_FLAT = 1e-12  # relative fall of the sum of squares that counts as none
_WIDER = 1.25  # how much wider the likelihood interval may be before the reader is told; common practice, no source
_TRAILING = 0.5  # lag-one correlation of the residuals that is worth a word; common practice, no source


@dataclass(frozen=True, slots=True)
class Final:
    """The temperature, or rise above ambient, the part is heading for.

    Parameters
    ----------
    value, se : float
        start + rise, and its standard error.
    lower, upper : float
        95 % interval from the standard error and Student's t.
    likelihood_lower, likelihood_upper : float or None
        95 % interval from the sum of squares itself (profile likelihood, F distribution), lopsided where the run is
        short; None on a side the readings do not bound.
    """

    value: float
    se: float
    lower: float
    upper: float
    likelihood_lower: float | None
    likelihood_upper: float | None
    confidence: float = CONFIDENCE


@dataclass(frozen=True, slots=True)
class Soak:
    """A fitted heat soak; temperatures in degrees Celsius (kelvin for a difference), times in seconds."""

    rise: Estimate
    time_constant: Estimate
    start: Estimate
    final: Final
    residual_sd: float
    n: int
    dof: int
    from_rest: bool
    above_ambient: bool
    run_length_s: float
    cautions: tuple[str, ...]


def fit(
    time_s: Sequence[float],
    temp_c: Sequence[float],
    ambient_c: Sequence[float] | None = None,
    *,
    from_rest: bool = False,
) -> Soak:
    """Fit a first-order rise.

    Parameters
    ----------
    time_s : sequence of float
        Seconds since the heat came on, 0 or more, in any order.
    temp_c : sequence of float
    ambient_c : sequence of float, optional
        Ambient at the same times; it is subtracted reading by reading.
    from_rest : bool
        Fix the start at zero: the model is then y = rise (1 - exp(-t / time_constant)).

    Raises
    ------
    BadRequest
        Too few readings, a negative time, or readings that do not bend, so that no time constant can be told.
    """
    t = np.asarray(time_s, dtype=float)
    y = np.asarray(temp_c, dtype=float) - (0.0 if ambient_c is None else np.asarray(ambient_c, dtype=float))
    _check(t, y, from_rest)
    tau = _polish(t, y, _search(t, y, from_rest), from_rest)
    basis = _basis(t, tau, from_rest)
    linear = np.linalg.lstsq(basis, y, rcond=None)[0]
    rise = float(linear[-1])
    residuals = y - basis @ linear
    dof = len(y) - basis.shape[1] - 1
    variance = float(residuals @ residuals) / dof
    covariance = variance * _inverse_information(basis, t, tau, rise)
    start = Estimate(0.0, 0.0) if from_rest else Estimate(float(linear[0]), math.sqrt(covariance[0, 0]))
    final = _final(t, y, start.value + rise, _se_of_final(covariance, from_rest), variance, dof, from_rest)
    soak = Soak(
        rise=Estimate(rise, math.sqrt(covariance[-2, -2])),
        time_constant=Estimate(tau, math.sqrt(covariance[-1, -1])),
        start=start,
        final=final,
        residual_sd=math.sqrt(variance),
        n=len(y),
        dof=dof,
        from_rest=from_rest,
        above_ambient=ambient_c is not None,
        run_length_s=float(t.max()),
        cautions=(),
    )
    return _with_cautions(soak, residuals[np.argsort(t, kind="stable")])


def _check(t: Array, y: Array, from_rest: bool) -> None:
    if not (np.isfinite(t).all() and np.isfinite(y).all()):
        raise BadRequest("A time or a temperature is not a finite number.")
    if (t < 0).any():
        raise BadRequest(f"The time {t.min():g} s is negative.", "Count seconds from the moment the heat came on.")
    needed = 3 if from_rest else 4
    different = len(np.unique(t))
    if len(t) < needed or different < needed - 1:
        raise BadRequest(
            f"A soak fit needs at least {needed} readings at {needed - 1} different times; "
            f"there are {len(t)} at {different}.",
            "Go on measuring.",
        )
    if np.ptp(y) <= _FLAT * max(float(np.abs(y).max()), 1.0) and not (from_rest and np.abs(y).max() > 0):
        raise BadRequest("The temperature never changed, so there is no rise to fit.")


def _basis(t: Array, tau: float, from_rest: bool) -> Array:
    """Return the columns the model is linear in for one time constant: (start,) rise."""
    approach = -np.expm1(-t / tau)
    return approach[:, None] if from_rest else np.column_stack([np.ones_like(t), approach])


def _squares(t: Array, y: Array, tau: float, from_rest: bool) -> float:
    basis = _basis(t, tau, from_rest)
    residuals = y - basis @ np.linalg.lstsq(basis, y, rcond=None)[0]
    return float(residuals @ residuals)


def _search(t: Array, y: Array, from_rest: bool) -> float:
    """Return the time constant with the least sum of squares, to a few digits."""
    grid = _SCAN * float(t.max())
    squares = np.array([_squares(t, y, tau, from_rest) for tau in grid])
    best = int(squares.argmin())
    rounding = _FLAT**2 * float(y @ y)  # sums of squares below this are noise of the arithmetic itself
    beyond = squares[-1] - squares[best] <= max(_FLAT * squares[-1], rounding)
    if beyond or best == len(grid) - 1:
        raise BadRequest(
            f"In {t.max():g} s the temperature does not bend towards a final value, so no time constant can be told.",
            "Go on measuring until the rise clearly slows down.",
        )
    if best == 0 or squares[0] - squares[best] <= max(_FLAT * squares[0], rounding):
        raise BadRequest(
            "There is no gradual rise: the temperature had settled before the second reading, or never changed.",
            "Take readings more often from the moment the heat comes on.",
        )
    found = optimize.minimize_scalar(
        lambda log_tau: _squares(t, y, math.exp(log_tau), from_rest),
        bounds=(math.log(grid[best - 1]), math.log(grid[best + 1])),
        method="bounded",
        options={"xatol": 1e-9},
    )
    return math.exp(float(found.x))


def _polish(t: Array, y: Array, tau: float, from_rest: bool) -> float:
    """Carry the time constant to full precision by Gauss-Newton steps on all numbers together."""
    for _ in range(50):
        basis = _basis(t, tau, from_rest)
        linear = np.linalg.lstsq(basis, y, rcond=None)[0]
        jacobian = np.column_stack([basis, _slope_in_tau(t, tau, float(linear[-1])) * tau])
        step = float(np.linalg.lstsq(jacobian, y - basis @ linear, rcond=None)[0][-1])
        if not math.isfinite(step) or abs(step) > 0.5:
            break
        moved = tau * math.exp(step)
        if _squares(t, y, moved, from_rest) > _squares(t, y, tau, from_rest) * (1 + 1e-9):
            break
        tau = moved
        if abs(step) < 1e-14:
            break
    return tau


def _slope_in_tau(t: Array, tau: float, rise: float) -> Array:
    """Return the derivative of the model by the time constant."""
    slope: Array = -rise * t / tau**2 * np.exp(-t / tau)
    return slope


def _inverse_information(basis: Array, t: Array, tau: float, rise: float) -> Array:
    """Return (J'J)^-1 for (start,) rise, time constant; through QR, which keeps twice the digits of J'J."""
    jacobian = np.column_stack([basis, _slope_in_tau(t, tau, rise)])
    scale = np.linalg.norm(jacobian, axis=0)
    upper = np.linalg.inv(np.linalg.qr(jacobian / scale, mode="r"))
    inverse: Array = (upper @ upper.T) / np.outer(scale, scale)
    return inverse


def _se_of_final(covariance: Array, from_rest: bool) -> float:
    if from_rest:
        return math.sqrt(covariance[0, 0])
    return math.sqrt(max(covariance[0, 0] + covariance[1, 1] + 2.0 * covariance[0, 1], 0.0))


def _final(t: Array, y: Array, value: float, se: float, variance: float, dof: int, from_rest: bool) -> Final:
    half = float(stats.t.ppf(0.5 + CONFIDENCE / 2.0, dof)) * se
    lower = _likelihood_end(t, y, value, -half, variance, dof, from_rest)
    upper = _likelihood_end(t, y, value, half, variance, dof, from_rest)
    return Final(value, se, value - half, value + half, lower, upper)


def _likelihood_end(
    t: Array, y: Array, value: float, half: float, variance: float, dof: int, from_rest: bool
) -> float | None:
    """Return one end of the profile interval: where the sum of squares has grown by t^2 times the variance."""
    allowed = variance * (dof + float(stats.t.ppf(0.5 + CONFIDENCE / 2.0, dof)) ** 2)

    def excess(stretch: float) -> float:
        return _squares_with_final(t, y, value + stretch * half, from_rest) - allowed

    if excess(0.0) >= 0.0:  # readings without scatter: the sum of squares is rounding noise and tells nothing
        return value + half
    far = 1.0
    while excess(far) < 0.0:
        far *= 2.0
        if far > 500.0:
            return None
    return value + float(optimize.brentq(excess, 0.0, far, xtol=1e-6)) * half


def _squares_with_final(t: Array, y: Array, final: float, from_rest: bool) -> float:
    """Return the least sum of squares when the final value is held."""
    missing = y - final

    def squares(tau: float) -> float:
        decay = np.exp(-t / tau)
        factor = -final if from_rest else float(decay @ missing) / float(decay @ decay)
        residuals = missing - factor * decay
        return float(residuals @ residuals)

    grid = _SCAN[::4] * float(t.max())
    values = [squares(tau) for tau in grid]
    best = int(np.argmin(values))
    ends = (math.log(grid[max(best - 1, 0)]), math.log(grid[min(best + 1, len(grid) - 1)]))
    found = optimize.minimize_scalar(lambda log_tau: squares(math.exp(log_tau)), bounds=ends, method="bounded")
    return min(float(found.fun), values[best])


def _with_cautions(soak: Soak, residuals: Array) -> Soak:
    """Add in words what limits the trust in the numbers."""
    final, told = soak.final, []
    half = (final.upper - final.lower) / 2.0
    ends = (final.likelihood_lower, final.likelihood_upper)
    if None in ends:
        told.append("The readings do not bound the final value on one side; go on measuring.")
    elif half > 0 and max(abs(end - final.value) for end in ends if end is not None) > _WIDER * half:
        told.append("The final value is known less well on one side; rely on the likelihood interval.")
    if soak.run_length_s < soak.time_constant.value:
        told.append(
            f"The run of {soak.run_length_s:.4g} s is shorter than one time constant; the final value is extrapolated."
        )
    if soak.time_constant.value < soak.run_length_s / (2.0 * soak.n):
        told.append("The rise is faster than the readings were taken; its time constant is a guess.")
    power = float(residuals @ residuals)
    scattered = soak.residual_sd > 1e-9 * abs(final.value)
    if len(residuals) >= 10 and scattered and float(residuals[1:] @ residuals[:-1]) / power > _TRAILING:
        told.append("Neighbouring readings err together, so the standard errors are too small.")
    return replace(soak, cautions=tuple(told))
