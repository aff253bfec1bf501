"""Is one value unlike a few others? Median and MAD, honest about small groups and about how photos differ."""

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median

import numpy as np

from vision.light import MAD_TO_SD

LEAST_SIBLINGS = 2
"""One sibling alone cannot say which of the two differs."""
OUTLYING = 3.5
"""Iglewicz & Hoaglin (1993), How to Detect and Handle Outliers: modified z-scores beyond 3.5 are potential outliers."""
CLEARLY = 1.3
"""'clear' begins at this many times the bound of 'slight' (common practice, no source)."""
DECLARED_WEIGHT = 40.0
"""Degrees of freedom given to the declared allowance against the group's own scatter (common practice, no source)."""
SLOPE, SLOPE_SD = -0.25, 0.2
"""Slope of relative noise against light, logarithms, and its spread among cameras: -1/2 for a bare sensor's photon
noise (Poisson), 0 where all that is seen is texture; between them: common practice, no source."""
DISAGREEING = 0.4
"""Share of the group's own variance that counts on top: where one of two others is itself the odd one, a genuine
piece must not be held against the middle between them (common practice, no source)."""
MAD_EFFICIENCY = 0.37
"""Efficiency of the MAD for normal samples (Rousseeuw & Croux 1993): n values give 0.37 (n - 1) degrees of freedom."""
# Factors that make 1.4826 MAD right on average for 2 to 9 normal values; n / (n - 0.8) above (Croux & Rousseeuw 1992,
# from memory; a test checks them against simulation).
_SMALL = {2: 1.196, 3: 1.495, 4: 1.363, 5: 1.206, 6: 1.200, 7: 1.140, 8: 1.129, 9: 1.107}


@dataclass(frozen=True, slots=True)
class Deviation:
    """How far one value lies from a group.

    Parameters
    ----------
    difference : float
        Value minus the group's median, in the unit given.
    width : float
        Standard uncertainty of that difference for a genuine piece.
    bound : float
        How many widths a difference must exceed to be 'slight'.
    others : int
        Size of the group.
    """

    difference: float
    width: float
    bound: float
    others: int

    @property
    def score(self) -> float:
        """Difference in widths, signed."""
        return self.difference / self.width

    @property
    def strength(self) -> str | None:
        """'clear', 'slight' or None."""
        size = abs(self.score)
        if size > CLEARLY * self.bound:
            return "clear"
        return "slight" if size > self.bound else None

    @property
    def visible(self) -> float:
        """The smallest difference that would have been seen, in the unit given."""
        return self.bound * self.width


def scatter(values: Sequence[float]) -> float:
    """Return the robust standard deviation of a small normal sample: MAD, normal-consistent, corrected for n.

    Parameters
    ----------
    values : sequence of float
        Two or more; fewer give 0.

    Returns
    -------
    float
    """
    n = len(values)
    if n < 2:
        return 0.0
    factor = _SMALL.get(n, n / (n - 0.8))
    middle = float(median(values))
    # For a handful of values the standard library's median is ten times as quick as NumPy's.
    return float(factor * MAD_TO_SD * median([abs(float(value) - middle) for value in values]))


def deviation(
    value: float, u: float, others: Sequence[float], others_u: Sequence[float], allowance: float
) -> Deviation:
    """Compare one value with the others of its kind.

    The scatter among genuine pieces is a compromise between the declared `allowance` and what the group itself shows,
    weighted by degrees of freedom (a scaled inverse chi-square prior: Smyth 2004, Gelman et al., Bayesian Data
    Analysis, 2.6), and part of what the group shows counts on top. The bound is the point of Student's t that leaves as
    little in the tails as 3.5 does of a normal.

    Parameters
    ----------
    value, u : float
        The value and its standard uncertainty.
    others, others_u : sequence of float
        The group without it, and their uncertainties; at least one.
    allowance : float
        Declared standard deviation among genuine pieces photographed differently, above 0.

    Returns
    -------
    Deviation

    Raises
    ------
    ValueError
        If the group is empty or the allowance is not positive.
    """
    n = len(others)
    if n == 0 or allowance <= 0:
        raise ValueError("a comparison needs at least one other value and a positive allowance")
    own = MAD_EFFICIENCY * (n - 1)
    freedom = DECLARED_WEIGHT + own
    # The others' own measurement noise is part of what they show, so it is not counted against the allowance twice.
    noise = float(median(others_u)) ** 2
    shown = max(0.0, scatter(others) ** 2 - noise)
    # A few that agree by chance must not narrow what is allowed; a few that do not agree are a poor measure at once.
    between = (DECLARED_WEIGHT * allowance**2 + own * shown) / freedom + DISAGREEING * shown
    centre_u2 = (np.pi / 2 if n > 2 else 1.0) * (between + noise) / n
    width = float(np.sqrt(between + u**2 + centre_u2))
    bound = as_rare(OUTLYING, freedom)
    return Deviation(value - float(median(others)), width, bound, n)


def as_rare(z: float, freedom: float) -> float:
    """Return the point of Student's t that leaves as little in the tail as z does of a normal distribution.

    Parameters
    ----------
    z : float
    freedom : float
        Degrees of freedom, some tens or more.

    Notes
    -----
    Abramowitz & Stegun 1964, Handbook of Mathematical Functions, 26.7.5: four terms, good to a hundred-thousandth for
    z = 3.5 at 40 degrees of freedom. SciPy has it exactly and takes longer to import than a photo's chips to compare.
    """
    terms = (
        (z**3 + z) / 4,
        (5 * z**5 + 16 * z**3 + 3 * z) / 96,
        (3 * z**7 + 19 * z**5 + 17 * z**3 - 15 * z) / 384,
        (79 * z**9 + 776 * z**7 + 1482 * z**5 - 1920 * z**3 - 945 * z) / 92160,
    )
    return z + sum(term / freedom ** (k + 1) for k, term in enumerate(terms))


def levelled(
    values: Sequence[float], light: Sequence[float], at: float, allowance: float
) -> tuple[tuple[float, ...], float]:
    """Bring values that follow the light to what they would be in one light, and say how unsure that is.

    A sensor counts photons, so its noise falls as the root of the light relative to it; noise reduction and true
    texture weaken that. How much of it is left is learnt from the values themselves, by a straight line whose slope
    has a declared prior (Bayesian regression: Gelman et al., Bayesian Data Analysis, 14.2).

    Parameters
    ----------
    values, light : sequence of float
        Logarithms, of the others alone: what is to be judged must not bend the line.
    at : float
        Logarithm of the light to bring them to.
    allowance : float
        Standard deviation of a value about the line.

    Returns
    -------
    values : tuple of float
    u : float
        Standard uncertainty that the slope leaves at `at`.
    """
    x, y = np.asarray(light, dtype=np.float64), np.asarray(values, dtype=np.float64)
    away = x - x.mean()
    precision = 1 / SLOPE_SD**2 + float(away @ away) / allowance**2
    slope = (SLOPE / SLOPE_SD**2 + float(away @ (y - y.mean())) / allowance**2) / precision
    return tuple(float(v) for v in y - slope * (x - at)), abs(at - float(x.mean())) / float(np.sqrt(precision))
