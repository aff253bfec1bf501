"""Pieces of one lot: what each one's evidence says of the others, through a Beta-binomial over the fraction bad."""

import math
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache, cached_property
from importlib.resources import files

import numpy as np
from numpy.typing import NDArray

from tracker.judgement.suspicion import Suspicion

Floats = NDArray[np.float64]
NEPER = math.log(10) / 10
"""Natural log units in one deciban."""
MOST_NODES = 300
"""Exact up to twice as many pieces less one; beyond, quadrature errors stay below what a screen shows."""
_FARTHEST = 60.0  # natural log units; e**60 is beyond every cap and far from overflow
_NO_CHANCE = 1e-300
_EPSILON = 1e-16
_HALVINGS = 60
_LARGEST = 700.0  # what a number can hold, as a logarithm
_AT_ONCE = 2_000_000  # numbers in one array
BENCH = ("electrical", "heat")
SETTLED = "settled"
BEYOND_LOOKS = (*BENCH, SETTLED)
"""Families of facts that are not read off photos."""
_NOTHING = 1e-9
SIBLINGS = "siblings"
"""The kind of the line in a sum that tells what the other pieces of the lot say."""
_NO_FAMILY = "looks"


@dataclass(frozen=True, slots=True)
class LotRule:
    """How pieces of one lot hang together, as lots.toml declares it.

    Parameters
    ----------
    concentration : float
        Of the Beta distribution over the fraction bad; below 1 it is U-shaped.
    bench, settled : float
        How alike evidence of a kind errs within a lot, 0 to 1.
    source : str
    """

    concentration: float
    bench: float
    settled: float
    source: str

    def alike(self, family: str) -> float:
        """Return how alike facts of a family err within a lot."""
        return self.settled if family == SETTLED else self.bench


@cache
def lot_rule() -> LotRule:
    """Return the declared rule."""
    said = tomllib.loads(files("tracker.judgement").joinpath("lots.toml").read_text(encoding="utf-8"))
    kinds = {name: value for name, value in said["alike"].items() if name != "source"}
    return LotRule(concentration=said["concentration"], source=said["source"], **kinds)


