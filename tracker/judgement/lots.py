"""Pieces of one lot: what each one's evidence says of the others, through a Beta-binomial over the fraction bad."""

import math
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache, cached_property
from importlib.resources import files

import numpy as np
from numpy.typing import NDArray

from tracker.judgement.suspicion import Suspicion, probability_to_db

Floats = NDArray[np.float64]
NEPER = math.log(10) / 10
"""Natural log units in one deciban."""
MOST_NODES = 300
"""Exact up to twice as many pieces less one; beyond, quadrature errors stay below what a screen shows."""
_FARTHEST = 60.0  # natural log units; e**60 is beyond every cap and far from overflow
_NO_CHANCE = 1e-300
_AT_ONCE = 2_000_000  # numbers in one array
BENCH = ("electrical", "heat")
SETTLED = "settled"
SIBLINGS = "siblings"
"""The code of the line in a sum that tells what the other pieces of the lot say."""
_NO_FAMILY = "looks"


@dataclass(frozen=True, slots=True)
class LotRule:
    """How pieces of one lot hang together, as lots.toml declares it.

    Parameters
    ----------
    concentration : float
        Of the Beta distribution over the fraction bad; below 1 it is U-shaped.
    looks, bench, settled : float
        How alike evidence of a kind errs within a lot, 0 to 1.
    source : str
    """

    concentration: float
    looks: float
    bench: float
    settled: float
    source: str

    def alike(self, family: str) -> float:
        """Return how alike facts of a family err within a lot."""
        return self.settled if family == SETTLED else self.bench if family in BENCH else self.looks


@cache
def lot_rule() -> LotRule:
    """Return the declared rule."""
    said = tomllib.loads(files("tracker.judgement").joinpath("lots.toml").read_text(encoding="utf-8"))
    kinds = {name: value for name, value in said["alike"].items() if name != "source"}
    return LotRule(concentration=said["concentration"], source=said["source"], **kinds)


