"""The straight line through readings, weighted or not, with the uncertainties and correlation of its two numbers."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tracker.errors import BadRequest

_MOST_ROUNDS = 200  # a few settle any line that settles at all


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


def fit_both(x: Sequence[float], y: Sequence[float], u_x: Sequence[float], u_y: Sequence[float]) -> Line:
    """Fit a straight line where both x and y carry uncertainties: the effective variance u_y^2 + slope^2 u_x^2.

    Parameters
    ----------
    x, y : sequence of float
        Same length, at least two different x.
    u_x, u_y : sequence of float
        Standard uncertainties, independent; u_x 0 or more, u_y above 0.

    Returns
    -------
    Line
        Standard errors from the uncertainties alone, taken as known.

    Raises
    ------
    BadRequest
        Fewer than two different x, or a line that does not settle (an uncertainty of x as large as its range).

    Notes
    -----
    D. York, N. M. Evensen, M. Lopez Martinez, J. De Basabe Delgado 2004, 'Unified equations for the slope, intercept,
    and standard errors of the best straight line', Am. J. Phys. 72, 367-375, with no correlation within a pair.
    """
    xs, ys = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    start = fit(x, y, u_y)
    # In units of the ranges, so that hertz and amperes do not differ by twelve orders of magnitude.
    x_unit, y_unit = float(np.ptp(xs)), float(max(np.ptp(ys), np.max(u_y)))
    xs, ys = xs / x_unit, ys / y_unit
    w_x = np.divide(
        1.0, (np.asarray(u_x, float) / x_unit) ** 2, out=np.full(len(xs), np.inf), where=np.asarray(u_x) > 0
    )
    w_y = 1.0 / (np.asarray(u_y, float) / y_unit) ** 2
    slope = start.slope * x_unit / y_unit
    for _ in range(_MOST_ROUNDS):
        weight = 1.0 / (1.0 / w_y + slope**2 / w_x)
        centre_x, centre_y = float(weight @ xs / weight.sum()), float(weight @ ys / weight.sum())
        u, v = xs - centre_x, ys - centre_y
        beta = weight * (u / w_y + slope * v / w_x)
        before, slope = slope, float((weight * beta) @ v / ((weight * beta) @ u))
        if abs(slope - before) <= 1e-13 * max(1.0, abs(slope)):
            break
    else:
        raise BadRequest(
            "No line settles through these readings: the clock rates are as uncertain as they are apart.",
            "State smaller uncertainties or measure at clock rates that are further apart.",
        )
    adjusted = centre_x + beta
    middle = float(weight @ adjusted / weight.sum())
    slope_se = 1.0 / math.sqrt(float(weight @ (adjusted - middle) ** 2))
    intercept_se = math.hypot(1.0 / math.sqrt(float(weight.sum())), middle * slope_se)
    intercept = centre_y - slope * centre_x
    residuals = ys - intercept - slope * xs
    dof = len(ys) - 2
    return Line(
        intercept=intercept * y_unit,
        slope=slope * y_unit / x_unit,
        intercept_se=intercept_se * y_unit,
        slope_se=slope_se * y_unit / x_unit,
        correlation=-middle * slope_se / intercept_se,
        n=len(ys),
        residual_sd=None if dof <= 0 else y_unit * math.sqrt(float(residuals @ residuals) / dof),
        misfit=None if dof <= 0 else float(weight @ residuals**2) / dof,
        dof=math.inf,
    )
