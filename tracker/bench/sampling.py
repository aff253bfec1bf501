"""How many pieces to test, and what the tested ones say: exact hypergeometric plan, Clopper-Pearson interval."""

import math
from dataclasses import dataclass
from fractions import Fraction

from scipy import special  # not stats, whose import takes most of a second

from tracker.errors import BadRequest

LARGEST_LOT = 10_000_000
_MOST_ALLOWED = 100
_SMALLEST_SHARE = Fraction(1, 10_000)
_EXACT_UP_TO = 5_000  # pieces; above it whole-number arithmetic takes seconds and SciPy's tail is used


@dataclass(frozen=True, slots=True)
class Plan:
    """The smallest sample that finds a bad lot.

    Parameters
    ----------
    n : int
        Pieces to test.
    allowed : int
        The lot is accepted while no more than this many of the n fail.
    lot : int
    bad_pieces : int
        The smallest number of bad pieces that is at least the bad fraction of the lot.
    bad_fraction, confidence : float
        As asked for, 0 to 1.
    reached_confidence : float
        Probability that a lot with that many bad pieces is not accepted.
    source : str
    """

    n: int
    allowed: int
    lot: int
    bad_pieces: int
    bad_fraction: float
    confidence: float
    reached_confidence: float
    source: str = "exact hypergeometric distribution (sampling without replacement)"


@dataclass(frozen=True, slots=True)
class Interval:
    """An exact interval for the fraction that fails, when `failed` of `tested` did."""

    failed: int
    tested: int
    confidence: float
    fraction: float
    lower: float
    upper: float
    source: str = "C. J. Clopper and E. S. Pearson, Biometrika 26 (1934) 404-413; two-sided, equal tails"


def plan(lot: int, bad_fraction: float | str, confidence: float | str, *, allowed: int = 0) -> Plan:
    """Return the smallest sample that finds, with the confidence asked for, a lot that has the bad fraction or more.

    Parameters
    ----------
    lot : int
        Pieces in the lot, 1 to 10 million.
    bad_fraction, confidence : float or decimal text
        Between 0 and 1. They are taken at their decimal value: 0.07 of 100 pieces is 7, not 8.
    allowed : int
        Failures among the sample with which the lot is still accepted, 0 or more.

    Raises
    ------
    BadRequest
        Something is out of range, or fewer bad pieces than `allowed` could show up at all.
    """
    _check_whole(lot, "lot size", 1, LARGEST_LOT)
    _check_whole(allowed, "number of allowed failures", 0, lot)
    share, wanted = Fraction(str(bad_fraction)), Fraction(str(confidence))
    if not 0 < share <= 1 or not 0 < wanted < 1:
        raise BadRequest("The bad fraction and the confidence must lie between 0 and 1.", "Write 0.95, not 95.")
    bad = math.ceil(share * lot)
    if bad <= allowed:
        raise BadRequest(
            f"{float(share):g} of {lot} pieces is {bad} bad, and {allowed} may fail: no sample can reject such a lot.",
            "Allow fewer failures or ask for a larger bad fraction.",
        )
    low, high = allowed + 1, lot - bad + allowed + 1  # at `high` more than `allowed` bad ones must be in the sample
    while low < high:
        middle = (low + high) // 2
        if accepted(lot, bad, middle, allowed) <= 1 - wanted:
            high = middle
        else:
            low = middle + 1
    reached = 1.0 - float(accepted(lot, bad, low, allowed))
    return Plan(low, allowed, lot, bad, float(share), float(wanted), reached)


def accepted(lot: int, bad: int, n: int, allowed: int) -> Fraction:
    """Return the probability of at most `allowed` bad ones among `n` of `lot` pieces with `bad` bad ones.

    Exact for lots up to 5,000; beyond, SciPy's hypergeometric distribution.
    """
    if lot > _EXACT_UP_TO:
        from scipy import stats

        return Fraction(float(stats.hypergeom.cdf(allowed, lot, bad, n)))
    ways = sum(math.comb(bad, i) * math.comb(lot - bad, n - i) for i in range(min(allowed, n, bad) + 1))
    return Fraction(ways, math.comb(lot, n))


