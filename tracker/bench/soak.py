"""Heat soak: a first-order rise fitted to temperature against time, with the ambient it stands in.

The model stands in `tracker/bench/soak_model.py`. Only the time constant has to be searched for and no starting guess
is needed; Gauss-Newton steps then carry the last digits.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from tracker.bench.soak_cells import COARSE, gathered
from tracker.bench.soak_interval import LONGEST, SHORTEST, Errors, Final, intervals
from tracker.bench.soak_model import Array, Run, Wanted, above_felt, basis, scan, slope_in_tau
from tracker.bench.uncertainty import Estimate
from tracker.errors import BadRequest

_SCAN = np.geomspace(SHORTEST, LONGEST, 121)
_FEW = 1000  # readings or cells; of more a coarse look is enough to begin with
_FLAT = 1e-12  # relative fall of the sum of squares that counts as none
_WIDER = 1.25  # how much wider the likelihood interval may be before the reader is told; common practice, no source


@dataclass(frozen=True, slots=True)
class Soak:
    """A fitted heat soak; temperatures in degrees Celsius (kelvin for a difference), times in seconds.

    Parameters
    ----------
    rise : Estimate
        final - start.
    start, final
        Above the ambient where that was measured.
    above_start : Final
        The rise again, with its intervals.
    residual_sd : float
        Of one reading.
    n, dof : int
        Readings used (cells, where a long run was gathered: `readings` has their number), and degrees of freedom.
    correlation : float
        Of neighbouring residuals, corrected for the fit; 0 where they are too few to tell.
    widened : float
        By how much the intervals were widened because neighbouring readings err together; 1 for not at all. Standard
        errors are those of independent readings.
    dof_used : float
        Degrees of freedom of the intervals, fewer than `dof` where readings err together.
    """

    rise: Estimate
    time_constant: Estimate
    start: Estimate
    final: Final
    above_start: Final
    residual_sd: float
    n: int
    readings: int
    dof: int
    dof_used: float
    correlation: float
    widened: float
    from_rest: bool
    above_ambient: bool
    run_length_s: float
    cautions: tuple[str, ...]


def fit(
    time_s: Sequence[float] | Array,
    temp_c: Sequence[float] | Array,
    ambient_c: Sequence[float] | Array | None = None,
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
        Ambient at the same times. The part follows it with its own time constant.
    from_rest : bool
        Hold the start: at ambient where that was measured, else at zero, y = rise (1 - exp(-t / time_constant)).

    Raises
    ------
    BadRequest
        Too few readings, a negative time, or readings that do not bend, so that no time constant can be told.
    """
    whole = run_of(time_s, temp_c, ambient_c)
    _check(whole, from_rest)
    return _fitted(gathered(whole), len(whole.t), from_rest)


def run_of(
    time_s: Sequence[float] | Array, temp_c: Sequence[float] | Array, ambient_c: Sequence[float] | Array | None = None
) -> Run:
    """Return readings in order of time, each of weight one.

    Raises
    ------
    BadRequest
        Something is not a finite number, or a time is negative.
    """
    t, temp = np.asarray(time_s, dtype=float), np.asarray(temp_c, dtype=float)
    ambient = None if ambient_c is None else np.asarray(ambient_c, dtype=float)
    if not all(np.isfinite(one).all() for one in (t, temp, ambient) if one is not None):
        raise BadRequest("A time or a temperature is not a finite number.")
    if (t < 0).any():
        raise BadRequest(f"The time {t.min():g} s is negative.", "Count seconds from the moment the heat came on.")
    if (t[1:] < t[:-1]).any():
        order = np.argsort(t, kind="stable")
        t, temp = t[order], temp[order]
        ambient = None if ambient is None else ambient[order]
    return Run(t, temp, ambient, np.ones_like(t))


def needed(from_rest: bool) -> int:
    """Return how many readings a fit needs."""
    return 3 if from_rest else 4


def _check(run: Run, from_rest: bool) -> None:
    least, different = needed(from_rest), len(np.unique(run.t))
    if len(run.t) < least or different < least - 1:
        raise BadRequest(
            f"A soak fit needs at least {least} readings at {least - 1} different times; "
            f"there are {len(run.t)} at {different}.",
            "Go on measuring.",
        )
    y = run.temp if run.ambient is None else run.temp - run.ambient
    if np.ptp(y) <= _FLAT * max(float(np.abs(y).max()), 1.0) and not (from_rest and np.abs(y).max() > 0):
        raise BadRequest("The temperature never changed, so there is no rise to fit.")


