"""What a bench test is worth: the expected fall in expected loss, for one test and for several on pieces of one lot."""

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache, lru_cache
from itertools import combinations_with_replacement, product

import numpy as np

from tracker.judgement.costs import Costs
from tracker.judgement.lot_belief import NEPER, Floats, LotBelief
from tracker.judgement.suspicion import Suspicion
from tracker.judgement.weights import Family

EXACT_CASES = 2_500
"""So many outcomes of tests of one lot are worked out one by one; where there are more, some are drawn by chance."""
FEWEST_DRAWS, MOST_DRAWS = 200, 4_000
_WORK = 10_000_000  # draws times pieces times nodes: a second or two
_SEED = 19_470_101  # any number; the same draws for every question, so that two answers differ by the question alone
FAIL, PASS, UNDECIDED = "fail", "pass", "undecided"


@dataclass(frozen=True, slots=True)
class Channel:
    """What a test says of a piece, as chances.

    Parameters
    ----------
    fail_ln, pass_ln : float
        Natural logarithms of the likelihood ratios 'not as claimed' to 'as claimed' of the two verdicts.
    fails_genuine : float
        Chance of 'fail' rather than 'pass' on a piece that is as claimed, once the test decides; 0 to 1.
    undecided : float
        Chance that it does not decide, on either kind of piece; 0 to 1.
    """

    fail_ln: float
    pass_ln: float
    fails_genuine: float
    undecided: float

    def chance(self, verdict: str) -> float:
        """Return the chance of a verdict on a piece that is as claimed."""
        if verdict == UNDECIDED:
            return self.undecided
        share = self.fails_genuine if verdict == FAIL else 1.0 - self.fails_genuine
        return share * (1.0 - self.undecided)

    def news(self, verdict: str) -> float:
        """Return the natural logarithm of a verdict's likelihood ratio."""
        return {FAIL: self.fail_ln, PASS: self.pass_ln, UNDECIDED: 0.0}[verdict]

    def fails_bad(self) -> float:
        """Return the chance of 'fail' on a piece that is not as claimed, once the test decides."""
        return self.fails_genuine * math.exp(self.fail_ln)


SILENT = Channel(0.0, 0.0, 0.5, 0.0)
"""A test that says nothing."""


def channel(fail_db: float, pass_db: float, undecided: float = 0.0) -> Channel:
    """Return the test whose verdicts weigh so much.

    Parameters
    ----------
    fail_db, pass_db : float
        Decibans that a verdict adds to a piece's sum, whatever caps leave of it.
    undecided : float
        Chance of no verdict, 0 to 1.

    Returns
    -------
    Channel
        `SILENT` where the weights contradict each other (both speak for the same, or one says nothing): then no test
        has them, and to count on it would be to count on an error.

    Notes
    -----
    An undecided run weighs nothing in the records, so it must not be counted on to say something. Then the two weights
    determine the chances: with ratios f and p, the chance of 'fail' on a genuine piece is (1 - p) / (f - p).
    """
    fail, passing = 10 ** (fail_db / 10), 10 ** (pass_db / 10)
    if not (passing < 1.0 < fail or fail < 1.0 < passing):
        return SILENT
    return Channel(fail_db * NEPER, pass_db * NEPER, (1.0 - passing) / (fail - passing), undecided)


def added_db(found: Suspicion, family: Family, weight_db: float) -> float:
    """Return by how much a piece's sum would move with one more finding of a family, its cap considered; decibans."""
    there = math.fsum(line.weight_db for line in found.lines if line.kind == "finding" and line.family == family.name)

    def capped(total: float) -> float:
        return min(max(total, -family.cap_against), family.cap_for)

    return capped(there + weight_db) - capped(there)


Item = tuple[int, Channel]
"""A piece, by its place in the lot, and a test on it."""


@dataclass(frozen=True, slots=True)
class Outcomes:
    """What tests may show together.

    Parameters
    ----------
    chance : ndarray of float, shape (cases,)
    probability : ndarray of float, shape (cases, pieces)
        Each piece's probability of being bad then.
    news : ndarray of float, shape (cases, pieces)
        The evidence that each case adds, natural logarithms.
    exact : bool
        False where the cases were drawn by chance.
    """

    chance: Floats
    probability: Floats
    news: Floats
    exact: bool


