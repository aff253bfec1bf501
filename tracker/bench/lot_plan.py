"""A lot's bench plan: which tests its part asks for, on how many pieces, for how long, and what they would say."""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from random import Random

from tracker.bench import sampling
from tracker.bench.sampling import Plan
from tracker.errors import BadRequest
from tracker.knowledge.bench_tests import BenchTest, bench_tests
from tracker.knowledge.families import FamilyData

DEFAULT_BAD_FRACTION = "0.1"
DEFAULT_CONFIDENCE = "0.9"
DEFAULT_SOURCE = "10 % bad found with 90 % confidence unless stated otherwise; common practice, no source"
RANDOM = (
    "The figures hold for pieces drawn at random from the lot; picked by their looks they say less. The draw is "
    "made from the lot's label, so that it is the same whenever it is asked for."
)
LTPD_PERCENT = ("50", "30", "20", "15", "10", "7", "5", "3", "2", "1.5", "1", "0.7", "0.5", "0.3", "0.2", "0.15", "0.1")
_CLOCK = re.compile(r"\d\s*[kMG]Hz")
LTPD_ALLOWED = (0, 1, 2, 3)
LTPD_SOURCE = (
    "the series of percentages is that of MIL-PRF-38535, appendix D; the numbers are the exact binomial minimum, which "
    "printed tables exceed by one or two at some percentages"
)


@dataclass(frozen=True, slots=True)
class Suited:
    """A test that the claimed part asks for, and why in words."""

    test: BenchTest
    why: str


@dataclass(frozen=True, slots=True)
class Done:
    """What is on record of one test: pieces whose latest run of it has a verdict, and how many of them failed."""

    tested: int
    failed: int


@dataclass(frozen=True, slots=True)
class Said:
    """What a number of tested pieces says of the lot, one-sided.

    Parameters
    ----------
    tested, failed : int
    confidence : float
    fraction_at_most : float
        Clopper-Pearson: the fraction bad of the stream the lot came from.
    rest : int
        Pieces of the lot that are not tested.
    rest_bad_at_most : int
        Hypergeometric: how many of those are bad at most.
    """

    tested: int
    failed: int
    confidence: float
    fraction_at_most: float
    rest: int
    rest_bad_at_most: int


@dataclass(frozen=True, slots=True)
class Planned:
    """One test of the plan.

    Parameters
    ----------
    test, why : str
    wanted : int
        Pieces the plan asks for, those already tested among them.
    done : Done
    now : int
        Pieces to test now: what is missing, as far as the time goes.
    minutes : float
        What that takes, set-up included.
    minutes_source : str
    reached_confidence : float
        Probability that a lot with the bad fraction asked for shows a failure among the pieces then tested.
    if_none_fails : Said or None
        What the pieces then tested would say without a further failure; None where none is tested.
    """

    test: str
    why: str
    wanted: int
    done: Done
    now: int
    minutes: float
    minutes_source: str
    reached_confidence: float
    if_none_fails: Said | None


@dataclass(frozen=True, slots=True)
class LotPlan:
    """The plan of a lot.

    Parameters
    ----------
    sample : Plan
        How many pieces a test needs.
    tests : tuple of Planned
        Quickest first.
    have_min, minutes : float or None, float
        Time there is, and time the plan takes.
    notes : tuple of str
    """

    sample: Plan
    tests: tuple[Planned, ...]
    have_min: float | None
    minutes: float
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class LtpdRow:
    """One line of the table: pieces to test for 0, 1, 2, 3 allowed failures; None where no sample can do it."""

    percent: str
    n: tuple[int | None, ...]


def suited(family: FamilyData | None, *, signature: bool, curves: bool, grade: str | None = None) -> tuple[Suited, ...]:
    """Return the tests a part asks for, quickest first.

    Parameters
    ----------
    family : FamilyData or None
        What is known of the claimed part.
    signature : bool
        Whether the claimed part has an electronic signature.
    curves : bool
        Whether curves of an exemplar of the part are on record.
    grade : str, optional
        The grade claimed for the lot, as the seller words it.

    Notes
    -----
    The rule (common practice, no source): signature where the part has one; current where a limit is known; clock where
    the part has a grade; curve where there is something to compare with; in a machine where nothing else is possible.
    """
    why = {}
    if signature:
        why["signature"] = "the claimed part has an electronic signature"
    if family is not None and any(row.max_a is not None for row in family.currents):
        why["current"] = f"a limit of the supply current is known for {family.name}"
    if family is not None and family.clock_hz is not None:
        why["clock"] = f"the claimed part has a clock grade, {family.clock_hz.value / 1e6:g} MHz"
    elif grade and _CLOCK.search(grade):
        why["clock"] = f"the lot is claimed to be of grade {grade}"
    if curves:
        why["curve"] = "pin curves of an exemplar are on record"
    if not why:
        why["in-circuit"] = "no limit, grade or signature of the claimed part is known"
    return tuple(Suited(test, why[name]) for name, test in bench_tests().items() if name in why)


