"""What is thought of all pieces of a lot together: a Beta-binomial over the fraction bad, and pieces' own evidence."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache, cached_property

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Places = NDArray[np.intp]
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

    @cached_property
    def kinds(self) -> tuple[Places, Places]:
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
        moved = np.flatnonzero((news != 0).any(axis=0))
        likelihood, tested, probability = self.told(moved, news[:, moved], np.arange(self.evidence.size))
        probability[:, moved] = tested
        return likelihood, probability

    def told(self, pieces: Places, news: Floats, others: Places) -> tuple[Floats, Floats, Floats]:
        """Return what further evidence on some pieces would make of them and of others.

        Parameters
        ----------
        pieces, others : ndarray of int
            Their places.
        news : ndarray of float, shape (cases, pieces)
            As for `after`.

        Returns
        -------
        (likelihood, themselves, others) : ndarray, shape (cases,), (cases, pieces) and (cases, others)
        """
        size = max(_AT_ONCE // max(self._nodes[0].size, others.size), 1)
        parts = [self._told(pieces, news[start : start + size], others) for start in range(0, len(news), size)]
        likelihood, themselves, theirs = (np.concatenate(some) for some in zip(*parts, strict=True))
        return likelihood, themselves, theirs

    def told_of_one(self, evidence: float, news: float, private: Floats, others: Places) -> tuple[Floats, Floats]:
        """Return what further evidence on one piece would make of it and of others.

        Parameters
        ----------
        evidence, news : float
            What the piece has, and what is added to it.
        private : ndarray of float, shape (n,)
            What it may have.
        others : ndarray of int
            Places of others, or of pieces in their stead.

        Returns
        -------
        (itself, others) : ndarray, shape (n,) and (others,)
            Its probability of being bad with each of `private`, and that of the others.
        """
        p, (was, now) = self._nodes[0], _ratio(np.array([evidence, evidence + news]))
        mixed = 1.0 - p + p * now
        weights = self._log_weights + np.log(mixed) - np.log(1.0 - p + p * was)
        given = np.exp(weights - _log_sum(weights))
        itself = np.full(private.shape, given @ (p * now / mixed))
        theirs = self._expected(given[np.newaxis], others)[0]
        return self._with_private(itself, private), self._with_private(theirs, self.private[others])

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
        expected = self._expected(self.fraction_weights[np.newaxis], np.arange(self.evidence.size))
        found: Floats = self._with_private(expected, self.private)[0]
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

    def _told(self, pieces: Places, news: Floats, others: Places) -> tuple[Floats, Floats, Floats]:
        # A test can show only so much of a piece: what each of that means at a node is worked out once.
        of, value, shown = _told_apart(pieces, news)
        bad = self._nodes[0] * _ratio(self.evidence[of] + value)[:, np.newaxis]
        mixed = 1.0 - self._nodes[0] + bad
        q = self.given_fraction[of]
        case = np.arange(len(news))[:, np.newaxis]
        in_case = np.zeros((len(news), of.size))
        in_case[case, shown] = 1.0
        weights = self._log_weights + in_case @ (np.log(mixed) - self._log_mixed[of])
        chances = np.log(self.fraction_weights + _NO_CHANCE) + in_case @ np.log(
            1.0 - q + q * _ratio(value)[:, np.newaxis]
        )
        given = np.exp(weights - _log_sum(weights)[:, np.newaxis])
        themselves = (given @ (bad / mixed).T)[case, shown]
        return (
            np.exp(np.minimum(_log_sum(chances), _LARGEST)),
            self._with_private(themselves, self.private[pieces]),
            self._with_private(self._expected(given, others), self.private[others]),
        )

    def _expected(self, given: Floats, pieces: Places) -> Floats:
        """Return pieces' probabilities without private evidence, given chances of the nodes, shape (cases, pieces)."""
        # Pieces of the same evidence have the same chances at each fraction.
        different, like = np.unique(self.evidence[pieces], return_inverse=True)
        expected: Floats = (given @ _bad(self._nodes[0], different).T)[:, like]
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


def _told_apart(pieces: Places, news: Floats) -> tuple[Places, Floats, Places]:
    """Return everything different that is told of some piece.

    Returns
    -------
    (of, value, shown) : ndarray, shape (n,), (n,) and (cases, pieces)
        The piece and the news of each, and which of them each case tells of each piece.
    """
    told = [np.unique(column, return_inverse=True) for column in news.T]
    sizes = [values.size for values, _ in told]
    starts = np.cumsum([0, *sizes])[:-1]
    shown = [start + which for start, (_, which) in zip(starts, told, strict=True)]
    if not told:
        return pieces, np.zeros(0), np.zeros((len(news), 0), dtype=np.intp)
    return np.repeat(pieces, sizes), np.concatenate([values for values, _ in told]), np.stack(shown, axis=1)


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
