"""Whether a measured value meets its limits: probability of conformity and a guard-banded verdict.

Probability as in JCGM 106:2012, clause 7; the verdict's three outcomes with a guard band of one expanded uncertainty as
in ILAC-G8:2009 (w = 1 U), which keeps the risk of a wrong pass and of a wrong fail each below 2.5 % at k = 2.
"""

import math
from dataclasses import dataclass
from typing import Literal

from tracker.bench.figures import show
from tracker.errors import BadRequest

Verdict = Literal["pass", "fail", "undecided"]
SOURCE = "JCGM 106:2012 clauses 7 and 8; guard band w = U as in ILAC-G8:2009"
DEFAULT_K = 2.0  # coverage factor, about 95 % for a normal distribution: GUM 6.3.3
_SLACK = 1e-12  # relative; a value typed exactly at an acceptance limit must not miss it by binary rounding


@dataclass(frozen=True, slots=True)
class Conformity:
    """One value held against its limits. All lengths on the scale of the measured quantity.

    Parameters
    ----------
    verdict : 'pass', 'fail' or 'undecided'
    probability : float
        That the true value lies within the limits, 0 to 1.
    value, u : float
        The measured value and its standard uncertainty.
    k, expanded_u : float
        Coverage factor and U = k u.
    guard_band : float
        w = U.
    lower, upper : float or None
        The limits.
    accept_from, accept_to : float or None
        The limits drawn in by the guard band: between them the verdict is 'pass'.
    rule : str
        The rule applied, with its numbers, in words.
    source : str
    """

    verdict: Verdict
    probability: float
    value: float
    u: float
    k: float
    expanded_u: float
    guard_band: float
    lower: float | None
    upper: float | None
    accept_from: float | None
    accept_to: float | None
    rule: str
    source: str = SOURCE


def probability(
    value: float, u: float, *, lower: float | None = None, upper: float | None = None, dof: float = math.inf
) -> float:
    """Return the probability that the true value lies within the limits (JCGM 106:2012, 7.2 to 7.4).

    Parameters
    ----------
    value, u : float
        Measured value and standard uncertainty, same unit as the limits; u above 0.
    lower, upper : float, optional
        At least one.
    dof : float
        Degrees of freedom of u: normal when infinite, otherwise Student's t (JCGM 101:2008, 6.4.9).

    Raises
    ------
    BadRequest
        No limit, limits the wrong way round, something not finite, or u not above 0.
    """
    _check(value, u, lower, upper)
    z_low = -math.inf if lower is None else (lower - value) / u
    z_high = math.inf if upper is None else (upper - value) / u
    # On the upper side the difference of two numbers close to 1 loses its digits, so it is taken from the other tail.
    inside = _below(-z_low, dof) - _below(-z_high, dof) if z_low > 0 else _below(z_high, dof) - _below(z_low, dof)
    return min(max(inside, 0.0), 1.0)


def _below(z: float, dof: float) -> float:
    """Probability that a standardised value lies below z; both distributions are symmetric."""
    if math.isinf(z):
        return float(z > 0)
    if math.isinf(dof):
        return 0.5 * math.erfc(-z / math.sqrt(2))
    from scipy import special  # looking at photos needs only the normal distribution, and SciPy takes long to import

    return float(special.stdtr(dof, z))


def verdict(
    value: float,
    u: float,
    *,
    lower: float | None = None,
    upper: float | None = None,
    k: float = DEFAULT_K,
    dof: float = math.inf,
    unit: str = "",
) -> Conformity:
    """Return the guard-banded verdict: pass, fail or undecided.

    Parameters
    ----------
    value, u, lower, upper, dof
        As in `probability`.
    k : float
        Coverage factor, above 0.
    unit : str
        Only for the sentence of the rule.

    Raises
    ------
    BadRequest
        As in `probability`, or k not above 0.
    """
    if not (math.isfinite(k) and k > 0):
        raise BadRequest(f"The coverage factor k must be a number above 0, not {k:g}.", "2 is usual.")
    conforms = probability(value, u, lower=lower, upper=upper, dof=dof)
    band = k * u
    if not math.isfinite(band):
        raise BadRequest(f"k = {k:g} times u = {u:g} is too large to compute with.")
    accept_from = None if lower is None else lower + band
    accept_to = None if upper is None else upper - band
    found = _decide(value, lower, upper, band)
    return Conformity(
        verdict=found,
        probability=conforms,
        value=value,
        u=u,
        k=k,
        expanded_u=band,
        guard_band=band,
        lower=lower,
        upper=upper,
        accept_from=accept_from,
        accept_to=accept_to,
        rule=_sentence(lower, upper, band, k, u, unit),
    )


def _decide(value: float, lower: float | None, upper: float | None, band: float) -> Verdict:
    slack = _SLACK * max(abs(value), band, abs(lower or 0.0), abs(upper or 0.0))
    too_low = lower is not None and value < lower - band - slack
    too_high = upper is not None and value > upper + band + slack
    if too_low or too_high:
        return "fail"
    clear_of_lower = lower is None or value >= lower + band - slack
    clear_of_upper = upper is None or value <= upper - band + slack
    return "pass" if clear_of_lower and clear_of_upper else "undecided"


def _sentence(lower: float | None, upper: float | None, band: float, k: float, u: float, unit: str) -> str:
    limits, within, beyond = [], [], []
    if lower is not None:
        limits.append(f"lower limit {show(lower, unit)}")
        within.append(f"at or above {show(lower + band, unit)}")
        beyond.append(f"below {show(lower - band, unit)}")
    if upper is not None:
        limits.append(f"upper limit {show(upper, unit)}")
        within.append(f"at or below {show(upper - band, unit)}")
        beyond.append(f"above {show(upper + band, unit)}")
    return (
        f"{' and '.join(limits)}, guard band w = U = k u = {k:.3g} x {show(u, unit, 3)} = {show(band, unit, 3)}: "
        f"pass {' and '.join(within)}, fail {' or '.join(beyond)}, undecided otherwise"
    )


def _check(value: float, u: float, lower: float | None, upper: float | None) -> None:
    numbers = {"value": value, "standard uncertainty": u, "lower limit": lower, "upper limit": upper}
    for name, number in numbers.items():
        if number is not None and not math.isfinite(number):
            raise BadRequest(f"The {name} must be a finite number, not {number}.")
    if u <= 0:
        raise BadRequest(
            f"The standard uncertainty must be above 0, not {u:g}.",
            "Without one a verdict would be a bare comparison of two numbers.",
        )
    if lower is None and upper is None:
        raise BadRequest("There is no limit to hold the value against.", "Give a lower limit, an upper limit or both.")
    if lower is not None and upper is not None and lower >= upper:
        raise BadRequest(f"The lower limit {lower:g} is not below the upper limit {upper:g}.")