def lay_out(
    tests: Sequence[Suited],
    lot: int,
    done: dict[str, Done],
    *,
    bad_fraction: float | str = DEFAULT_BAD_FRACTION,
    confidence: float | str = DEFAULT_CONFIDENCE,
    have_min: float | None = None,
) -> LotPlan:
    """Return how many pieces to test with each test.

    Parameters
    ----------
    tests : sequence of Suited
    lot : int
        Pieces in the lot.
    done : dict of str to Done
        By the test's name.
    bad_fraction, confidence : float or decimal text
        Between 0 and 1.
    have_min : float, optional
        Minutes there are; the quickest test is filled up first.

    Raises
    ------
    BadRequest
        Something is out of range.
    """
    if have_min is not None and not have_min > 0:
        raise BadRequest(f"With {have_min:g} min nothing can be tested.", "Say how much time there is: '90 min'.")
    sample = sampling.plan(lot, bad_fraction, confidence)
    left, planned = have_min, []
    for one in tests:
        planned.append(_planned(one, sample, done.get(one.test.name, Done(0, 0)), left))
        left = None if left is None else left - planned[-1].minutes
    short = [one.test for one in planned if one.done.tested + one.now < one.wanted]
    notes = [f"The time does not suffice for {' and '.join(short)} on {sample.n} pieces."] if short else []
    notes += [
        f"{one.done.failed} of {one.done.tested} pieces already failed {one.test}: the lot is not free of bad ones."
        for one in planned
        if one.done.failed
    ]
    return LotPlan(sample, tuple(planned), have_min, sum(one.minutes for one in planned), (*notes, RANDOM))


def said(lot: int, failed: int, tested: int, confidence: float | str) -> Said:
    """Return what the tested pieces of a lot say of it.

    Raises
    ------
    BadRequest
        Something is out of range; at least one piece must be tested.
    """
    return Said(
        tested=tested,
        failed=failed,
        confidence=float(confidence),
        fraction_at_most=sampling.at_most(failed, tested, confidence),
        rest=lot - tested,
        rest_bad_at_most=sampling.bad_at_most(lot, failed, tested, confidence) - failed,
    )


def draw(labels: Sequence[str], taken: set[str], count: int, seed: str) -> tuple[str, ...]:
    """Return `count` labels at random, always the same for one seed, in their own order; `taken` are left out.

    Every test of a lot draws from one shuffled order, so that one piece goes through all tests where it can.
    """
    order = list(labels)
    Random(seed).shuffle(order)
    chosen = set([label for label in order if label not in taken][:count])
    return tuple(label for label in labels if label in chosen)


def ltpd_table(confidence: float | str = DEFAULT_CONFIDENCE, lot: int | None = None) -> tuple[LtpdRow, ...]:
    """Return the sample sizes for a series of bad fractions and allowed failures.

    Parameters
    ----------
    confidence : float or decimal text
        One less the consumer's risk.
    lot : int, optional
        Pieces in the lot: then the numbers are hypergeometric; without it the lot is without end.

    Raises
    ------
    BadRequest
        Something is out of range.
    """
    return tuple(
        LtpdRow(percent, tuple(_ltpd(percent, confidence, lot, allowed) for allowed in LTPD_ALLOWED))
        for percent in LTPD_PERCENT
    )


def _ltpd(percent: str, confidence: float | str, lot: int | None, allowed: int) -> int | None:
    share = str(float(percent) / 100)
    if lot is None:
        return sampling.endless_plan(share, confidence, allowed=allowed)
    try:
        return sampling.plan(lot, share, confidence, allowed=allowed).n
    except BadRequest:
        if allowed:  # fewer bad pieces than may fail: such a lot cannot be found
            return None
        raise


def _planned(one: Suited, sample: Plan, done: Done, left: float | None) -> Planned:
    missing = max(sample.n - done.tested, 0)
    now = missing
    if left is not None:
        now = min(missing, max(int((left - one.test.setup_min) // one.test.piece_min), 0))
    then = done.tested + now
    missed = sampling.accepted(sample.lot, sample.bad_pieces, then, 0) if then else 1
    return Planned(
        test=one.test.name,
        why=one.why,
        wanted=sample.n,
        done=done,
        now=now,
        minutes=one.test.setup_min + now * one.test.piece_min if now else 0.0,
        minutes_source=one.test.source,
        reached_confidence=1.0 - float(missed),
        if_none_fails=said(sample.lot, done.failed, then, sample.confidence) if then else None,
    )