def interval(failed: int, tested: int, confidence: float = 0.95) -> Interval:
    """Return the Clopper-Pearson interval for the fraction that fails.

    Parameters
    ----------
    failed, tested : int
        0 <= failed <= tested, tested at least 1.
    confidence : float
        Two-sided, between 0 and 1.

    Returns
    -------
    Interval
        With no failure the lower end is exactly 0, with nothing but failures the upper end exactly 1.

    Raises
    ------
    BadRequest
        Something is out of range.
    """
    _check_whole(tested, "number tested", 1, 10**12)
    _check_whole(failed, "number failed", 0, tested)
    if not 0 < confidence < 1:
        raise BadRequest("The confidence must lie between 0 and 1.", "Write 0.95, not 95.")
    tail = (1.0 - confidence) / 2.0
    lower = 0.0 if failed == 0 else float(special.betaincinv(failed, tested - failed + 1, tail))
    upper = 1.0 if failed == tested else float(special.betainccinv(failed + 1, tested - failed, tail))
    return Interval(failed, tested, confidence, failed / tested, lower, upper)


def at_most(failed: int, tested: int, confidence: float | str) -> float:
    """Return the fraction bad that is not exceeded with this confidence: the one-sided Clopper-Pearson bound.

    Parameters
    ----------
    failed, tested : int
        As in `interval`.
    confidence : float or decimal text
        One-sided, between 0 and 1.

    Raises
    ------
    BadRequest
        As in `interval`.
    """
    _check_whole(tested, "number tested", 1, 10**12)
    _check_whole(failed, "number failed", 0, tested)
    missed = float(1 - _share(confidence, "confidence"))
    return 1.0 if failed == tested else float(special.betainccinv(failed + 1, tested - failed, missed))


def bad_at_most(lot: int, failed: int, tested: int, confidence: float | str) -> int:
    """Return how many bad pieces the whole lot has at most, with this confidence, the failed ones among them.

    Parameters
    ----------
    lot : int
        Pieces in the lot, 1 to 10 million.
    failed, tested : int
        0 <= failed <= tested <= lot; the tested pieces were drawn from the lot at random.
    confidence : float or decimal text
        One-sided, between 0 and 1.

    Returns
    -------
    int
        The largest number of bad pieces with which so few failures are likelier than 1 - confidence: the exact
        hypergeometric bound (J. P. Buonaccorsi, "A note on confidence intervals for proportions in finite populations",
        The American Statistician 41 (1987) 215-218; cited from memory).

    Raises
    ------
    BadRequest
        Something is out of range.
    """
    _check_whole(lot, "lot size", 1, LARGEST_LOT)
    _check_whole(tested, "number tested", 0, lot)
    _check_whole(failed, "number failed", 0, tested)
    missed = Fraction(1) - _share(confidence, "confidence")
    low, high = failed, lot - (tested - failed)  # those that passed are good
    while low < high:
        middle = (low + high + 1) // 2
        if accepted(lot, middle, tested, failed) > missed:
            low = middle
        else:
            high = middle - 1
    return low


def endless_plan(bad_fraction: float | str, confidence: float | str, *, allowed: int = 0) -> int:
    """Return the smallest sample from a lot without end: binomial, as LTPD tables for large lots have it.

    Parameters
    ----------
    bad_fraction, confidence : float or decimal text
        Between 0 and 1; taken at their decimal value.
    allowed : int
        Failures with which the lot is still accepted, 0 to 100.

    Raises
    ------
    BadRequest
        Something is out of range.
    """
    _check_whole(allowed, "number of allowed failures", 0, _MOST_ALLOWED)
    bad, wanted = _share(bad_fraction, "bad fraction"), _share(confidence, "confidence")
    if bad < _SMALLEST_SHARE:
        raise BadRequest(f"A bad fraction below {float(_SMALLEST_SHARE):g} needs more pieces than a workshop sees.")
    low = high = allowed + 1
    while _few_of_endless(bad, high, allowed) > 1 - wanted:
        low, high = high + 1, 2 * high
    while low < high:
        middle = (low + high) // 2
        if _few_of_endless(bad, middle, allowed) <= 1 - wanted:
            high = middle
        else:
            low = middle + 1
    return low


def _few_of_endless(bad: Fraction, n: int, allowed: int) -> Fraction:
    """Return the probability of at most `allowed` bad ones among n, exactly: ties such as 1/8 of 0.5 do happen."""
    p, whole = bad.numerator, bad.denominator
    ways = sum(math.comb(n, i) * p**i * (whole - p) ** (n - i) for i in range(min(allowed, n) + 1))
    return Fraction(ways, whole**n)


def _share(value: float | str, name: str) -> Fraction:
    share = Fraction(str(value))
    if not 0 < share < 1:
        raise BadRequest(f"The {name} must lie between 0 and 1.", "Write 0.95, not 95.")
    return share


def _check_whole(number: int, name: str, lowest: int, highest: int) -> None:
    if not lowest <= number <= highest:
        raise BadRequest(f"The {name} must be a whole number from {lowest} to {highest}, not {number}.")
