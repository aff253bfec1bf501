"""What each test by itself is worth, for all pieces of a lot at once."""

from collections.abc import Sequence

import numpy as np

from tracker.judgement.costs import Costs
from tracker.judgement.lot_belief import Floats, LotBelief
from tracker.judgement.next_test import FAIL, PASS, Channel, Item, regret


def worth_of_each(belief: LotBelief, items: Sequence[Item], still_open: Sequence[int], costs: Costs) -> Floats:
    """Return the value of information of each of some tests, done alone: `worth` of each, shape (items,).

    Parameters
    ----------
    belief, still_open, costs
        As for `worth`.
    items : sequence of (int, Channel)

    Notes
    -----
    What a verdict says of the others depends on the test and on the evidence of its piece, of which a large lot has
    few; so that is summed over all pieces once for each, and a piece's own share in the sum is exchanged for what the
    verdict says of itself. An undecided test changes nothing.
    """
    first, like = belief.kinds
    is_open = np.zeros(belief.evidence.size, dtype=bool)
    is_open[list(still_open)] = True
    number = np.bincount(like[is_open], minlength=first.size)
    now = belief.marginals()[first]
    places: dict[tuple[float, Channel], list[int]] = {}
    for place, (piece, test) in enumerate(items):
        places.setdefault((float(belief.evidence[piece]), test), []).append(place)
    found = np.zeros(len(items))
    for (evidence, test), some in places.items():
        pieces = np.array([items[place][0] for place in some])
        of = like[pieces]
        for verdict in (FAIL, PASS):
            news = test.news(verdict)
            itself, others = belief.told_of_one(evidence, news, belief.private[pieces], first)
            by_others = regret(others, now, costs)
            own = regret(itself, now[of], costs) - by_others[of]
            likelihood = (1.0 - now[of]) + now[of] * np.exp(news)
            found[some] += (
                test.chance(verdict) * likelihood * (by_others @ number + np.where(is_open[pieces], own, 0.0))
            )
    return np.maximum(found, 0.0)
