"""What a lot's evidence says of it as a whole: the fraction bad, and whether the open pieces are all good."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tracker.judgement.lot_belief import Floats, LotBelief
from tracker.judgement.lots import lot_rule


@dataclass(frozen=True, slots=True)
class LotView:
    """What a lot's evidence says of it as a whole.

    Parameters
    ----------
    pieces : int
    prior : float
        The fraction bad expected before any evidence of this lot.
    fraction, fraction_low, fraction_high : float
        The fraction bad of this lot: expected, and the ends of a central interval.
    open : int
        Pieces on which nothing is decided.
    open_all_good : float
        Probability that none of those is bad.
    open_bad, open_bad_low, open_bad_high : float, int, int
        How many of those are bad: expected, and the interval.
    level : float
        Of the intervals, 0 to 1.
    each : tuple of float
        Each piece's probability of being bad, in the order given.
    source : str
    """

    pieces: int
    prior: float
    fraction: float
    fraction_low: float
    fraction_high: float
    open: int
    open_all_good: float
    open_bad: float
    open_bad_low: int
    open_bad_high: int
    level: float
    each: tuple[float, ...]
    source: str


def view(found: LotBelief, still_open: Sequence[int], *, level: float = 0.95) -> LotView:
    """Return what the evidence says of a lot as a whole; `still_open` are the indices of undecided pieces."""
    every, rest = found.number_bad(), found.number_bad(still_open)
    pieces, low, high = found.evidence.size, *_central(every, level)
    rest_low, rest_high = _central(rest, level)
    return LotView(
        pieces=pieces,
        prior=found.prior,
        fraction=float(every @ np.arange(pieces + 1)) / max(pieces, 1),
        fraction_low=low / max(pieces, 1),
        fraction_high=high / max(pieces, 1),
        open=len(still_open),
        open_all_good=float(rest[0]),
        open_bad=float(rest @ np.arange(rest.size)),
        open_bad_low=rest_low,
        open_bad_high=rest_high,
        level=level,
        each=tuple(float(one) for one in found.marginals()),
        source=f"Beta-binomial of concentration {found.bad + found.good:g} ({lot_rule().source})",
    )


def _central(chances: Floats, level: float) -> tuple[int, int]:
    """Return the ends of the central interval of a distribution over 0, 1, 2 ...; at least `level` lies within."""
    below, tail = np.cumsum(chances), (1.0 - level) / 2.0
    last = chances.size - 1
    return int(np.searchsorted(below, tail, side="right")), min(int(np.searchsorted(below, 1.0 - tail)), last)