@dataclass(frozen=True)
class LotBelief:
    """What is thought of all pieces of a lot together.

    The joint probability of which pieces are bad is that of a Beta-binomial, times the evidence of each bad piece.

    Parameters
    ----------
    bad, good : float
        The Beta distribution of the fraction bad, both above 0.
    evidence : ndarray of float, shape (pieces,)
        Natural logarithm of each piece's likelihood ratio 'not as claimed' to 'as claimed'; 0 where nothing is known.

    Notes
    -----
    Integrals over the fraction bad are Gauss-Jacobi quadratures. The integrands are polynomials in the fraction, of a
    degree of at most the number of pieces and one more, so the quadrature is exact (up to `MOST_NODES`).
    """

    bad: float
    good: float
    evidence: Floats

    @property
    def prior(self) -> float:
        """The fraction bad expected before any evidence."""
        return self.bad / (self.bad + self.good)

    def marginals(self) -> Floats:
        """Return each piece's probability of being bad, shape (pieces,)."""
        return self.given_fraction @ self.fraction_weights

    def after(self, news: Floats) -> tuple[Floats, Floats]:
        """Return what further evidence would make of the pieces.

        Parameters
        ----------
        news : ndarray of float, shape (cases, pieces)
            Added to the evidence, natural logarithms.

        Returns
        -------
        (likelihood, probability) : ndarray, shape (cases,) and (cases, pieces)
            The expectation of the ratio exp(news of the bad pieces) under today's belief, and each piece's probability
            of being bad once it is known.
        """
        parts = [self._after(part) for part in self._parts(news)]
        return np.concatenate([one[0] for one in parts]), np.concatenate([one[1] for one in parts])

    def none_bad(self, news: Floats, which: NDArray[np.bool_]) -> Floats:
        """Return the probability that of some pieces none is bad, once further evidence is known.

        Parameters
        ----------
        news : ndarray of float, shape (cases, pieces)
        which : ndarray of bool, shape (cases, pieces)
            The pieces meant.

        Returns
        -------
        ndarray of float, shape (cases,)
        """
        found, start = [], 0
        for part in self._parts(news):
            found.append(self._none_bad(part, which[start : start + len(part)]))
            start += len(part)
        return np.concatenate(found)

    def number_bad(self, which: Sequence[int] | None = None) -> Floats:
        """Return the distribution of how many of some pieces are bad, shape (pieces + 1,). None: of all."""
        some = range(self.evidence.size) if which is None else which
        found = np.zeros((len(some) + 1, self.fraction_weights.size))
        found[0] = 1.0
        for count, index in enumerate(some, start=1):
            chance = self.given_fraction[index]
            found[1 : count + 1] = found[1 : count + 1] * (1.0 - chance) + found[:count] * chance
            found[0] *= 1.0 - chance
        return found @ self.fraction_weights

    @cached_property
    def given_fraction(self) -> Floats:
        """Each piece's probability of being bad were the fraction bad that of a node, shape (pieces, nodes)."""
        p, ratio = self._nodes[0], _ratio(self.evidence)[:, None]
        chances: Floats = p * ratio / (1.0 - p + p * ratio)
        return chances

    @cached_property
    def fraction_weights(self) -> Floats:
        """The probability of each node of the fraction bad, shape (nodes,)."""
        return np.exp(self._log_weights - _log_sum(self._log_weights))

    @cached_property
    def _nodes(self) -> tuple[Floats, Floats]:
        return _jacobi(self.bad, self.good, min(self.evidence.size // 2 + 2, MOST_NODES))

    @cached_property
    def _log_mixed(self) -> Floats:
        p = self._nodes[0]
        return np.log(1.0 - p + p * _ratio(self.evidence)[:, None])

    @cached_property
    def _log_weights(self) -> Floats:
        return self._nodes[1] + self._log_mixed.sum(axis=0)

    def _parts(self, news: Floats) -> list[Floats]:
        size = max(_AT_ONCE // max(self._nodes[0].size * max((news != 0).any(axis=0).sum(), 1), 1), 1)
        return [news[start : start + size] for start in range(0, len(news), size)]

    def _moved(self, news: Floats) -> tuple[Floats, NDArray[np.bool_], Floats, Floats]:
        """Return the nodes' log weights, which pieces have news, and of those p times ratio and the mixture."""
        p, moved = self._nodes[0], (news != 0).any(axis=0)
        bad = p * _ratio(self.evidence[moved] + news[:, moved])[:, :, None]
        mixed = 1.0 - p + bad
        return self._log_weights + (np.log(mixed) - self._log_mixed[moved]).sum(axis=1), moved, bad, mixed

    def _after(self, news: Floats) -> tuple[Floats, Floats]:
        weights, moved, bad, mixed = self._moved(news)
        total = _log_sum(weights)
        given = np.exp(weights - total[:, None])
        probability = given @ self.given_fraction.T
        probability[:, moved] = np.einsum("cg,cpg->cp", given, bad / mixed)
        return np.exp(total - _log_sum(self._log_weights)), probability

    def _none_bad(self, news: Floats, which: NDArray[np.bool_]) -> Floats:
        weights, moved, _, mixed = self._moved(news)
        p = self._nodes[0]
        # A node may round to 1, where no piece is good.
        log_good = np.log(np.maximum(1.0 - p, _NO_CHANCE))
        rest = which & ~moved
        kept = rest.sum(axis=1)[:, None] * log_good - rest.astype(float) @ self._log_mixed
        kept += (which[:, moved, None] * (log_good - np.log(mixed))).sum(axis=1)
        found: Floats = np.exp(_log_sum(weights + kept) - _log_sum(weights))
        return found


def _ratio(evidence: Floats) -> Floats:
    return np.exp(np.clip(evidence, -_FARTHEST, _FARTHEST))


@cache
def _jacobi(bad: float, good: float, nodes: int) -> tuple[Floats, Floats]:
    """Return nodes between 0 and 1 and the logarithms of their weights for Beta(bad, good)."""
    from scipy import special

    x, w = special.roots_jacobi(nodes, good - 1.0, bad - 1.0)
    inside = w > 0
    p = np.clip((1.0 + x[inside]) / 2.0, 0.0, 1.0)
    return p, np.log(w[inside] / w[inside].sum())


def _log_sum(values: Floats) -> Floats:
    top = values.max(axis=-1)
    summed: Floats = top + np.log(np.exp(values - top[..., None]).sum(axis=-1))
    return summed


def belief(prior: float, pieces: Sequence[Mapping[str, float]], rule: LotRule | None = None) -> LotBelief:
    """Return what is thought of the pieces of a lot together.

    Parameters
    ----------
    prior : float
        Fraction bad expected before looking, strictly between 0 and 1: of the source and the seller's other lots.
    pieces : sequence of mapping
        For each piece, decibans by family of what is on record of it alone (no prior, nothing from siblings). A family
        of which nothing was looked for is left out.

    Notes
    -----
    Facts about pieces of one lot err alike (`alike`). Of each family the mean over the pieces that have it is held as
    common: it counts as m / (1 + (m - 1) alike) pieces' news instead of m. What tells a piece from its siblings counts
    in full. So one piece alone counts in full, too. This is the likelihood ratio of 'all bad' to 'all good' for
    measurements with equal correlation (a cluster's design effect).
    """
    known = rule or lot_rule()
    a = known.concentration * prior
    return LotBelief(a, known.concentration - a, shared_evidence(pieces, known))


def shared_evidence(pieces: Sequence[Mapping[str, float]], rule: LotRule) -> Floats:
    """Return each piece's evidence for the lot's sum, natural logarithms, shape (pieces,); see `belief`."""
    evidence = np.zeros(len(pieces))
    for family in sorted({name for piece in pieces for name in piece}):
        having = [index for index, piece in enumerate(pieces) if family in piece]
        values = np.array([pieces[index][family] for index in having])
        worth = 1.0 / (1.0 + (len(having) - 1) * rule.alike(family))
        evidence[having] += values - (1.0 - worth) * values.mean()
    return evidence * NEPER


def from_siblings_db(prior: float, siblings: Sequence[Mapping[str, float]], rule: LotRule | None = None) -> float:
    """Return what siblings say of a piece: the change of its prior odds, decibans.

    Parameters
    ----------
    prior : float
        As for `belief`.
    siblings : sequence of mapping
        Of each other piece of the lot, decibans by family. The piece itself is not among them.

    Notes
    -----
    10 log10 of the odds of the expected fraction bad given the siblings, less those of the prior. All siblings' facts of
    a family count as m / (1 + (m - 1) alike) pieces' facts.
    """
    known = rule or lot_rule()
    worth = {
        family: 1.0 / (1.0 + (sum(family in one for one in siblings) - 1) * known.alike(family))
        for family in {name for one in siblings for name in one}
    }
    told = [sum(value * worth[family] for family, value in sorted(one.items())) for one in siblings if one]
    if not told:
        return 0.0
    # Only so many different sums there are; lots of a thousand pieces are no more work.
    evidence, counts = np.unique(np.round(np.array(told), 9), return_counts=True)
    a = known.concentration * prior
    p, log_w = _jacobi(a, known.concentration - a, min(len(told) // 2 + 2, MOST_NODES))
    log_weights = log_w + counts @ np.log(1.0 - p + p * _ratio(evidence * NEPER)[:, None])
    mean = float(np.exp(log_weights - _log_sum(log_weights)) @ p)
    return probability_to_db(mean) - probability_to_db(prior)


def own_evidence(found: Suspicion) -> dict[str, float]:
    """Return what is on record of a piece alone, decibans by family: without the prior and without its siblings."""
    own: dict[str, float] = {}
    for line in found.lines:
        if line.kind not in ("prior", "note") and line.code != SIBLINGS:
            own[line.family or _NO_FAMILY] = own.get(line.family or _NO_FAMILY, 0.0) + line.weight_db
    return own


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