def outcomes(belief: LotBelief, items: Sequence[Item], still_open: Sequence[int], *, drawn: bool = False) -> Outcomes:
    """Return what becomes of the belief for each outcome of tests on pieces of a lot.

    Parameters
    ----------
    belief, items, still_open
        As for `worth`.
    drawn : bool
        Draw cases by chance even where they could be worked out: answers that are to be compared with drawn ones.

    Notes
    -----
    Pieces about which the same is known and which go through the same tests are interchangeable, so of them only how
    many show what is told apart. With that, exact up to `EXACT_CASES` cases; beyond, outcomes are drawn by chance.
    Verdicts are held to be independent given which pieces are bad, and news simply adds up: that verdicts of one lot
    err alike is counted in the records once they are there, not in this look ahead.
    """
    told = _told(belief, items, still_open, drawn)
    news = np.zeros((len(told.news), belief.evidence.size))
    news[:, told.pieces] = told.news
    likelihood, probability = belief.after(news)
    return Outcomes(told.chance * likelihood if told.exact else told.chance, probability, news, told.exact)


@dataclass(frozen=True, slots=True)
class _Told:
    """What tests may show.

    Parameters
    ----------
    pieces : list of int
        Those that are tested.
    chance : ndarray of float, shape (cases,)
        As in `Outcomes` where drawn; else were all pieces as claimed.
    news : ndarray of float, shape (cases, tested pieces)
    exact : bool
    """

    pieces: list[int]
    chance: Floats
    news: Floats
    exact: bool


def _told(belief: LotBelief, items: Sequence[Item], still_open: Sequence[int], drawn: bool) -> _Told:
    groups = _groups(belief, items, set(still_open))
    if drawn or _cases(groups) > EXACT_CASES:
        return _drawn(belief, items)
    base, news = np.ones(1), np.zeros((1, 0))
    for tests, pieces in groups:
        chances, added = _ways(tests, len(pieces))
        news = np.hstack([np.repeat(news, chances.size, axis=0), np.tile(added, (len(news), 1))])
        base = np.repeat(base, chances.size) * np.tile(chances, base.size)
    return _Told([piece for _, pieces in groups for piece in pieces], base, news, exact=True)


def is_exact(belief: LotBelief, items: Sequence[Item], still_open: Sequence[int]) -> bool:
    """Return whether so many tests are worked out case by case."""
    return _cases(_groups(belief, items, set(still_open))) <= EXACT_CASES


Group = tuple[tuple[Channel, ...], list[int]]
"""The tests that some interchangeable pieces go through, and those pieces."""


def _groups(belief: LotBelief, items: Sequence[Item], still_open: set[int]) -> list[Group]:
    tests: dict[int, list[Channel]] = {}
    for piece, test in items:
        tests.setdefault(piece, []).append(test)
    groups: dict[object, Group] = {}
    for piece, of_piece in tests.items():
        known = float(belief.evidence[piece]), float(belief.private[piece])
        key = (known, tuple(of_piece), piece in still_open)
        groups.setdefault(key, (tuple(of_piece), []))[1].append(piece)
    return list(groups.values())


def _cases(groups: Sequence[Group]) -> int:
    return math.prod(math.comb(len(pieces) + 3 ** len(tests) - 1, len(pieces)) for tests, pieces in groups)


@cache
def _ways(tests: tuple[Channel, ...], pieces: int) -> tuple[Floats, Floats]:
    """Return what interchangeable pieces can show together.

    Returns
    -------
    (chances, news) : ndarray, shape (ways,) and (ways, pieces)
        The chance of each were all pieces as claimed, and what it adds to each one's evidence.
    """
    alone = [
        (math.prod(c.chance(v) for c, v in zip(tests, told, strict=True)), sum(map(Channel.news, tests, told)))
        for told in product((FAIL, PASS, UNDECIDED), repeat=len(tests))
    ]
    possible = [one for one in alone if one[0] > 0]
    chances, news = [], []
    for chosen in combinations_with_replacement(range(len(possible)), pieces):
        orders = math.factorial(pieces) // math.prod(math.factorial(times) for times in Counter(chosen).values())
        chances.append(orders * math.prod(possible[index][0] for index in chosen))
        news.append([possible[index][1] for index in chosen])
    return np.array(chances), np.array(news)