def _fitted(run: Run, readings: int, from_rest: bool) -> Soak:
    tau, linear, residuals = _polish(run, _search(run, from_rest), from_rest)
    start, final = (0.0, float(linear[0])) if from_rest else (float(linear[0]), float(linear[1]))
    dof = len(run.t) - len(linear) - 1
    errors = Errors.of(residuals, dof, len(linear) + 1)
    covariance = errors.plain_variance * _inverse_information(run, tau, start, final, from_rest)
    se_rise, se_final = _ses(covariance, from_rest)
    spread = math.sqrt(covariance[-1, -1]) / tau
    plain: dict[Wanted, tuple[float, float]] = {"final": (final, se_final), "rise": (final - start, se_rise)}
    found = intervals(run, tau, spread, errors, plain, from_rest)
    soak = Soak(
        rise=Estimate(final - start, se_rise),
        time_constant=Estimate(tau, math.sqrt(covariance[-1, -1])),
        start=Estimate(start, 0.0 if from_rest else math.sqrt(covariance[0, 0])),
        final=found["final"],
        above_start=found["rise"],
        residual_sd=math.sqrt(float(residuals @ residuals) / dof),
        n=len(run.t),
        readings=readings,
        dof=dof,
        dof_used=errors.dof,
        correlation=errors.correlation,
        widened=errors.widened,
        from_rest=from_rest,
        above_ambient=run.ambient is not None,
        run_length_s=run.length_s,
        cautions=(),
    )
    return _with_cautions(soak)


def _search(run: Run, from_rest: bool) -> float:
    """Return the time constant with the least sum of squares, to a few digits."""
    grid = _SCAN * run.length_s
    run = gathered(run, COARSE) if len(run.t) > _FEW else run
    squares = scan(run, grid, from_rest=from_rest).squares
    best = int(squares.argmin())
    power = above_felt(run, grid[-1:])[0]
    rounding = _FLAT**2 * float(power @ power)  # sums of squares below this are noise of the arithmetic itself
    beyond = squares[-1] - squares[best] <= max(_FLAT * squares[-1], rounding)
    if beyond or best == len(grid) - 1:
        raise BadRequest(
            f"In {run.length_s:g} s the temperature does not bend towards a final value, so no time constant can be "
            "told.",
            "Go on measuring until the rise clearly slows down.",
        )
    if best == 0 or squares[0] - squares[best] <= max(_FLAT * squares[0], rounding):
        raise BadRequest(
            "There is no gradual rise: the temperature had settled before the second reading, or never changed.",
            "Take readings more often from the moment the heat comes on.",
        )
    low, high = grid[best - 1], grid[best + 1]
    for _ in range(2):
        finer = np.geomspace(low, high, 9)
        at = int(scan(run, finer, from_rest=from_rest).squares.argmin())
        low, high = finer[max(at - 1, 0)], finer[min(at + 1, 8)]
    return math.sqrt(low * high)


def _polish(run: Run, tau: float, from_rest: bool) -> tuple[float, Array, Array]:
    """Carry the time constant to full precision by Gauss-Newton steps on all numbers together.

    Returns
    -------
    tau : float
    linear : array
        (S,) R.
    residuals : (n,) array
        Times the square root of the weight.
    """
    root = np.sqrt(run.weight)

    def solved(tau: float) -> tuple[Array, Array, Array]:
        y = above_felt(run, np.array([tau]))[0]
        columns = root[:, None] * basis(run, tau, from_rest=from_rest)
        linear = np.linalg.lstsq(columns, root * y, rcond=None)[0]
        return linear, root * y - columns @ linear, columns

    linear, residuals, columns = solved(tau)
    for _ in range(50):
        start = 0.0 if from_rest else float(linear[0])
        slope = root * slope_in_tau(run, tau, start, float(linear[-1])) * tau
        jacobian = np.column_stack([columns, slope])
        step = float(np.linalg.lstsq(jacobian, residuals, rcond=None)[0][-1])
        if not math.isfinite(step) or abs(step) > 0.5:
            break
        moved = solved(tau * math.exp(step))
        if float(moved[1] @ moved[1]) > float(residuals @ residuals) * (1 + 1e-9):
            break
        tau, (linear, residuals, columns) = tau * math.exp(step), moved
        if abs(step) < 1e-12:
            break
    return tau, linear, residuals


def _inverse_information(run: Run, tau: float, start: float, final: float, from_rest: bool) -> Array:
    """Return (J'J)^-1 for (S,) R, time constant; through QR, which keeps twice the digits of J'J."""
    columns = np.column_stack([basis(run, tau, from_rest=from_rest), slope_in_tau(run, tau, start, final)])
    jacobian = np.sqrt(run.weight)[:, None] * columns
    scale = np.linalg.norm(jacobian, axis=0)
    upper = np.linalg.inv(np.linalg.qr(jacobian / scale, mode="r"))
    inverse: Array = (upper @ upper.T) / np.outer(scale, scale)
    return inverse


def _ses(covariance: Array, from_rest: bool) -> tuple[float, float]:
    """Return the standard errors of the rise and of the final value."""
    if from_rest:
        return math.sqrt(covariance[0, 0]), math.sqrt(covariance[0, 0])
    rise = covariance[0, 0] + covariance[1, 1] - 2.0 * covariance[0, 1]
    return math.sqrt(max(rise, 0.0)), math.sqrt(covariance[1, 1])


def _with_cautions(soak: Soak) -> Soak:
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
    if soak.widened > 1.0 and soak.residual_sd > 1e-9 * abs(final.value):
        told.append(
            f"Neighbouring readings err together (correlation {soak.correlation:.2f}); the intervals were widened by "
            f"{soak.widened:.2g}, as if there were fewer readings."
        )
    return replace(soak, cautions=tuple(told))
