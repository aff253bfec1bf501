"""Clock ceiling: steps that pass or fail, the ceiling with its interval, the next clock to try, and the verdict.

The chance of a pass falls with the clock along a logistic curve in the logarithm of the clock,

    P(f) = 1 / (1 + (f / ceiling)^(1 / width)).

Steps that separate cleanly (all slower ones pass, all faster ones fail) leave a plain logistic fit without an answer:
the width goes to zero. Here the width has a declared prior and is integrated out, so that such data, the usual case,
give an interval as wide as the gap they leave. The ceiling itself is equally likely per octave beforehand.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from tracker.bench import derating
from tracker.bench.conformity import Verdict
from tracker.bench.derating import Correction
from tracker.bench.figures import percent, show
from tracker.errors import BadRequest

Array = NDArray[np.float64]
CONFIDENCE = 0.95
WIDTH_MEDIAN = 0.005
WIDTH_SPREAD = 1.0
PRIOR_SOURCE = (
    "width of the transition: lognormal, median 0.5 % of the ceiling, sigma 1 in its natural logarithm, cut at three "
    "sigma (0.025 % and 10 %); ceiling: equally likely per octave. Common practice, no source"
)
DEFAULT_MARGIN = 0.05
MARGIN_SOURCE = (
    "5 % above the claimed grade: a grade holds over the part's whole range of temperature and supply, so on a bench "
    "at room temperature a genuine part has speed in hand; common practice, no source"
)
DECISION = 0.977  # probability behind a verdict: the one-sided share of two standard deviations, as at U = 2 u
_RATIO = math.exp(-1.920729)  # likelihood ratio of a 95 % interval: half of chi-square(0.95; 1) = 3.841459
_MOST_CLOCKS = 1000  # a second of work; nobody steps through more by hand
_REACH_OCTAVES = 1.0  # how far beyond the steps tried the ceiling is looked for: seven of the widest widths
_WIDTHS = np.exp(np.linspace(-3.0, 3.0, 33) * WIDTH_SPREAD) * WIDTH_MEDIAN
_WIDTH_WEIGHTS = np.exp(-0.5 * np.linspace(-3.0, 3.0, 33) ** 2)


@dataclass(frozen=True, slots=True)
class Step:
    """One try: the clock in hertz, above 0, and whether the part worked."""

    clock_hz: float
    passed: bool


@dataclass(frozen=True, slots=True)
class Ceiling:
    """The clock at which half of the tries pass, in hertz.

    Parameters
    ----------
    value_hz : float or None
        Posterior median; None when every step passed or every step failed.
    lower_hz, upper_hz : float or None
        Ends of the 95 % interval (equal tails); None on a side the steps leave open. Where a side is open the other
        end is where the likelihood has fallen to that of a 95 % interval.
    width_hz : float or None
        Posterior median of the logistic width; mostly the prior's where the steps separate cleanly.
    highest_pass_hz, lowest_fail_hz : float or None
    next_hz : float
        The clock whose outcome would tell most.
    separated : bool
        Whether every pass is below every failure.
    n : int
    cautions : tuple of str
    """

    value_hz: float | None
    lower_hz: float | None
    upper_hz: float | None
    width_hz: float | None
    highest_pass_hz: float | None
    lowest_fail_hz: float | None
    next_hz: float
    separated: bool
    n: int
    cautions: tuple[str, ...]
    confidence: float = CONFIDENCE
    prior: str = PRIOR_SOURCE


@dataclass(frozen=True, slots=True)
class ClockResult:
    """The verdict on a clock ceiling.

    Parameters
    ----------
    verdict : 'pass', 'fail' or 'undecided'
    rule : str
    reasons : tuple of str
    ceiling : Ceiling
    grade_hz : float or None
        The claimed grade.
    grade_source : str or None
    margin : float
        Relative; the ceiling must reach grade (1 + margin), times the correction's factor.
    required_hz : float or None
    probability : float or None
        That the ceiling reaches `required_hz`; None when every step passed or every step failed.
    probability_grade : float or None
        That the ceiling reaches the grade itself, corrected to the bench; None likewise.
    correction : Correction
        From the bench's supply and temperature to the grade's.
    """

    verdict: Verdict
    rule: str
    reasons: tuple[str, ...]
    ceiling: Ceiling
    grade_hz: float | None
    grade_source: str | None
    margin: float
    margin_source: str
    required_hz: float | None
    probability: float | None
    probability_grade: float | None
    correction: Correction


@dataclass(frozen=True, slots=True)
class _Posterior:
    """Likelihood and normalised posterior of log(ceiling) on an even grid, widths integrated out."""

    log_hz: Array
    likelihood: Array
    mass: Array
    width_share: Array

    def beyond(self, clock_hz: float) -> float:
        """Return the probability that the ceiling is at or above a clock."""
        below = np.interp(math.log(clock_hz), self.log_hz, np.cumsum(self.mass) - self.mass / 2, left=0.0, right=1.0)
        return float(min(max(1.0 - below, 0.0), 1.0))

    def quantile(self, share: float) -> float:
        """Return the clock below which that share of the posterior lies."""
        return float(math.exp(np.interp(share, np.cumsum(self.mass) - self.mass / 2, self.log_hz)))


def find(steps: Sequence[Step], *, grade_hz: float | None = None) -> Ceiling:
    """Return the clock ceiling that the steps speak for.

    Parameters
    ----------
    steps : sequence of Step
        At least one, in any order, repeats welcome.
    grade_hz : float, optional
        The claimed grade with its margin; the next clock to try heads for it first.

    Raises
    ------
    BadRequest
        No step, a clock that is not above 0, or more than 1000 different clocks.
    """
    return _describe(steps, _posterior(steps), grade_hz)


def evaluate(
    steps: Sequence[Step],
    *,
    grade_hz: float | None,
    grade_source: str | None = None,
    margin: float = DEFAULT_MARGIN,
    margin_source: str = MARGIN_SOURCE,
    correction: Correction = derating.NONE,
) -> ClockResult:
    """Hold the clock ceiling against the claimed grade.

    `correction` allows for the supply and temperature at which the grade must hold.

    Passes when the ceiling reaches the grade plus its margin with probability 0.977 or more, fails when it reaches the
    bare grade with probability 0.023 or less, and is undecided otherwise.

    Raises
    ------
    BadRequest
        No step, a clock or a grade not above 0, or a margin below 0.
    """
    if margin < 0 or not math.isfinite(margin):
        raise BadRequest(f"The margin must be 0 or more, not {margin:g}.")
    if grade_hz is not None and not (math.isfinite(grade_hz) and grade_hz > 0):
        raise BadRequest(f"The claimed clock grade must be above 0, not {grade_hz:g} Hz.")
    posterior = _posterior(steps)
    required = None if grade_hz is None else grade_hz * (1.0 + margin) * correction.factor
    bare = None if grade_hz is None else grade_hz * correction.factor
    ceiling = _describe(steps, posterior, required)
    if grade_hz is None or required is None or bare is None:
        return ClockResult(
            "undecided",
            "no claimed grade, so no verdict",
            ("No clock grade is known for the claimed part; state one with its source.",),
            ceiling,
            None,
            None,
            margin,
            margin_source,
            None,
            None,
            None,
            correction,
        )
    # With one side open the far end of the searched range would decide the probability, so there is none.
    bounded = ceiling.value_hz is not None
    reaches = posterior.beyond(required) if bounded else None
    reaches_grade = posterior.beyond(bare) if bounded else None
    verdict = _decide(ceiling, required, bare, reaches, reaches_grade)
    return ClockResult(
        verdict=verdict,
        rule=_rule(grade_hz, required, margin, correction),
        reasons=_reasons(verdict, ceiling, required, bare, reaches, reaches_grade),
        ceiling=ceiling,
        grade_hz=grade_hz,
        grade_source=grade_source,
        margin=margin,
        margin_source=margin_source,
        required_hz=required,
        probability=reaches,
        probability_grade=reaches_grade,
        correction=correction,
    )


def _posterior(steps: Sequence[Step]) -> _Posterior:
    if not steps:
        raise BadRequest("There is no step.", "Give each try as --at 'CLOCK=pass' or --at 'CLOCK=fail', or a table.")
    for step in steps:
        if not (math.isfinite(step.clock_hz) and step.clock_hz > 0):
            raise BadRequest(f"A clock step must be above 0, not {step.clock_hz:g} Hz.")
    if len({step.clock_hz for step in steps}) > _MOST_CLOCKS:
        raise BadRequest(f"There are steps at more than {_MOST_CLOCKS} different clocks.", "Leave most of them out.")
    clocks = np.array([step.clock_hz for step in steps])
    passed = np.array([step.passed for step in steps])
    reach = _REACH_OCTAVES * math.log(2.0)
    rough = np.linspace(math.log(clocks.min()) - reach, math.log(clocks.max()) + reach, 801)
    if passed.all() or not passed.any():
        return _evaluate(rough, clocks, passed)
    coarse = _evaluate(rough, clocks, passed)
    # The posterior may be a thousandth of the searched range wide: look again where it is.
    held = np.flatnonzero(coarse.mass > coarse.mass.max() * 1e-9)
    ends = rough[max(held[0] - 1, 0)], rough[min(held[-1] + 1, len(rough) - 1)]
    return _evaluate(np.linspace(*ends, 1601), clocks, passed)


def _evaluate(log_hz: Array, clocks: Array, passed: Array) -> _Posterior:
    """Return likelihood and posterior on one grid; tries at the same clock are counted together."""
    log_likelihood = np.zeros((len(log_hz), len(_WIDTHS)))
    for clock in np.unique(clocks):
        passes = int((passed & (clocks == clock)).sum())
        fails = int((clocks == clock).sum()) - passes
        z = (math.log(clock) - log_hz)[:, None] / _WIDTHS[None, :]
        log_likelihood += passes * special.log_expit(-z) + fails * special.log_expit(z)
    joint = np.exp(log_likelihood - log_likelihood.max()) * _WIDTH_WEIGHTS[None, :]
    likelihood = joint.sum(axis=1)
    return _Posterior(log_hz, likelihood, likelihood / likelihood.sum(), joint.sum(axis=0) / joint.sum())


def _describe(steps: Sequence[Step], posterior: _Posterior, required_hz: float | None) -> Ceiling:
    passes = [step.clock_hz for step in steps if step.passed]
    fails = [step.clock_hz for step in steps if not step.passed]
    highest_pass, lowest_fail = max(passes, default=None), min(fails, default=None)
    bounded = bool(passes) and bool(fails)
    tail = (1.0 - CONFIDENCE) / 2.0
    separated = highest_pass is None or lowest_fail is None or highest_pass < lowest_fail
    value = posterior.quantile(0.5) if bounded else None
    return Ceiling(
        value_hz=value,
        lower_hz=posterior.quantile(tail) if bounded else _open_end(posterior, bool(passes), lower=True),
        upper_hz=posterior.quantile(1.0 - tail) if bounded else _open_end(posterior, bool(passes), lower=False),
        width_hz=None if value is None else value * _median_width(posterior),
        highest_pass_hz=highest_pass,
        lowest_fail_hz=lowest_fail,
        next_hz=_next(highest_pass, lowest_fail, value, required_hz),
        separated=separated,
        n=len(steps),
        cautions=_cautions(passes, fails),
    )


def _open_end(posterior: _Posterior, all_passed: bool, *, lower: bool) -> float | None:
    """Return the one end that steps of a single outcome give, from the likelihood alone."""
    if lower != all_passed:
        return None
    # The likelihood climbs all the way towards the open side, so it has one crossing.
    towards = slice(None) if lower else slice(None, None, -1)
    climbing = posterior.likelihood[towards] / posterior.likelihood.max()
    return float(math.exp(np.interp(_RATIO, climbing, posterior.log_hz[towards])))


def _median_width(posterior: _Posterior) -> float:
    return float(np.interp(0.5, np.cumsum(posterior.width_share), _WIDTHS))


def _next(
    highest_pass: float | None, lowest_fail: float | None, value: float | None, required_hz: float | None
) -> float:
    """Return the next clock: the required one first, then steps of a tenth outward, then the median inward."""
    if value is not None:
        return value
    if highest_pass is not None:
        ahead = required_hz is not None and highest_pass < required_hz
        return required_hz if ahead and required_hz is not None else highest_pass * 1.1
    assert lowest_fail is not None  # there is at least one step
    return lowest_fail / 1.1


def _cautions(passes: Sequence[float], fails: Sequence[float]) -> tuple[str, ...]:
    told = []
    if passes and fails and np.mean(passes) > np.mean(fails):
        told.append(
            "The passes are at faster clocks than the failures, which is no ceiling: dynamic parts fail below a lowest "
            "clock, and jigs fail for reasons of their own."
        )
    if len(passes) + len(fails) < 3:
        told.append("Fewer than three steps rest mostly on the declared prior.")
    return tuple(told)


def _decide(
    ceiling: Ceiling, required: float, grade_hz: float, reaches: float | None, reaches_grade: float | None
) -> Verdict:
    if any("no ceiling" in caution for caution in ceiling.cautions):
        return "undecided"
    if reaches is None or reaches_grade is None:  # one side open: the likelihood's end decides
        if ceiling.lower_hz is not None:
            return "pass" if ceiling.lower_hz >= required else "undecided"
        return "fail" if ceiling.upper_hz is not None and ceiling.upper_hz < grade_hz else "undecided"
    if reaches >= DECISION:
        return "pass"
    return "fail" if reaches_grade <= 1.0 - DECISION else "undecided"


def _rule(grade_hz: float, required: float, margin: float, correction: Correction) -> str:
    return (
        f"grade {show(grade_hz, 'Hz')}, margin {100 * margin:g} %, {correction.sentence}: pass when the ceiling "
        "reaches "
        f"{show(required, 'Hz')} with probability {percent(DECISION)} or more, fail when it reaches the grade "
        f"without margin with probability {percent(1 - DECISION)} or less, undecided otherwise (JCGM 106:2012 "
        "conformance probability)"
    )


def _reasons(
    verdict: Verdict,
    ceiling: Ceiling,
    required: float,
    grade_hz: float,
    reaches: float | None,
    reaches_grade: float | None,
) -> tuple[str, ...]:
    if (reaches is None or reaches_grade is None) and ceiling.lower_hz is not None:
        return (f"Every step passed; the ceiling is at least about {show(ceiling.lower_hz, 'Hz')}.",)
    if reaches is None or reaches_grade is None:
        return (f"Every step failed; the ceiling is at most about {show(ceiling.upper_hz or 0.0, 'Hz')}.",)
    told = [
        f"The ceiling reaches {show(required, 'Hz')} with a probability of {percent(reaches)}, "
        f"and {show(grade_hz, 'Hz')} with {percent(reaches_grade)}."
    ]
    if verdict == "undecided":
        told.append(f"Try {show(ceiling.next_hz, 'Hz', 3)} next.")
    return tuple(told)
