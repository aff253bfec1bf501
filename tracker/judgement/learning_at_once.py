"""What many lessons showed, weighed at once in arrays: each as if nothing of its own lot were known.

What signs are worth together is fitted to hundreds of pieces, once for every fifth of the lots that is left out. Piece
by piece that is `weigh` and `combine` of `tracker/judgement/suspicion.py` with the weights of its lot, and
`tests/judgement/test_learning_at_once.py` holds this to them; here the same sums are made for all pieces together.

Arrays have these axes: lots or pieces; codes, as declared; truths (not genuine, genuine); `OUTCOMES`.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from tracker.judgement.counts import ABSENT, NOTHING_COUNTED, OUTCOMES, Counts
from tracker.judgement.weights import NOTHING, Indicator, Weights, families

Floats = NDArray[np.float64]
_ABSENT = OUTCOMES.index(ABSENT)
_NOT_LOOKED_FOR = -1


@dataclass(frozen=True, slots=True)
class Sums:
    """What pieces showed, decibans, each of shape (pieces,).

    Parameters
    ----------
    rest_db : ndarray of float
        Everything that is no sign: bench tests. What was thought before looking is not in it.
    signs_db, left_out_db : ndarray of float
        As in `Suspicion`.
    """

    rest_db: Floats
    signs_db: Floats
    left_out_db: Floats


@dataclass(frozen=True)
class AtOnce:
    """Indicators in a fixed order.

    Parameters
    ----------
    weights : Weights
        Of these the declared counts are used.
    codes : tuple of str
        Those of them that are told of.
    """

    weights: Weights
    codes: tuple[str, ...]

    @cached_property
    def place(self) -> Mapping[str, int]:
        """Where each code stands."""
        return {code: index for index, code in enumerate(self.codes)}

    @property
    def _known(self) -> list[Indicator]:
        return [self.weights.indicator(code) for code in self.codes]

    def by_lot(self, shares: Mapping[tuple[str, bool], Mapping[int, Sequence[float]]], lots: Sequence[int]) -> Floats:
        """Return what each lot's pieces showed, shape (lots, codes, 2, 3), from the same by code, truth and lot."""
        found = np.zeros((len(lots), len(self.codes), 2, len(OUTCOMES)))
        rows = {lot: row for row, lot in enumerate(lots)}
        for (code, not_genuine), of_lots in shares.items():
            for lot, row in rows.items():
                mine = of_lots.get(lot)
                if mine is not None:
                    found[row, self.place[code], 0 if not_genuine else 1] = mine
        return found

    def of_all(self, sums: Mapping[tuple[str, bool], Counts]) -> Floats:
        """Return counts, shape (codes, 2, 3), from the same by code and truth."""
        kinds = (True, False)
        return np.array([[_numbers(sums.get((code, kind), NOTHING_COUNTED)) for kind in kinds] for code in self.codes])

    def weights_db(self, taught: Floats) -> Floats:
        """Return what each outcome weighs, shape (lots, codes, 3), as `Weights.weight_db` does.

        Parameters
        ----------
        taught : ndarray of float, shape (lots, codes, 2, 3)
            What settled pieces add to the declared counts, in effective pieces.
        """
        declared = np.array(
            [
                [_numbers(kind.worth(self.weights.declared_pieces)) for kind in (known.not_genuine, known.genuine)]
                for known in self._known
            ]
        )
        # What no settled piece has shown so keeps its declared weight.
        tried = (taught.sum(axis=2) > NOTHING)[:, :, np.newaxis]
        both = declared + taught
        seen = np.where(tried, both, declared)
        of = np.where(tried, both.sum(axis=3, keepdims=True), declared.sum(axis=2, keepdims=True))
        shares = seen / of
        says = (seen > 0).all(axis=2)
        ratio = np.divide(shares[:, :, 0], shares[:, :, 1], out=np.ones(says.shape), where=says)
        found: Floats = 10.0 * np.log10(ratio)
        return found

    def outcomes(self, shown: Iterable[Mapping[str, str]]) -> NDArray[np.intp]:
        """Return what became of looking for each code, shape (pieces, codes): a place in `OUTCOMES`, or -1."""
        rows = list(shown)
        found = np.full((len(rows), len(self.codes)), _NOT_LOOKED_FOR)
        for row, outcomes in zip(found, rows, strict=True):
            for code, outcome in outcomes.items():
                if (at := self.place.get(code)) is not None:
                    row[at] = OUTCOMES.index(outcome)
        return found

    def sums(self, outcomes: NDArray[np.intp], weights_db: Floats) -> Sums:
        """Return the sums of pieces, family by family, each family bounded, as `combine` makes them.

        Parameters
        ----------
        outcomes : ndarray of int, shape (pieces, codes)
        weights_db : ndarray of float, shape (pieces, codes, 3)
            Of each piece's lot.
        """
        each = np.take_along_axis(weights_db, np.maximum(outcomes, 0)[:, :, np.newaxis], axis=2)[:, :, 0]
        is_found, in_vain = (outcomes >= 0) & (outcomes != _ABSENT), outcomes == _ABSENT
        rest, signs, left_out = np.zeros((3, len(outcomes)))
        of_family = np.array([known.family for known in self._known])
        for name in dict.fromkeys(of_family.tolist()):
            family, mine = families()[name], of_family == name
            is_loud = is_found[:, mine].any(axis=1)
            said = np.where(is_found, each, 0.0)[:, mine].sum(axis=1).clip(-family.cap_against, family.cap_for)
            if not family.looks_for_signs:
                rest += said
                continue
            silence = np.where(in_vain, each, 0.0)[:, mine].sum(axis=1)
            quiet = np.where(is_loud, 0.0, silence.clip(-family.cap_absent, family.cap_absent))
            signs += said + quiet
            left_out += silence - quiet
        return Sums(rest, signs, left_out)


def _numbers(counts: Counts) -> list[float]:
    return [counts.of(outcome) for outcome in OUTCOMES]
