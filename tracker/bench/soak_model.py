"""The model of a heat soak: a first-order part in an ambient that may change, and its least squares by time constant.

    dT/dt = (A(t) + R - T) / tau

A is the ambient, R the final rise above it. With e = exp(-t / tau) the solution is

    T(t) = c(t) + S e + R (1 - e),     dc/dt = (A - c) / tau,     c = A at the first reading

S is how far above ambient the part began. c is the ambient as the part feels it; between two readings the ambient is
taken as straight, for which the step from one reading to the next is exact. Without an ambient c is zero, and S and R
are temperatures. For one time constant all is linear in S and R, so only one number is ever searched for.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Wanted = Literal["final", "rise"]
_NUDGE = 1e-4  # relative step of the derivative by the time constant; its error is of the order of its square


@dataclass(frozen=True, slots=True)
class Run:
    """Readings in order of time.

    Parameters
    ----------
    t : (n,) array
        Seconds since the heat came on.
    temp, ambient : (n,) array
        Degrees Celsius; ambient is None where it was not measured.
    weight : (n,) array
        How many readings each one stands for.
    """

    t: Array
    temp: Array
    ambient: Array | None
    weight: Array

    @property
    def length_s(self) -> float:
        return float(self.t[-1])


@dataclass(frozen=True, slots=True)
class Scan:
    """Least squares for each time constant tried; arrays of shape (m,).

    Parameters
    ----------
    squares : array
        The least weighted sum of squares.
    value : array
        The number wanted, final or rise, where it is reached.
    factor : array
        The variance of the value in units of a reading's variance, the time constant held.
    """

    squares: Array
    value: Array
    factor: Array


def above_felt(run: Run, tau: Array) -> Array:
    """Return T - c for each time constant: shape (m, n), or (1, n) without an ambient."""
    if run.ambient is None:
        return run.temp[None, :]
    return (run.temp - run.ambient)[None, :] + ambient_lag(run, tau)


def ambient_lag(run: Run, tau: Array) -> Array:
    """Return A - c, by which the ambient is ahead of what the part feels: shape (m, n), kelvin."""
    ambient = run.temp * 0.0 if run.ambient is None else run.ambient
    if np.ptp(ambient) == 0.0:
        return np.zeros((len(tau), len(run.t)))
    step = np.diff(run.t)[:, None]
    change = np.diff(ambient)[:, None]
    with np.errstate(divide="ignore", invalid="ignore"):
        # A straight ambient of slope m leaves the part m tau (1 - exp(-h / tau)) behind after a step h.
        behind = np.where(step > 0.0, change / step * tau * -np.expm1(-step / tau), change)
    keep = np.exp(-step / tau)
    return _carried(keep, behind).T


def _carried(keep: Array, behind: Array) -> Array:
    """Return the lag at each reading: lag[0] = 0, lag[i + 1] = lag[i] keep[i] + behind[i]; shape (n + 1, m).

    Two steps in a row are one step again, so doubling the stride gets there in log2(n) passes over the arrays (a
    prefix sum after Hillis and Steele 1986, from memory). Nothing is divided, so nothing can overflow.
    """
    lag = np.concatenate([np.zeros((1, keep.shape[1])), behind])
    kept = np.concatenate([np.zeros((1, keep.shape[1])), keep])
    stride = 1
    while stride < len(lag):
        lag[stride:] = lag[:-stride] * kept[stride:] + lag[stride:]
        kept[stride:] = kept[:-stride] * kept[stride:]
        stride *= 2
    return lag


def basis(run: Run, tau: float, *, from_rest: bool) -> Array:
    """Return the columns the model is linear in: (S,) R; shape (n, 1 or 2)."""
    approach = -np.expm1(-run.t / tau)
    return approach[:, None] if from_rest else np.column_stack([np.exp(-run.t / tau), approach])


def slope_in_tau(run: Run, tau: float, start: float, final: float) -> Array:
    """Return the derivative of the model by the time constant, shape (n,)."""
    slope: Array = (start - final) * run.t / tau**2 * np.exp(-run.t / tau)
    if run.ambient is not None and np.ptp(run.ambient) > 0.0:
        less, more = ambient_lag(run, np.array([tau * (1 - _NUDGE), tau * (1 + _NUDGE)]))
        slope = slope - (more - less) / (2.0 * _NUDGE * tau)
    return slope


def scan(run: Run, tau: Array, *, from_rest: bool, wanted: Wanted = "final", felt: Array | None = None) -> Scan:
    """Return the least squares for each time constant of `tau`, shape (m,).

    Parameters
    ----------
    from_rest : bool
        Hold S at zero.
    wanted : 'final' or 'rise'
        Whether the value is R itself or R - S. With S held they are the same.
    felt : array, optional
        What `above_felt` gives, where it is known already.
    """
    weight = run.weight
    approach = -np.expm1(-run.t / tau[:, None])
    y = above_felt(run, tau) if felt is None else felt
    if not from_rest:
        first = np.exp(-run.t / tau[:, None]) if wanted == "final" else np.ones_like(approach)
        first = first / np.sqrt(np.maximum((weight * first * first).sum(1, keepdims=True), 1e-300))
        # The column of S is taken out of both, so that the wanted number stands alone; twice, for the last digits.
        for _ in range(2):
            approach = approach - first * (weight * first * approach).sum(1, keepdims=True)
            y = y - first * (weight * first * y).sum(1, keepdims=True)
    size = np.maximum((weight * approach * approach).sum(1), 1e-300)
    value = (weight * approach * y).sum(1) / size
    residuals = y - value[:, None] * approach
    return Scan((weight * residuals * residuals).sum(1), value, 1.0 / size)
