"""A seller's record: lots whose pieces' truth is known, as counts with intervals. It counts; it does not accuse."""

from collections.abc import Sequence
from dataclasses import dataclass

from tracker.judgement.prior import source_kind

LEVEL = 0.95
JEFFREYS = 0.5
JEFFREYS_SOURCE = (
    "Beta posterior from Jeffreys' prior, equal tails (L. D. Brown, T. T. Cai, A. DasGupta, Statistical Science 16 "
    "(2001) 101-133; from memory)"
)
LEAST_LOTS = 3
"""A half of the record with fewer known lots bears no trend (common practice, no source)."""
SURE = 0.95
"""A difference is called a trend from this probability on (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Share:
    """How many known lots had pieces that were not as claimed.

    Parameters
    ----------
    bad, lots : int
    low, high : float
        The interval for the share of such lots, 0 to 1.
    level : float
    """

    bad: int
    lots: int
    low: float
    high: float
    level: float = LEVEL


@dataclass(frozen=True, slots=True)
class Trend:
    """The earlier half of the known lots against the later one.

    Parameters
    ----------
    earlier, later : Share
    rises : float
        Probability that the later share is the larger.
    word : str
        'more', 'fewer', or 'none' where the counts do not bear a difference.
    """

    earlier: Share
    later: Share
    rises: float
    word: str


@dataclass(frozen=True, slots=True)
class Expected:
    """What is thought of a piece of the seller's next lot before looking.

    Parameters
    ----------
    source_kind : str
    not_genuine : float
        The prior, 0 to 1.
    low, high : float
        The interval of that share.
    declared : float
        What it would be without this seller's record.
    """

    source_kind: str
    not_genuine: float
    low: float
    high: float
    declared: float


def share(bad: int, lots: int) -> Share:
    """Return how many of the known lots had pieces not as claimed, with the interval.

    Raises
    ------
    ValueError
        Where the counts are no counts.
    """
    if not 0 <= bad <= lots:
        raise ValueError(f"{bad} of {lots} is no count")
    low, high = _interval(JEFFREYS + bad, JEFFREYS + lots - bad)
    # As usual with this interval: where all or none were bad, that end is not excluded.
    return Share(bad, lots, 0.0 if bad == 0 else low, 1.0 if bad == lots else high)


def trend(bad: Sequence[bool]) -> Trend | None:
    """Return the earlier half of the known lots against the later one, None where either is too short.

    Parameters
    ----------
    bad : sequence of bool
        For each known lot, in the order of arrival, whether it had pieces not as claimed.
    """
    half = len(bad) // 2
    if half < LEAST_LOTS:
        return None
    earlier, later = share(sum(bad[:half]), half), share(sum(bad[half:]), len(bad) - half)
    rises = probability_larger(later, earlier)
    word = "more" if rises >= SURE else "fewer" if rises <= 1.0 - SURE else "none"
    return Trend(earlier, later, rises, word)


def probability_larger(one: Share, other: Share) -> float:
    """Return the probability that the share behind `one` is larger than that behind `other` (Jeffreys' priors)."""
    from scipy import special

    # The integrand is smooth between the ends, where Gauss-Jacobi takes up the density of `one` itself.
    a, b = JEFFREYS + one.bad, JEFFREYS + one.lots - one.bad
    x, w = special.roots_jacobi(200, b - 1.0, a - 1.0)
    below = special.betainc(JEFFREYS + other.bad, JEFFREYS + other.lots - other.bad, (1.0 + x) / 2.0)
    return float(below @ w / w.sum())


def expected(kind: str | None, bad: float, good: float) -> Expected:
    """Return the prior that the record gives for the next lot of this kind of source.

    Parameters
    ----------
    kind : str or None
    bad, good : float
        Known lots, each counting as one; a lot of which some pieces were bad counts in parts.
    """
    declared = source_kind(kind)
    a, b = declared.bad + bad, declared.good + good
    low, high = _interval(a, b)
    return Expected(declared.name, a / (a + b), low, high, declared.not_genuine)


def said(found: Share) -> str:
    """Return the record as a sentence of counts."""
    if not found.lots:
        return "nothing is known yet of what this seller's pieces were"
    lots = "1 known lot" if found.lots == 1 else f"{found.lots} known lots"
    return (
        f"{found.bad} of {lots} had pieces that were not as claimed; "
        f"{100 * found.level:.0f} % interval {100 * found.low:.0f} to {100 * found.high:.0f} %"
    )


def said_trend(found: Trend | None) -> str:
    """Return the trend as a sentence of counts."""
    if found is None:
        return f"no trend is told from fewer than {2 * LEAST_LOTS} known lots"
    before, after = found.earlier, found.later
    counts = f"{before.bad} of the earlier {before.lots}, {after.bad} of the later {after.lots} lots"
    if found.word == "none":
        return f"{counts}: the counts bear no trend"
    sure = found.rises if found.word == "more" else 1.0 - found.rises
    return f"{counts}: {found.word} than before with {100 * sure:.0f} % probability"


def _interval(a: float, b: float) -> tuple[float, float]:
    from scipy import special

    tail = (1.0 - LEVEL) / 2.0
    return float(special.betaincinv(a, b, tail)), float(special.betaincinv(a, b, 1.0 - tail))
