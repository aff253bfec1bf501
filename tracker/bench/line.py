"""The straight line through readings, weighted or not, with the uncertainties and correlation of its two numbers."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tracker.errors import BadRequest


@dataclass(frozen=True, slots=True)
class Line:
    """y = intercept + slope x.

    Parameters
    ----------
    intercept, slope : float
    intercept_se, slope_se : float or None
        Standard errors. Weighted: from the stated uncertainties of the readings. Unweighted: from their scatter about
        the line. None with two readings and no stated uncertainty.
    correlation : float
        Between intercept and slope, -1 to 1.
    n : int
    residual_sd : float or None
        Scatter about the line, in the unit of y; None with two readings.
    misfit : float or None
        Weighted only: chi-square divided by its degrees of freedom. About 1 when the line and the stated
        uncertainties agree with the readings; None with two readings or unweighted.
    dof : float
        Degrees of freedom of the standard errors: n - 2 unweighted, infinite weighted.
    """

    intercept: float
    slope: float
    intercept_se: float | None
    slope_se: float | None
    correlation: float
    n: int
    residual_sd: float | None
    misfit: float | None
    dof: float

    def at(self, x: float) -> float:
        """Return the line's y at x."""
        return self.intercept + self.slope * x

    def se_at(self, x: float) -> float | None:
        """Return the standard error of the line's y at x (GUM H.3.4), or None where it is not known."""
        if self.intercept_se is None or self.slope_se is None:
            return None
        variance = (
            self.intercept_se**2
            + (x * self.slope_se) ** 2
            + 2.0 * x * self.correlation * self.intercept_se * self.slope_se
        )
        return math.sqrt(max(variance, 0.0))


def fit(x: Sequence[float], y: Sequence[float], u: Sequence[float] | None = None) -> Line:
    """Fit a straight line by least squares.

    Parameters
    ----------
    x, y : sequence of float
        Same length, at least two different x.
    u : sequence of float, optional
        Standard uncertainty of each y, above 0; the weights are 1/u^2 and u is taken as known.

    Raises
    ------
    BadRequest
        Fewer than two different x.
    """
    xs, ys = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    if len(set(xs.tolist())) < 2:
        raise BadRequest(
            "A straight line needs readings at two different clock rates or more.",
            "Measure the current at another clock rate as well.",
        )
    weight = np.ones_like(ys) if u is None else (np.min(u) / np.asarray(u, dtype=float)) ** 2
    total = float(weight.sum())
    # About the weighted centre the two numbers are uncorrelated, and no digits are lost to large clock rates.
    centre_x, centre_y = float(weight @ xs) / total, float(weight @ ys) / total
    spread = float(weight @ (xs - centre_x) ** 2)
    slope = float(weight @ ((xs - centre_x) * (ys - centre_y))) / spread
    intercept = centre_y - slope * centre_x
    residuals = ys - centre_y - slope * (xs - centre_x)
    dof = len(ys) - 2
    mean_square = float(weight @ residuals**2) / dof if dof > 0 else None
    if u is None:
        unit_variance, misfit = mean_square, None
    else:
        unit_variance = float(np.min(u)) ** 2
        misfit = None if mean_square is None else mean_square / unit_variance
    second_moment = spread + total * centre_x**2
    return Line(
        intercept=intercept,
        slope=slope,
        intercept_se=None if unit_variance is None else math.sqrt(unit_variance * second_moment / (total * spread)),
        slope_se=None if unit_variance is None else math.sqrt(unit_variance / spread),
        correlation=-centre_x * math.sqrt(total / second_moment),
        n=len(ys),
        residual_sd=None if dof <= 0 else math.sqrt(float(residuals @ residuals) / dof),
        misfit=misfit,
        dof=math.inf if u is not None else float(dof),
    )
