"""Pieces whose truth is known, in columns: there may be a hundred thousand, and every command starts from them."""

from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from tracker.desk.truths import Truth
from tracker.journal import Head
from tracker.judgement.outcomes import Outcomes, codes

PLACES = np.dtype([("piece", "<i8"), ("lot", "<i8"), ("seller", "<i8"), ("bad", "u1"), ("by_bench", "u1")])
"""A row of `KnownTable.places`: the columns of `Truth`."""


class Known(NamedTuple):
    """A piece's truth, and what it showed that can be counted; whether its lot's pictures were reused is not in it."""

    truth: Truth
    outcomes: Outcomes


@dataclass(frozen=True, eq=False)
class KnownTable(Mapping[int, Known]):
    """From a piece to what is known of it, in the order of the pieces.

    Parameters
    ----------
    places : ndarray of PLACES, shape (pieces,)
    marks : ndarray of uint8, shape (pieces, codes)
        As in `Outcomes`.
    """

    places: NDArray[np.void]
    marks: NDArray[np.uint8]

    @classmethod
    def of(cls, known: Iterable[Known]) -> "KnownTable":
        """Return the table of some pieces, each once."""
        rows = sorted(known, key=lambda one: one.truth.piece)
        truths = [one.truth for one in rows]
        places = [(one.piece, one.lot, one.seller, one.not_genuine, one.by_bench) for one in truths]
        marks = np.frombuffer(bytearray().join(one.outcomes.marks for one in rows), np.uint8)
        return cls(np.array(places, PLACES), marks.reshape(len(rows), len(codes())))

    def __getitem__(self, piece: int) -> Known:
        at = int(np.searchsorted(self.pieces, piece))
        if at == len(self) or self.pieces[at] != piece:
            raise KeyError(piece)
        return Known(_truth(*self.places[at].tolist()), Outcomes(self.marks[at].tobytes()))

    def __iter__(self) -> Iterator[int]:
        return iter(self.pieces.tolist())

    def __len__(self) -> int:
        return len(self.places)

    def __eq__(self, other: object) -> bool:
        if isinstance(other, KnownTable):
            return np.array_equal(self.places, other.places) and np.array_equal(self.marks, other.marks)
        return super().__eq__(other)

    __hash__ = None  # type: ignore[assignment]

    @cached_property
    def pieces(self) -> NDArray[np.int64]:
        """The piece of each row."""
        return np.array(self.places["piece"])

    @cached_property
    def lots(self) -> NDArray[np.int64]:
        """The lot of each row."""
        return np.array(self.places["lot"])

    @cached_property
    def not_genuine(self) -> NDArray[np.bool_]:
        """The truth of each row."""
        return np.array(self.places["bad"], bool)

    def truths(self, seller: int | None = None) -> tuple[Truth, ...]:
        """Return the truths of all, or of one seller's pieces, by piece."""
        some = self.places if seller is None else self.places[self.places["seller"] == seller]
        return tuple(_truth(*row) for row in some.tolist())

    def instead(self, pieces: Collection[int], known: Iterable[Known]) -> "KnownTable":
        """Return the table without some pieces, and with what is known of them now."""
        kept = ~np.isin(self.pieces, list(pieces))
        new = KnownTable.of(known)
        places = np.concatenate([self.places[kept], new.places])
        order = np.argsort(places["piece"], kind="stable")
        return KnownTable(places[order], np.concatenate([self.marks[kept], new.marks])[order])

    def by_seller(self) -> dict[int, dict[int, tuple[int, int]]]:
        """Return how many pieces of each lot are not genuine, and are known, by seller and lot."""
        lots, first, of_lot = np.unique(self.lots, return_index=True, return_inverse=True)
        known, bad = np.bincount(of_lot), np.bincount(of_lot, weights=self.not_genuine)
        found: dict[int, dict[int, tuple[int, int]]] = {}
        sellers = self.places["seller"][first]
        for seller, lot, *counts in zip(*(one.tolist() for one in (sellers, lots, bad, known)), strict=True):
            found.setdefault(seller, {})[lot] = (int(counts[0]), counts[1])
        return found


def _truth(piece: int, lot: int, seller: int, bad: Any, by_bench: Any) -> Truth:
    return Truth(piece, lot, seller, bool(bad), bool(by_bench))


@dataclass(frozen=True)
class KnownPieces:
    """The pieces whose truth is known by a journal entry.

    Parameters
    ----------
    head : Head
        The newest entry then.
    pieces : KnownTable
        From a piece to its `Known`, in order.
    read : int
        How many pieces were read from the records since these were kept for other processes.
    """

    head: Head
    pieces: KnownTable
    read: int = 0
