"""What a single first-order rise leaves out: something slower that still warms up, and when that can be ruled out.

A quick part on a slow heat sink in a closed case has several time constants. While the slow ones have hardly begun they
look like a straight line on top of the quick one, so a straight line is fitted beside the rise: `per_run_k` is what it
would add during another run of the same length. A slow rise whose creep is below the aim may still hide a larger one
that needs several such lengths; nothing in the readings could tell.
"""

import math
from dataclasses import dataclass

import numpy as np
from scipy import special

from tracker.bench.soak import Soak
from tracker.bench.soak_cells import gathered
from tracker.bench.soak_interval import Errors
from tracker.bench.soak_model import Array, Run, above_felt, basis, slope_in_tau

ONE_SIDED = 0.95
"""Probability with which creep must be below the aim before a run may stop; common practice, no source."""
_FORESIGHT = 20_000  # readings looked ahead, no more


@dataclass(frozen=True, slots=True)
class Creep:
    """A straight climb beside the fitted rise, kelvin over another run of the same length, towards the rise positive.

    Parameters
    ----------
    per_run_k, se_k : float
    upper_k : float
        Below which it is with 95 % probability.
    """

    per_run_k: float
    se_k: float
    upper_k: float


def creep(fitted: Soak, run: Run) -> Creep | None:
    """Return the creep beside a fitted rise; None where there are too few readings to tell.

    Notes
    -----
    The model is taken as straight around the fit, in its time constant as well (one Gauss-Newton step).
    """
    cells = gathered(run)
    jacobian = _with_creep(fitted, cells)
    dof = len(cells.t) - jacobian.shape[1]
    if dof < 1:
        return None
    scale = np.linalg.norm(jacobian, axis=0)
    residuals = np.sqrt(cells.weight) * _residuals(fitted, cells)
    found, *_ = np.linalg.lstsq(jacobian / scale, residuals, rcond=None)
    errors = Errors.of(residuals - jacobian / scale @ found, dof, jacobian.shape[1])
    inverse = np.linalg.pinv((jacobian / scale).T @ (jacobian / scale))
    climb = math.copysign(1.0, fitted.rise.value) * float(found[-1] / scale[-1])
    se = math.sqrt(errors.plain_variance * inverse[-1, -1]) * errors.widened / float(scale[-1])
    return Creep(climb, se, climb + float(special.stdtrit(errors.dof, ONE_SIDED)) * se)


def foreseen(fitted: Soak, run: Run, aim_k: float, least: int, pace_s: float, *, above_start: bool) -> float | None:
    """Return how much longer readings at the same pace should take until value and creep are known well enough.

    Parameters
    ----------
    fitted, run
    aim_k : float
        For half the 95 % interval, and for the creep.
    least : int
        Readings that are needed at any rate.
    pace_s : float
        Usual time between readings.
    above_start : bool
        Whether the rise above the start is wanted rather than the final value.

    Returns
    -------
    float or None
        Seconds; None where it would take too long to say.
    """
    cells = gathered(run)

    def enough(number: int) -> bool:
        return max(_known_with(fitted, cells, pace_s, number, above_start)) <= aim_k

    number = least
    while number <= _FORESIGHT and not enough(number):
        number = math.ceil(1.3 * number)
    if number > _FORESIGHT:
        return None
    low = max(math.floor(number / 1.3), least)
    while low < number:
        middle = (low + number) // 2
        low, number = (low, middle) if enough(middle) else (middle + 1, number)
    return number * pace_s


def _known_with(fitted: Soak, cells: Run, pace_s: float, number: int, above_start: bool) -> tuple[float, float]:
    """Return half the value's interval and the reach of the creep, if more readings scatter as those so far."""
    t = np.concatenate([cells.t, cells.length_s + pace_s * np.arange(1, number + 1)])
    ahead = Run(t, np.zeros_like(t), None, np.concatenate([cells.weight, np.ones(number)]))
    jacobian = _with_creep(fitted, ahead)
    dof = fitted.dof_used + number / fitted.widened**2
    size = fitted.widened * fitted.residual_sd
    value = np.array([-1.0 if above_start else 0.0, 1.0, 0.0][1 if fitted.from_rest else 0 :])
    line = np.eye(jacobian.shape[1])[-1]
    return (
        float(special.stdtrit(dof, 0.975)) * size * _spread(jacobian[:, :-1], value),
        float(special.stdtrit(dof, ONE_SIDED)) * size * _spread(jacobian, line),
    )


def _spread(jacobian: Array, wanted: Array) -> float:
    """Return the standard error of a sum of the fitted numbers, in units of a reading's scatter."""
    scale = np.linalg.norm(jacobian, axis=0)
    inverse = np.linalg.pinv((jacobian / scale).T @ (jacobian / scale)) / np.outer(scale, scale)
    return math.sqrt(float(wanted @ inverse @ wanted))


def _with_creep(fitted: Soak, run: Run) -> Array:
    """Return the weighted columns (S,) R, time constant, creep; shape (n, 3 or 4)."""
    tau = fitted.time_constant.value
    columns = basis(run, tau, from_rest=fitted.from_rest)
    slope = slope_in_tau(run, tau, fitted.start.value, fitted.final.value)
    found: Array = np.sqrt(run.weight)[:, None] * np.column_stack([columns, slope, run.t / run.length_s])
    return found


def _residuals(fitted: Soak, run: Run) -> Array:
    tau = fitted.time_constant.value
    linear = np.array([fitted.start.value, fitted.final.value][1 if fitted.from_rest else 0 :])
    left: Array = above_felt(run, np.array([tau]))[0] - basis(run, tau, from_rest=fitted.from_rest) @ linear
    return left
