"""Pieces of one lot: what each one's evidence says of the others, through a Beta-binomial over the fraction bad."""

import math
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
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
_AT_ONCE = 2_000_000  # numbers in one array
BENCH = ("electrical", "heat")
SETTLED = "settled"
SIBLINGS = "siblings"
"""The kind of line in a sum that tells what the other pieces of the lot say."""
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


@dataclass(frozen=True, slots=True)
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

    def with_evidence(self, evidence: Floats) -> "LotBelief":
        """Return the belief with other evidence, shape (pieces,)."""
        return replace(self, evidence=evidence)

    def marginals(self) -> Floats:
        """Return each piece's probability of being bad, shape (pieces,)."""
        return self.after(np.zeros((1, self.evidence.size)))[1][0]

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
        base = self._log_weights(np.zeros((1, self.evidence.size)))[0]
        now = _log_sum(base)
        size = max(_AT_ONCE // max(base.size * self.evidence.size, 1), 1)
        parts = [self._after(news[start : start + size], now) for start in range(0, len(news), size)]
        return np.concatenate([one[0] for one in parts]), np.concatenate([one[1] for one in parts])

    def _after(self, news: Floats, now: float) -> tuple[Floats, Floats]:
        weights = self._log_weights(news)
        total = _log_sum(weights)
        given = np.exp(weights - total[:, None])
        return np.exp(total - now), np.einsum("cg,cpg->cp", given, self.bad_given_fraction(news))

    def bad_given_fraction(self, news: Floats) -> Floats:
        """Return each piece's probability of being bad were the fraction bad that of a node.

        Parameters
        ----------
        news : ndarray of float, shape (cases, pieces)

        Returns
        -------
        ndarray of float, shape (cases, pieces, nodes)
        """
        p = self._nodes[0]
        ratio = np.exp(np.clip(self.evidence + news, -_FARTHEST, _FARTHEST))[:, :, None]
        return p * ratio / (1.0 - p + p * ratio)

    def node_weights(self, news: Floats) -> Floats:
        """Return the probability of each node of the fraction bad, shape (cases, nodes)."""
        weights = self._log_weights(news)
        return np.exp(weights - _log_sum(weights)[:, None])

    def fraction_mean(self) -> float:
        """Return the expected fraction bad of the stream that the lot came from."""
        return float(self.node_weights(np.zeros((1, self.evidence.size)))[0] @ self._nodes[0])

    def number_bad(self, which: Sequence[int] | None = None) -> Floats:
        """Return the distribution of how many of some pieces are bad, shape (pieces + 1,). None: of all."""
        some = range(self.evidence.size) if which is None else which
        none = np.zeros((1, self.evidence.size))
        each, weights = self.bad_given_fraction(none)[0], self.node_weights(none)[0]
        found = np.zeros((len(some) + 1, weights.size))
        found[0] = 1.0
        for count, index in enumerate(some, start=1):
            chance = each[index]
            found[1 : count + 1] = found[1 : count + 1] * (1.0 - chance) + found[:count] * chance
            found[0] *= 1.0 - chance
        return found @ weights

    @property
    def _nodes(self) -> tuple[Floats, Floats]:
        return _jacobi(self.bad, self.good, min(self.evidence.size // 2 + 2, MOST_NODES))

    def _log_weights(self, news: Floats) -> Floats:
        p, log_w = self._nodes
        ratio = np.exp(np.clip(self.evidence + news, -_FARTHEST, _FARTHEST))[:, :, None]
        return log_w + np.log(1.0 - p + p * ratio).sum(axis=1)


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
    evidence = [sum(value * worth[family] for family, value in sorted(one.items())) for one in siblings]
    a = known.concentration * prior
    others = LotBelief(a, known.concentration - a, np.array(sorted(evidence)) * NEPER)
    return probability_to_db(others.fraction_mean()) - probability_to_db(prior) if evidence else 0.0


def own_evidence(found: Suspicion) -> dict[str, float]:
    """Return what is on record of a piece alone, decibans by family: without the prior and without its siblings."""
    own: dict[str, float] = {}
    for line in found.lines:
        if line.kind not in ("prior", SIBLINGS, "note"):
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

