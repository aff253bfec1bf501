"""How good probabilities were, once the truth is known: scores, reliability, discrimination.

Forecasts are arrays of shape (n,), probabilities from 0 to 1 of 'not genuine'; truths are arrays of shape (n,) of 0
(genuine) and 1 (not genuine).
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

BINS = 10
Z_95 = 1.959963984540054
"""Standard normal quantile of 97.5 %."""
LEAST_OF_EITHER = 5
"""With fewer pieces of one kind than that, an area under the curve says nothing (common practice, no source)."""
DRAWS = 500
"""As often are truths drawn from the forecasts, to see what chance alone does."""


@dataclass(frozen=True, slots=True)
class Bin:
    """Forecasts in (lower, upper]; the first bin holds 0, too.

    Parameters
    ----------
    lower, upper : float
    pieces, not_genuine : int
        How many forecasts, and how many of the pieces were not genuine.
    said : float
        Mean forecast.
    """

    lower: float
    upper: float
    pieces: int
    not_genuine: int
    said: float

    @property
    def were(self) -> float:
        """Share of pieces that were not genuine."""
        return self.not_genuine / self.pieces


@dataclass(frozen=True, slots=True)
class Decomposition:
    """The parts of a Brier score: reliability - resolution + uncertainty + within.

    Parameters
    ----------
    reliability : float
        Mean squared distance of what was said from what was, bin by bin; 0 is best.
    resolution : float
        How far the bins' outcomes are from the overall share; more is better.
    uncertainty : float
        p (1 - p) of the overall share: what saying that share of everything would score.
    within : float
        What forecasts differ within their bins; the first three alone hold for one forecast a bin.
    """

    reliability: float
    resolution: float
    uncertainty: float
    within: float


@dataclass(frozen=True, slots=True)
class Area:
    """Area under the receiver's operating curve: how often a piece that is not genuine is the more suspicious of two.

    Parameters
    ----------
    value : float
        0.5 is chance, 1 is perfect.
    lower, upper : float
        95 % interval.
    not_genuine, genuine : int
    """

    value: float
    lower: float
    upper: float
    not_genuine: int
    genuine: int
    source: str = (
        "Mann-Whitney; interval: J. A. Hanley and B. J. McNeil, Radiology 143 (1982) 29-36, inverted as method 5 of "
        "R. G. Newcombe, Statistics in Medicine 25 (2006) 559-573 (from memory)"
    )


@dataclass(frozen=True, slots=True)
class Scores:
    """How good forecasts were.

    Parameters
    ----------
    pieces, not_genuine : int
    brier : float
        Mean squared error, 0 to 1.
    decomposition : Decomposition
    log_loss : float
        Mean of -ln of the probability given to the truth; infinite where something was sure and wrong.
    calibration_error : float
        Expected calibration error: mean distance of what was said from what was, over the bins, by pieces.
    by_chance : float
        What that error would be on average if every forecast were right: with few pieces it is never 0.
    by_chance_at_most : float
        95 % of such draws stay below this.
    bins : tuple of Bin
        Those that hold a forecast.
    area : Area or None
        None where there are too few pieces of either kind.
    """

    pieces: int
    not_genuine: int
    brier: float
    decomposition: Decomposition
    log_loss: float
    calibration_error: float
    by_chance: float
    by_chance_at_most: float
    bins: tuple[Bin, ...]
    area: Area | None


def scores(forecasts: ArrayLike, truths: ArrayLike, bins: int = BINS, seed: int = 0) -> Scores:
    """Return how good forecasts were.

    Parameters
    ----------
    forecasts, truths : array_like
        At least one each.
    bins : int
        Of equal width.
    seed : int
        Of the draws behind `by_chance`.

    Raises
    ------
    ValueError
        The arrays do not match, are empty, or hold something else than probabilities and truths.

    References
    ----------
    G. W. Brier, Monthly Weather Review 78 (1950) 1-3. Decomposition: A. H. Murphy, Journal of Applied Meteorology 12
    (1973) 595-600; its remainder: D. B. Stephenson, C. A. S. Coelho and I. T. Jolliffe, Weather and Forecasting 23
    (2008) 752-757. Draws from the forecasts: J. Bröcker and L. A. Smith, Weather and Forecasting 22 (2007) 651-661.
    (All from memory.)
    """
    p, y = _checked(forecasts, truths)
    places = _places(p, bins)
    chance = _error_by_chance(p, places, bins, seed)
    return Scores(
        pieces=len(p),
        not_genuine=int(y.sum()),
        brier=brier(p, y),
        decomposition=_decomposition(p, y, places, bins),
        log_loss=log_loss(p, y),
        calibration_error=_error(p, y[np.newaxis], places, bins)[0],
        by_chance=float(chance.mean()),
        by_chance_at_most=float(np.quantile(chance, 0.95)),
        bins=_bins(p, y, places, bins),
        area=area(p, y),
    )


def _checked(forecasts: ArrayLike, truths: ArrayLike) -> tuple[Array, Array]:
    p, y = np.asarray(forecasts, dtype=np.float64), np.asarray(truths, dtype=np.float64)
    if p.ndim != 1 or p.shape != y.shape or not len(p):
        raise ValueError("forecasts and truths are two lists of one length, at least 1")
    if not ((p >= 0) & (p <= 1)).all() or not np.isin(y, (0.0, 1.0)).all():
        raise ValueError("forecasts are probabilities from 0 to 1, truths are 0 or 1")
    return p, y


def brier(forecasts: ArrayLike, truths: ArrayLike) -> float:
    """Return the Brier score: 0 is perfect, always saying one half scores 0.25."""
    p, y = _checked(forecasts, truths)
    return float(np.mean((p - y) ** 2))


def log_loss(forecasts: ArrayLike, truths: ArrayLike) -> float:
    """Return the mean negative natural logarithm of the probability given to what was true."""
    p, y = _checked(forecasts, truths)
    given = np.where(y == 1, p, 1 - p)
    with np.errstate(divide="ignore"):
        return float(np.mean(-np.log(given)))


def area(forecasts: ArrayLike, truths: ArrayLike) -> Area | None:
    """Return the area under the receiver's operating curve; None with too few pieces of either kind."""
    p, y = _checked(forecasts, truths)
    m, n = int(y.sum()), int(len(y) - y.sum())
    if min(m, n) < LEAST_OF_EITHER:
        return None
    # Mean ranks: ties count one half.
    _, inverse, counts = np.unique(p, return_inverse=True, return_counts=True)
    ranks = (np.cumsum(counts) - (counts - 1) / 2.0)[inverse]
    value = float((ranks[y == 1].sum() - m * (m + 1) / 2.0) / (m * n))
    return Area(value, _bound(value, 0.0, m, n), _bound(value, 1.0, m, n), m, n)


