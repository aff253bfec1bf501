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

from tracker.judgement.weights import AS_DECLARED, Together

_PER_DB = math.log(10.0) / 10.0
_MOST_STEPS, _CLOSE = 50, 1e-9
LARGEST_FOUND = 1.5
"""Signs are declared dependent by their caps; settled pieces may say they are worth more, within reason (common
practice, no source)."""


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
    found, in_vain = 1.0, 0.0
    for _ in range(_MOST_STEPS):
        step_found, step_in_vain = _step(pieces, found, in_vain, sd)
        found, in_vain = found + step_found, in_vain + step_in_vain
        if max(abs(step_found), abs(step_in_vain)) < _CLOSE:
            break
    return Together(
        found=min(max(found, 0.0), LARGEST_FOUND),
        in_vain=min(max(in_vain, 0.0), 1.0),
        pieces=len(pieces),
        lots=len({one.lot for one in pieces}),
    )


def _step(pieces: Sequence[Seen], found: float, in_vain: float, sd: float) -> tuple[float, float]:
    """Return Newton's step, no longer than 1: the likelihood is concave, but flat far out."""
    tight = 1.0 / sd**2
    rows = []
    for one in pieces:
        x, v = one.signs_db * _PER_DB, one.left_out_db * _PER_DB
        p = _logistic(one.rest_db * _PER_DB + found * x + in_vain * v)
        off, bend = one.worth * (one.not_genuine - p), one.worth * p * (1.0 - p)
        rows.append((off * x, off * v, bend * x * x, bend * x * v, bend * v * v))
    # fsum: the order of the pieces must not show.
    g_found, g_vain, a, b, d = (math.fsum(column) for column in zip(*rows, strict=True))
    g_found, g_vain, a, d = g_found - (found - 1.0) * tight, g_vain - in_vain * tight, a + tight, d + tight
    determinant = a * d - b * b
    step = (d * g_found - b * g_vain) / determinant, (a * g_vain - b * g_found) / determinant
    shorten = 1.0 / max(1.0, *(abs(part) for part in step))
    return step[0] * shorten, step[1] * shorten


def _logistic(x: float) -> float:
    return 1.0 / (1.0 + math.exp(-x)) if x > 0 else math.exp(x) / (1.0 + math.exp(x))