def _drawn(belief: LotBelief, items: Sequence[Item]) -> _Told:
    # Spread evenly over the fractions: most of what is uncertain is whether the lot is bad at all.
    # As many for every question about a lot, so that two answers differ by the question alone.
    draws = min(max(_WORK // (belief.evidence.size * belief.fraction_weights.size), FEWEST_DRAWS), MOST_DRAWS)
    even = (np.arange(draws) + 0.5) / draws
    weights = np.cumsum(belief.fraction_weights)
    nodes = np.minimum(np.searchsorted(weights, even), weights.size - 1)
    place = {piece: index for index, piece in enumerate(dict.fromkeys(piece for piece, _ in items))}
    tested = list(place)
    bad = _evenly(draws, belief.evidence.size)[:, tested] < belief.given_fraction[tested][:, nodes].T
    rng = np.random.default_rng(_SEED)
    rng.bit_generator.advance(draws * belief.evidence.size)  # type: ignore[attr-defined]  # drawn by `_evenly`
    news = np.zeros(bad.shape)
    for piece, test in items:
        at = place[piece]
        fails = np.where(bad[:, at], test.fails_bad(), test.fails_genuine)
        decided = rng.random(draws) >= test.undecided
        failed = rng.random(draws) < fails
        news[:, at] += np.where(decided, np.where(failed, test.fail_ln, test.pass_ln), 0.0)
    different, counts = np.unique(news, axis=0, return_counts=True)
    return _Told(tested, counts / draws, different, exact=False)


@lru_cache(maxsize=4)
def _evenly(draws: int, pieces: int) -> Floats:
    """Return the first numbers that are drawn for a lot of so many pieces; they are the same for every question."""
    return np.random.default_rng(_SEED).random((draws, pieces))


def loss_now(belief: LotBelief, still_open: Sequence[int], costs: Costs) -> float:
    """Return the expected loss over the undecided pieces of a lot when each is decided now."""
    return float(costs.loss(belief.marginals()[list(still_open)]).sum())


def worth(
    belief: LotBelief, items: Sequence[Item], still_open: Sequence[int], costs: Costs, *, drawn: bool = False
) -> float:
    """Return the value of information of tests: how far the expected loss falls, 0 or more.

    Parameters
    ----------
    belief : LotBelief
    items : sequence of (int, Channel)
        The tests, done together before anything is decided.
    still_open : sequence of int
        The pieces that are to be decided on.
    costs : Costs
    drawn : bool
        As for `outcomes`.

    Notes
    -----
    H. Raiffa and R. Schlaifer, "Applied Statistical Decision Theory" (1961), chapter 4: the expected value of sample
    information (from memory). What testing one piece tells of its siblings is in it, since all are decided on. It is
    counted as what today's decisions would cost once the outcome is known, less what the better ones then cost. That is
    the fall in expected loss, and never below 0 even where private evidence makes the chances an approximation.
    """
    if not items or not still_open:
        return 0.0
    told = _told(belief, items, still_open, drawn)
    tested = np.array(told.pieces)
    # Of the others one stands for all that are like it.
    is_open = np.zeros(belief.evidence.size, dtype=bool)
    is_open[list(still_open)] = True
    counts = is_open[tested]
    is_open[tested] = False
    first, like = belief.kinds
    number = np.bincount(like[is_open], minlength=first.size)
    others = first[number > 0]
    likelihood, themselves, theirs = belief.told(tested, told.news, others)
    chance = told.chance * likelihood if told.exact else told.chance
    now = belief.marginals()
    saved = chance @ (
        regret(themselves, now[tested], costs) @ counts + regret(theirs, now[others], costs) @ number[number > 0]
    )
    return float(saved)


def regret(then: Floats, now: Floats, costs: Costs) -> Floats:
    """Return what it costs to decide by probabilities `now` where they have become `then`; shapes must broadcast."""
    found = np.zeros(np.broadcast(then, now).shape)
    changed = (then >= costs.threshold) != (now >= costs.threshold)
    bad = then[changed]
    found[changed] = np.abs(bad * costs.fit_bad - (1.0 - bad) * costs.reject_good)
    return found


@dataclass(frozen=True, slots=True)
class Remains:
    """A lot once some tests are done and every piece is decided on, in expectation.

    Parameters
    ----------
    loss : float
        Expected loss of the decisions, bench time not counted.
    bad_accepted : float
        Probability that at least one bad piece is among those then accepted.
    rejected : float
        Expected number of pieces rejected.
    exact : bool
        False where outcomes were drawn by chance.
    """

    loss: float
    bad_accepted: float
    rejected: float
    exact: bool


def remains(belief: LotBelief, items: Sequence[Item], still_open: Sequence[int], costs: Costs) -> Remains:
    """Return what is to be expected of a lot after tests; parameters as for `worth`."""
    after, which = outcomes(belief, items, still_open), list(still_open)
    then = after.probability[:, which]
    accepted, saved = then < costs.threshold, after.chance @ regret(then, belief.marginals()[which], costs).sum(axis=1)
    meant = np.zeros(after.news.shape, dtype=bool)
    meant[:, which] = accepted
    return Remains(
        loss=max(loss_now(belief, which, costs) - float(saved), 0.0),
        bad_accepted=float(np.clip(after.chance @ (1.0 - belief.none_bad(after.news, meant)), 0.0, 1.0)),
        rejected=float(after.chance @ (~accepted).sum(axis=1)),
        exact=after.exact,
    )