def _bound(value: float, end: float, m: int, n: int) -> float:
    """Return the area between `value` and `end` from which `value` is just 1.96 standard errors away, by bisection."""
    near, far = value, end
    for _ in range(60):
        middle = (near + far) / 2.0
        if abs(value - middle) > Z_95 * _standard_error(middle, m, n):
            far = middle
        else:
            near = middle
    return near


def _standard_error(value: float, m: int, n: int) -> float:
    half = (m + n) / 2.0 - 1.0
    spread = 1.0 + half * (1.0 - value) / (2.0 - value) + half * value / (1.0 + value)
    return math.sqrt(value * (1.0 - value) * spread / (m * n))


def _places(p: Array, bins: int) -> NDArray[np.intp]:
    return np.searchsorted(np.linspace(0.0, 1.0, bins + 1)[1:-1], p)


def _bins(p: Array, y: Array, places: NDArray[np.intp], bins: int) -> tuple[Bin, ...]:
    edges = np.linspace(0.0, 1.0, bins + 1)
    return tuple(
        Bin(float(edges[k]), float(edges[k + 1]), int(at.sum()), int(y[at].sum()), float(p[at].mean()))
        for k in range(bins)
        if (at := places == k).any()
    )


def _decomposition(p: Array, y: Array, places: NDArray[np.intp], bins: int) -> Decomposition:
    counts = np.bincount(places, minlength=bins)
    some = counts > 0
    said = np.bincount(places, p, bins)[some] / counts[some]
    were = np.bincount(places, y, bins)[some] / counts[some]
    share, worth = y.mean(), counts[some] / len(p)
    reliability = float(np.sum(worth * (said - were) ** 2))
    resolution = float(np.sum(worth * (were - share) ** 2))
    uncertainty = float(share * (1.0 - share))
    return Decomposition(reliability, resolution, uncertainty, brier(p, y) - reliability + resolution - uncertainty)


def _error(p: Array, truths: Array, places: NDArray[np.intp], bins: int) -> Array:
    """Return the expected calibration error for each row of `truths`, shape (draws, n)."""
    member = (places[:, np.newaxis] == np.arange(bins)).astype(np.float64)
    error: Array = np.abs(truths @ member - p @ member).sum(axis=1) / len(p)
    return error


def _error_by_chance(p: Array, places: NDArray[np.intp], bins: int, seed: int) -> Array:
    drawn = np.random.default_rng(seed).random((DRAWS, len(p))) < p
    return _error(p, drawn.astype(np.float64), places, bins)
