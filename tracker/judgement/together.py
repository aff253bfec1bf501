"""What the signs on a piece are worth together: two shares, fitted to pieces whose truth is known.

Weights of single indicators add up to the right odds only if the indicators are independent and all that was looked
for is counted. How signs go together cannot be declared: if a forger gives himself away by one thing, what was not
found beside it means nothing; if by many, a lone weak sign with ten things in order speaks for the piece. Shipped is
the first: a family's findings silence its absences, and caps bound the rest. Settled pieces then move the two numbers
of `Together`: the share of the sum of signs that counts, and the share of what was looked for, not found, and left out
of that sum.

The fit is logistic regression on those two sums with the prior as offset (the calibration slope of D. R. Cox, "Two
further applications of a model for binary regression", Biometrika 45 (1958) 562-565, with a second term), held near
the declared (1, 0) by normal priors.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

_PER_DB = math.log(10.0) / 10.0
_MOST_STEPS, _CLOSE = 50, 1e-9
_SAME = 1.0 + 1e-12
"""Close to the best, costs differ by rounding alone; that must not halve a step, or the last digits were chance."""
LARGEST_FOUND = 1.5
"""Signs are declared dependent by their caps; settled pieces may say they are worth more, within reason (common
practice, no source)."""


@dataclass(frozen=True, slots=True)
class Together:
    """What the signs on a piece have been worth together.

    Parameters
    ----------
    found : float
        Share of the sum of signs, every family capped, that counts; 1 where nothing is known.
    in_vain : float
        Share that counts of what was looked for, not found, and not in that sum; 0 where nothing is known.
    pieces, lots : int
        How many settled pieces, of how many lots, have shown so.
    """

    found: float = 1.0
    in_vain: float = 0.0
    pieces: int = 0
    lots: int = 0

    @property
    def signs_count(self) -> str:
        """What the signs on a piece count together, in words."""
        percent = round(100.0 * (self.found - 1.0))
        if percent == 0:
            return "what they add up to"
        return f"{abs(percent)} % {'more' if percent > 0 else 'less'} than they add up to"

    @property
    def left_out_counts(self) -> str:
        """What counts of all that was not found and is left out of the sum, in words."""
        percent = round(100.0 * self.in_vain)
        return f"{percent} % of its weight" if percent else "nothing"


AS_DECLARED = Together()


@dataclass(frozen=True, slots=True)
class Seen:
    """What one piece showed, weighed without knowing its truth, and the truth.

    Parameters
    ----------
    rest_db : float
        Decibans of everything that is no sign: the prior, bench tests.
    signs_db, left_out_db : float
        As in `Suspicion`.
    not_genuine : bool
    worth : float
        How many independent pieces it counts as.
    lot : int
    """

    rest_db: float
    signs_db: float
    left_out_db: float
    not_genuine: bool
    worth: float
    lot: int


def fit(pieces: Sequence[Seen], sd: float) -> Together:
    """Return the shares that explain the truths of the pieces best, held near (1, 0).

    Parameters
    ----------
    pieces : sequence of Seen
    sd : float
        Standard deviation of the normal prior of either share.

    Returns
    -------
    Together
        Never below 0; of what was left out never more than all of it.
    """
    if not pieces:
        return AS_DECLARED
    rows = [
        _Row(one.rest_db * _PER_DB, one.signs_db * _PER_DB, one.left_out_db * _PER_DB, one.not_genuine, one.worth)
        for one in pieces
    ]
    found, in_vain = _best(rows, sd)
    # A share that would leave its bounds stays on the bound, and the other one is fitted beside it.
    if not 0.0 <= in_vain <= 1.0:
        in_vain = min(max(in_vain, 0.0), 1.0)
        found, _ = _best(rows, sd, in_vain=in_vain)
    if not 0.0 <= found <= LARGEST_FOUND:
        found = min(max(found, 0.0), LARGEST_FOUND)
        _, in_vain = _best(rows, sd, found=found)
    return Together(
        found=found,
        in_vain=min(max(in_vain, 0.0), 1.0),
        pieces=len(pieces),
        lots=len({one.lot for one in pieces}),
    )


@dataclass(frozen=True, slots=True)
class _Row:
    """A piece in natural logarithms: the offset, the two sums, its truth, its worth."""

    offset: float
    signs: float
    left_out: float
    truth: bool
    worth: float


def _best(
    rows: Sequence[_Row], sd: float, *, found: float | None = None, in_vain: float | None = None
) -> tuple[float, float]:
    """Return the likeliest shares, by Newton's method, a step that overshoots halved; one that is given stays."""
    free = (found is None, in_vain is None)
    at = (1.0 if found is None else found, 0.0 if in_vain is None else in_vain)
    cost = _cost(rows, at, sd)
    for _ in range(_MOST_STEPS):
        step = _step(rows, at, sd, free)
        while True:
            there = (at[0] + step[0], at[1] + step[1])
            new = _cost(rows, there, sd)
            if new <= cost * _SAME or max(abs(step[0]), abs(step[1])) < _CLOSE:
                break
            step = (step[0] / 2.0, step[1] / 2.0)
        at, cost = there, new
        if max(abs(step[0]), abs(step[1])) < _CLOSE:
            break
    return at


def _cost(rows: Sequence[_Row], at: tuple[float, float], sd: float) -> float:
    """Return the negative logarithm of the posterior, but for a constant."""
    losses = []
    for row in rows:
        z = row.offset + at[0] * row.signs + at[1] * row.left_out
        z = -z if row.truth else z
        losses.append(row.worth * (max(z, 0.0) + math.log1p(math.exp(-abs(z)))))
    return math.fsum(losses) + ((at[0] - 1.0) ** 2 + at[1] ** 2) / (2.0 * sd**2)


def _step(rows: Sequence[_Row], at: tuple[float, float], sd: float, free: tuple[bool, bool]) -> tuple[float, float]:
    tight = 1.0 / sd**2
    terms = []
    for row in rows:
        p = _logistic(row.offset + at[0] * row.signs + at[1] * row.left_out)
        off, bend = row.worth * (row.truth - p), row.worth * p * (1.0 - p)
        x, v = row.signs, row.left_out
        terms.append((off * x, off * v, bend * x * x, bend * x * v, bend * v * v))
    # fsum: the order of the pieces must not show.
    g_found, g_vain, a, b, d = (math.fsum(column) for column in zip(*terms, strict=True))
    g_found, g_vain, a, d = g_found - (at[0] - 1.0) * tight, g_vain - at[1] * tight, a + tight, d + tight
    if not all(free):
        return (g_found / a if free[0] else 0.0), (g_vain / d if free[1] else 0.0)
    determinant = a * d - b * b
    return (d * g_found - b * g_vain) / determinant, (a * g_vain - b * g_found) / determinant


def _logistic(x: float) -> float:
    return 1.0 / (1.0 + math.exp(-x)) if x > 0 else math.exp(x) / (1.0 + math.exp(x))
