"""Standard uncertainties and how they combine: JCGM 100:2008, the GUM. Nothing is rounded before the end."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import special  # not stats, which takes four times as long to import


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value with its standard error in the same unit; `se` is None where the data cannot tell it."""

    value: float
    se: float | None


@dataclass(frozen=True, slots=True)
class Component:
    """One input's share in a combined uncertainty.

    Parameters
    ----------
    name : str
    u : float
        Standard uncertainty of the input, in the input's own unit; 0 or more.
    sensitivity : float
        Change of the result per unit of the input.
    dof : float
        Degrees of freedom behind `u`; infinite for one taken as known exactly.
    """

    name: str
    u: float
    sensitivity: float = 1.0
    dof: float = math.inf

    @property
    def contribution(self) -> float:
        """|sensitivity| times u: this input's share, in the unit of the result."""
        return abs(self.sensitivity) * self.u


@dataclass(frozen=True, slots=True)
class Combined:
    """A combined standard uncertainty and its effective degrees of freedom, both unrounded."""

    u: float
    dof: float


def rectangular(half_width: float) -> float:
    """Return the standard uncertainty of 'anywhere within +/- half_width' (GUM 4.3.7)."""
    return half_width / math.sqrt(3.0)


def type_a(readings: Sequence[float]) -> Component:
    """Return the standard uncertainty of the mean of repeated readings (GUM 4.2).

    Raises
    ------
    ValueError
        Fewer than two readings.
    """
    if len(readings) < 2:
        raise ValueError("one reading says nothing of its scatter")
    scatter = float(np.std(np.asarray(readings, dtype=float), ddof=1))
    return Component("repeated readings", scatter / math.sqrt(len(readings)), dof=len(readings) - 1.0)


def combine(components: Sequence[Component], correlations: Mapping[tuple[str, str], float] | None = None) -> Combined:
    """Combine input uncertainties (GUM 5.1.2 and 5.2.2) and their degrees of freedom (GUM G.4.1).

    Parameters
    ----------
    components : sequence of Component
    correlations : mapping, optional
        Correlation coefficient of a pair of component names; pairs not named are uncorrelated.

    Returns
    -------
    Combined
        The Welch-Satterthwaite degrees of freedom use the unrounded combined uncertainty: rounding it first moves
        the result visibly. The formula is meant for uncorrelated inputs; with correlations it is an approximation.

    Raises
    ------
    ValueError
        A correlation names a component that is not there, or is outside -1 to 1.
    """
    variance = sum(component.contribution**2 for component in components)
    by_name = {component.name: component for component in components}
    for (first, second), r in (correlations or {}).items():
        if first not in by_name or second not in by_name or not -1.0 <= r <= 1.0:
            raise ValueError(f"no such correlation: {first}, {second}, {r}")
        a, b = by_name[first], by_name[second]
        variance += 2.0 * r * a.sensitivity * a.u * b.sensitivity * b.u
    u = math.sqrt(max(variance, 0.0))
    return Combined(u, effective_dof(u, components))


def effective_dof(u: float, components: Sequence[Component]) -> float:
    """Return the Welch-Satterthwaite effective degrees of freedom (GUM G.2b), unrounded.

    Parameters
    ----------
    u : float
        The combined standard uncertainty, unrounded.
    components : sequence of Component

    Returns
    -------
    float
        Infinite when every component is known exactly.
    """
    largest = max((component.contribution for component in components), default=0.0)
    if largest == 0.0:
        return math.inf
    # Scaled by the largest share, so that fourth powers of nanoamperes do not vanish.
    below = sum((c.contribution / largest) ** 4 / c.dof for c in components if not math.isinf(c.dof))
    return (u / largest) ** 4 / below if below > 0.0 else math.inf


def whole_dof(dof: float) -> float:
    """Return degrees of freedom cut to a whole number for a table (GUM G.4.1), at least 1.

    18.999 is 19 to anyone who worked it out by hand, so the value is rounded to two decimals before it is cut.
    """
    return dof if math.isinf(dof) else max(1.0, float(math.floor(round(dof, 2))))


def coverage_factor(dof: float, probability: float = 0.9545) -> float:
    """Return the factor k of a two-sided coverage probability: Student's t (GUM G.3), 2.00 for the default at infinity.

    Parameters
    ----------
    dof : float
        Degrees of freedom, unrounded; 1 or more, may be infinite.
    probability : float
        0 to 1, both excluded.
    """
    upper = 0.5 + probability / 2.0
    cut = whole_dof(dof)
    return float(special.ndtri(upper)) if math.isinf(cut) else float(special.stdtrit(cut, upper))