@dataclass(frozen=True)
class LotBelief:
    """What is thought of all pieces of a lot together.

    Parameters
    ----------
    bad, good : float
        The Beta distribution of the fraction bad, both above 0.
    evidence : ndarray of float, shape (pieces,)
        Natural logarithm of each piece's likelihood ratio 'not as claimed' to 'as claimed', as far as it speaks of the
        siblings, too; 0 where nothing is known.
    private : ndarray of float, shape (pieces,)
        What speaks of the piece alone; natural logarithm.

    Notes
    -----
    The joint probability of which pieces are bad is that of a Beta-binomial times the evidence of each bad piece. A
    piece's odds are those of this distribution times its private ratio. Chances of what several pieces show together
    come from the fraction's distribution and, given the fraction f, odds c f / (1 - f) of each piece, with the c that
    gives it its probability. Without private evidence all this is the Beta-binomial, exactly.

    Integrals over the fraction bad are Gauss-Jacobi quadratures. The integrands are polynomials in the fraction, of a
    degree of at most the number of pieces and one more, so the quadrature is exact (up to `MOST_NODES`).
    """

    bad: float
    good: float
    evidence: Floats
    private: Floats

    @property
    def prior(self) -> float:
        """The fraction bad expected before any evidence."""
        return self.bad / (self.bad + self.good)

    def marginals(self) -> Floats:
        """Return each piece's probability of being bad, shape (pieces,)."""
        return self._marginals

    def about(self, pieces: Sequence[int]) -> "LotBelief":
        """Return the same belief of some pieces alone; what the others say of the lot stays in it."""
        some = list(pieces)
        other = replace(self, evidence=self.evidence[some], private=self.private[some])
        of_pieces = ("_marginals", "_shared", "_log_mixed", "given_fraction")
        other.__dict__.update({name: getattr(self, name)[some] for name in of_pieces})
        other.__dict__.update(_nodes=self._nodes, _log_weights=self._log_weights)
        return other

    @cached_property
    def kinds(self) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
        """One piece for each evidence and private evidence there is, and which of those each piece is like."""
        known = np.stack([self.evidence, self.private], axis=1)
        _, first, like = np.unique(known, axis=0, return_index=True, return_inverse=True)
        return first, like.reshape(-1)

    def siblings_db(self) -> Floats:
        """Return what its siblings say of each piece: what its odds gain by them, decibans."""
        shared = (self._shared @ self.fraction_weights).clip(_NO_CHANCE, 1.0 - _EPSILON)
        moved: Floats = np.log(shared / (1.0 - shared)) - self.evidence - np.log(self.bad / self.good)
        return moved / NEPER

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

    def after_one(self, evidence: float, news: float, private: Floats) -> tuple[Floats, Floats]:
        """Return what further evidence on one piece would make of each piece.

        Parameters
        ----------
        evidence : float
            What the piece has; it is one of the lot.
        news : float
            Added to it.
        private : ndarray of float, shape (n,)
            What the piece may have.

        Returns
        -------
        (others, itself) : ndarray, shape (pieces,) and (n,)
            Each piece's probability of being bad, were it another one; and that piece's own, with each of `private`.
        """
        p, (was, now) = self._nodes[0], _ratio(np.array([evidence, evidence + news]))
        mixed = 1.0 - p + p * now
        weights = self._log_weights + np.log(mixed) - np.log(1.0 - p + p * was)
        given = np.exp(weights - _log_sum(weights))
        itself = np.full(private.shape, given @ (p * now / mixed))
        others = self._with_private(self._expected(given[np.newaxis]), self.private)[0]
        return others, self._with_private(itself, private)

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
        if not self.private.any():
            return self._shared
        first, like = self.kinds
        p, aim = self._nodes[0], self.marginals()[first]
        low, high = (np.full(first.size, end) for end in (-_FARTHEST, _FARTHEST))
        for _ in range(_HALVINGS):
            middle = (low + high) / 2.0
            under = _bad(p, middle) @ self.fraction_weights < aim
            low, high = np.where(under, middle, low), np.where(under, high, middle)
        return _bad(p, (low + high) / 2.0)[like]

    @cached_property
    def _marginals(self) -> Floats:
        found: Floats = self.after(np.zeros((1, self.evidence.size)))[1][0]
        return found

    @cached_property
    def fraction_weights(self) -> Floats:
        """The probability of each node of the fraction bad, shape (nodes,)."""
        weights: Floats = np.exp(self._log_weights - _log_sum(self._log_weights))
        return weights

    @cached_property
    def _nodes(self) -> tuple[Floats, Floats]:
        return _jacobi(self.bad, self.good, min(self.evidence.size // 2 + 2, MOST_NODES))

    @cached_property
    def _shared(self) -> Floats:
        return _bad(self._nodes[0], self.evidence)

    @cached_property
    def _log_mixed(self) -> Floats:
        p = self._nodes[0]
        return np.log(1.0 - p + p * _ratio(self.evidence)[:, None])

    @cached_property
    def _log_weights(self) -> Floats:
        weights: Floats = self._nodes[1] + self._log_mixed.sum(axis=0)
        return weights

    def _parts(self, news: Floats) -> list[Floats]:
        size = max(_AT_ONCE // max(self._nodes[0].size * max((news != 0).any(axis=0).sum(), 1), 1), 1)
        return [news[start : start + size] for start in range(0, len(news), size)]

    def _after(self, news: Floats) -> tuple[Floats, Floats]:
        p, moved = self._nodes[0], (news != 0).any(axis=0)
        bad = p * _ratio(self.evidence[moved] + news[:, moved])[:, :, None]
        mixed = 1.0 - p + bad
        weights = self._log_weights + (np.log(mixed) - self._log_mixed[moved]).sum(axis=1)
        given = np.exp(weights - _log_sum(weights)[:, None])
        probability = self._expected(given)
        probability[:, moved] = np.einsum("cg,cpg->cp", given, bad / mixed)
        likelihood = np.exp(np.minimum(_log_sum(self._log_chances(news)), _LARGEST))
        return likelihood, self._with_private(probability, self.private)

    def _expected(self, given: Floats) -> Floats:
        """Return each piece's probability without its private evidence, given chances of the nodes, (cases, pieces)."""
        # Pieces of the same evidence have the same chances at each fraction.
        _, first, like = np.unique(self.evidence, return_index=True, return_inverse=True)
        expected: Floats = (given @ self._shared[first].T)[:, like]
        return expected

    def _with_private(self, probability: Floats, private: Floats) -> Floats:
        if not self.private.any():
            return probability
        ratio = _ratio(private)
        found: Floats = probability * ratio / (1.0 - probability + probability * ratio)
        return found

    def _log_chances(self, news: Floats) -> Floats:
        """Return the logarithm of each node's weight times the chance of the news there, shape (cases, nodes)."""
        moved = (news != 0).any(axis=0)
        if not moved.any():
            return np.log(self.fraction_weights + _NO_CHANCE) + np.zeros((len(news), 1))
        q = self.given_fraction[moved]
        told = np.log(1.0 - q + q * _ratio(news[:, moved])[:, :, None]).sum(axis=1)
        chances: Floats = np.log(self.fraction_weights + _NO_CHANCE) + told
        return chances

    def _none_bad(self, news: Floats, which: NDArray[np.bool_]) -> Floats:
        moved = (news != 0).any(axis=0)
        log_good = np.log(np.maximum(1.0 - self.given_fraction, _NO_CHANCE))
        kept = which.astype(float) @ log_good
        q = self.given_fraction[moved]
        kept -= (which[:, moved, None] * np.log(1.0 - q + q * _ratio(news[:, moved])[:, :, None])).sum(axis=1)
        weights = self._log_chances(news)
        found: Floats = np.exp(_log_sum(weights + kept) - _log_sum(weights))
        return found


def _bad(p: Floats, log_ratio: Floats) -> Floats:
    """Return the probability of being bad at each node for a likelihood ratio, shape (pieces, nodes)."""
    ratio = _ratio(log_ratio)[:, None]
    chances: Floats = p * ratio / (1.0 - p + p * ratio)
    return chances


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
        For each piece, decibans by family of what is on record of it alone (no prior, nothing from siblings).

    Notes
    -----
    Bench verdicts and truths speak of the siblings, too. Looks speak of the piece alone: how it looks beside its
    siblings is among its findings already, and among many pieces one that is taken for sanded by mistake is the rule.
    """
    known = rule or lot_rule()
    a = known.concentration * prior
    beyond = [{name: value for name, value in one.items() if name in BEYOND_LOOKS} for one in pieces]
    evidence = shared_evidence(beyond, known)
    own = np.array([math.fsum(one.values()) for one in pieces])
    private = np.where(np.abs(own - evidence) > _NOTHING, own - evidence, 0.0) * NEPER
    return LotBelief(a, known.concentration - a, evidence * NEPER, private)


def shared_evidence(pieces: Sequence[Mapping[str, float]], rule: LotRule) -> Floats:
    """Return each piece's evidence for the lot's sum, decibans, shape (pieces,).

    Notes
    -----
    Pieces that show the same do so for one reason: one jig, one limit, one process. So what m pieces show alike counts
    as m / (1 + (m - 1) alike) pieces' news instead of m (a cluster's design effect), shared out evenly. Of a family,
    what all that speak one way have counts so with all of them, what those beyond have in addition with those, and so
    on up to the strongest, whose last part is its own. Thus no piece's evidence changes its direction or grows.
    """
    evidence = np.zeros(len(pieces))
    for family in sorted({name for piece in pieces for name in piece}):
        values = np.array([piece.get(family, 0.0) for piece in pieces])
        for sign in (1.0, -1.0):
            evidence += sign * _shared_out(np.maximum(sign * values, 0.0), rule.alike(family))
    return evidence


def _shared_out(values: Floats, alike: float) -> Floats:
    """Share out what several pieces have alike; all values 0 or more."""
    order = np.argsort(-values, kind="stable")
    falling = np.append(values[order], 0.0)
    together = np.arange(1, values.size + 1)
    layers = (falling[:-1] - falling[1:]) / (1.0 + (together - 1) * alike)
    out = np.empty_like(values)
    out[order] = np.cumsum(layers[::-1])[::-1]
    return out


def own_evidence(found: Suspicion) -> dict[str, float]:
    """Return what is on record of a piece alone, decibans by family: without the prior and without its siblings."""
    own: dict[str, float] = {}
    for line in found.lines:
        if line.kind not in ("prior", SIBLINGS, "note"):
            own[line.family or _NO_FAMILY] = own.get(line.family or _NO_FAMILY, 0.0) + line.weight_db
    return own
