"""NMOS, bipolar or CMOS, from how the supply current depends on the clock: I = I0 + k f.

A CMOS part draws next to nothing when its clock stands still and in proportion to the clock when it runs; an NMOS or
bipolar part draws nearly the same at any clock. The models below say how large each number usually is; they are wide on
purpose and declared with their origin. The probabilities weigh the three technologies against each other only.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Model:
    """What the two numbers of the line usually are, as normal distributions of log10.

    Parameters
    ----------
    static_log10_a : (float, float)
        Mean and standard deviation of log10(I0 / A).
    slope_log10 : (float, float) or None
        Mean and standard deviation of log10(k / (A/Hz)).
    rise_log10 : (float, float) or None
        Instead of the slope: of log10(k f / I0) at the highest clock measured.
    """

    static_log10_a: tuple[float, float]
    slope_log10: tuple[float, float] | None
    rise_log10: tuple[float, float] | None
    source: str


MODELS: Mapping[str, Model] = MappingProxyType(
    {
        "cmos": Model(
            (-5.0, 1.3),
            (-9.3, 0.9),
            None,
            "static: 10 uA, from the 0.01 uA typical of 74C00 to the milliamperes of large parts with pull-ups; slope: "
            "0.5 mA/MHz, from C V f of one gate (0.1 mA/MHz at 20 pF and 5 V) to processors of several mA/MHz. "
            "Centres and widths common practice, no source",
        ),
        "nmos": Model(
            (-1.2, 0.35),
            None,
            (-1.5, 0.8),
            "static: 60 mA, 30 to 140 mA for 8-bit processors and interface parts (from memory); the rise with the "
            "clock is a few per cent of it. Common practice, no source",
        ),
        "bipolar": Model(
            (-2.0, 0.6),
            None,
            (-1.5, 0.8),
            "static: 10 mA, between 1.6 mA for a 74LS quad gate (SDLS025B) and 100 mA for large parts (from memory); "
            "the rise with the clock is a few per cent of it. Common practice, no source",
        ),
    }
)
PRIOR_SOURCE = "each technology equally likely beforehand: indifference, no source"
MODEL_ERROR = 0.10  # relative: a straight line is itself only a model of a chip; common practice, no source

_STEP = 0.03  # decades between grid points: finer than MODEL_ERROR, so no likelihood falls between them
_STATIC_GRID = np.arange(-9.0, 1.0, _STEP)
_SLOPE_GRID = np.arange(-14.0, -5.0, _STEP)


@dataclass(frozen=True, slots=True)
class Technologies:
    """Probabilities of the three technologies; they add up to 1."""

    cmos: float
    nmos: float
    bipolar: float

    def of(self, technology: str) -> float | None:
        """Return the probability of a technology as the trade spells it; None for one without a model.

        PMOS behaves as NMOS does here. NMOS and bipolar parts are told apart badly by current alone.
        """
        name = {"pmos": "nmos"}.get(technology.lower(), technology.lower())
        return getattr(self, name) if name in MODELS else None


def probabilities(
    static_a: float,
    slope_a_per_hz: float,
    covariance: Sequence[Sequence[float]],
    highest_clock_hz: float,
) -> Technologies:
    """Return how likely each technology is, given a fitted line.

    Parameters
    ----------
    static_a, slope_a_per_hz : float
        The fitted line; either may come out negative by measurement error.
    covariance : 2 x 2 nested sequence of float
        Of the two, in their units.
    highest_clock_hz : float
        Highest clock measured, above 0.

    Notes
    -----
    The line's likelihood, widened by MODEL_ERROR, is integrated over each model on a grid (10 nA... 10 A in static
    current; the grid is wider than any part).
    """
    measured = np.array([static_a, slope_a_per_hz])
    widened = np.array(covariance, dtype=float) + np.diag((MODEL_ERROR * measured) ** 2)
    likelihood = _likelihood(measured, widened)
    evidence = {name: _evidence(model, likelihood, highest_clock_hz) for name, model in MODELS.items()}
    total = sum(evidence.values())
    if total <= 0.0:  # unlike any of the models: they cannot tell
        return Technologies(1 / 3, 1 / 3, 1 / 3)
    return Technologies(**{name: value / total for name, value in evidence.items()})


def _likelihood(measured: Array, covariance: Array) -> Array:
    """Return the likelihood of every grid point (static down, slope across), up to a factor."""
    static, slope = 10.0 ** _STATIC_GRID[:, None], 10.0 ** _SLOPE_GRID[None, :]
    scale = np.sqrt(np.diag(covariance))
    correlation = covariance[0, 1] / (scale[0] * scale[1])
    z_static, z_slope = (static - measured[0]) / scale[0], (slope - measured[1]) / scale[1]
    power = (z_static**2 - 2 * correlation * z_static * z_slope + z_slope**2) / (1 - correlation**2)
    likelihood: Array = np.exp(-0.5 * (power - power.min()))
    return likelihood


def _normal(x: Array, mean: float, sd: float) -> Array:
    """Return the density of a normal distribution."""
    density: Array = np.exp(-0.5 * ((x - mean) / sd) ** 2) / (sd * math.sqrt(2.0 * math.pi))
    return density


def _evidence(model: Model, likelihood: Array, highest_clock_hz: float) -> float:
    static = _normal(_STATIC_GRID, *model.static_log10_a)[:, None]
    if model.slope_log10 is not None:
        slope = _normal(_SLOPE_GRID, *model.slope_log10)[None, :]
    else:
        assert model.rise_log10 is not None  # every model has the one or the other
        rise = _SLOPE_GRID[None, :] + np.log10(highest_clock_hz) - _STATIC_GRID[:, None]
        slope = _normal(rise, *model.rise_log10)
    return float((likelihood * static * slope).sum())
