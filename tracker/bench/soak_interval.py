"""Standard errors and 95 % intervals of a fitted heat soak, with readings that err together noticed."""

import math
from dataclasses import dataclass, replace

import numpy as np
from scipy import special

from tracker.bench.soak_model import Array, Run, Wanted, above_felt, scan

CONFIDENCE = 0.95
SHORTEST, LONGEST = 1e-3, 1e3  # time constants tried, in multiples of the run's length
_GRID, _FINER = 17, 9  # time constants an interval's end is looked for at, twice; that leaves 0.02 % of its width
_CORRELATED_FROM = 10  # readings; with fewer the residuals cannot tell; common practice, no source
_ONE_SIDED = 1.645  # of a normal distribution, 5 %; residuals as correlated as that are taken to be


@dataclass(frozen=True, slots=True)
class Final:
    """The temperature, or rise, the part is heading for.

    Parameters
    ----------
    value, se : float
        The value and its standard error.
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
class Errors:
    """How readings scatter.

    `plain_variance` is what a covariance is multiplied with if readings err independently; standard errors keep to it,
    as certified values do. Intervals are wider by `widened` and have `dof` degrees of freedom.
    """

    plain_variance: float
    dof: float
    correlation: float
    widened: float

    @classmethod
    def of(cls, residuals: Array, dof: int, fitted: int) -> "Errors":
        """Return the errors behind residuals that are weighted to one variance.

        Where neighbours err together with correlation r, n readings tell as much as n (1 - r) / (1 + r) independent
        ones (an autoregressive process of first order; Bayley and Hammersley 1946, from memory). A fit leaves
        residuals less correlated than the errors were, about by the numbers fitted over n; that is put back.
        """
        n, power = len(residuals), float(residuals @ residuals)
        plain = cls(power / dof, float(dof), 0.0, 1.0)
        if n < _CORRELATED_FROM or power <= 0.0:
            return plain
        seen = float(residuals[1:] @ residuals[:-1]) / power
        r = min((n * seen + fitted) / (n - fitted), 0.99)
        if r < _ONE_SIDED / math.sqrt(n):
            return replace(plain, correlation=r)
        more = (1.0 + r) / (1.0 - r)
        left = max(n / more - fitted, 1.0)
        variance = power / left  # power / n, corrected for the fit, times `more`
        return cls(plain.plain_variance, left, r, math.sqrt(max(variance / plain.plain_variance, 1.0)))

    @property
    def reach(self) -> float:
        """Return half the width of an interval in plain standard errors."""
        return float(special.stdtrit(self.dof, 0.5 + CONFIDENCE / 2.0)) * self.widened


def intervals(
    run: Run, tau: float, spread: float, errors: Errors, plain: dict[Wanted, tuple[float, float]], from_rest: bool
) -> dict[Wanted, Final]:
    """Return each value with both its intervals.

    Parameters
    ----------
    spread : float
        Standard error of the time constant, relative.
    plain : dict
        Value and standard error by what is wanted.
    """
    without_scatter = all(errors.reach * se <= 1e-9 * max(abs(value), 1e-9) for value, se in plain.values())
    ends = None if without_scatter else _likely_ends(run, tau, spread, errors, from_rest)
    found: dict[Wanted, Final] = {}
    for wanted, (value, se) in plain.items():
        half = errors.reach * se
        # Without scatter the sum of squares is rounding noise and tells nothing.
        low, high = (value - half, value + half) if ends is None else ends[wanted]
        found[wanted] = Final(value, se, value - half, value + half, low, high)
    return found


def _likely_ends(
    run: Run, tau: float, spread: float, errors: Errors, from_rest: bool
) -> dict[Wanted, tuple[float | None, float | None]]:
    """Return the ends of the profile intervals: where the sum of squares has grown by t^2 times the variance.

    For each time constant the sum of squares is a parabola in the value, so each allows the value up to a known
    distance; the ends are the largest and the least over all time constants that the readings allow at all.
    """
    least = float(scan(run, np.array([tau]), from_rest=from_rest).squares[0])
    allowed = errors.reach**2 * errors.plain_variance

    def reach(log_tau: Array, wanted: Wanted, felt: Array | None = None) -> Array:
        """Return the least and the largest value by time constant, shape (2, m); not finite where none is allowed."""
        found = scan(run, np.exp(log_tau), from_rest=from_rest, wanted=wanted, felt=felt)
        room = allowed - (found.squares - least)
        half = np.sqrt(np.maximum(room, 0.0) * found.factor)
        outside = np.where(room >= 0.0, 0.0, np.inf)
        return np.stack([found.value - half + outside, found.value + half - outside])

    def allows(log_tau: float) -> bool:
        return math.isfinite(reach(np.array([log_tau]), "final")[0, 0])

    floor, ceiling = math.log(SHORTEST * run.length_s), math.log(LONGEST * run.length_s)
    middle, width = math.log(tau), 1.3 * errors.reach * spread
    low, high = max(middle - width, floor), min(middle + width, ceiling)
    while low > floor and allows(low):
        low = max(middle - 1.5 * (middle - low), floor)
    while high < ceiling and allows(high):
        high = min(middle + 1.5 * (high - middle), ceiling)
    unbounded = high >= ceiling and allows(ceiling)
    grid = np.linspace(low, high, _GRID)
    felt = above_felt(run, np.exp(grid))
    names: tuple[Wanted, ...] = ("final", "rise")
    around = [_around(grid, reach(grid, wanted, felt), side) for wanted in names for side in (0, 1)]
    finer = np.concatenate(around)
    felt = np.broadcast_to(above_felt(run, np.exp(finer)), (len(finer), len(run.t)))
    ends: dict[Wanted, tuple[float | None, float | None]] = {}
    for i, wanted in enumerate(names):
        own = slice(2 * i * _FINER, 2 * (i + 1) * _FINER)
        reached = reach(finer[own], wanted, felt[own])
        pair: list[float | None] = [float(reached[0, :_FINER].min()), float(reached[1, _FINER:].max())]
        if unbounded:
            # A straight line is allowed as well: nothing bounds the value in the direction the part was going.
            far = float(scan(run, np.exp(np.array([ceiling])), from_rest=from_rest, wanted=wanted).value[0])
            pair[1 if far > 0 else 0] = None
        ends[wanted] = (pair[0], pair[1])
    return ends


def _around(grid: Array, values: Array, side: int) -> Array:
    """Return a finer grid around the least (side 0) or largest (side 1) of the values, shape (2, m)."""
    at = int(values[0].argmin() if side == 0 else values[1].argmax())
    return np.linspace(grid[max(at - 1, 0)], grid[min(at + 1, len(grid) - 1)], _FINER)
