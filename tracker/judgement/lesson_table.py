"""Very many lessons in columns: what they add up to is worked out in arrays, and a lesson is made when asked for.

A workshop of a hundred thousand settled pieces starts from them with every command: as objects they take a second.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any, overload

import numpy as np
from numpy.typing import NDArray

from tracker.judgement.counts import OUTCOMES, SLIGHT
from tracker.judgement.lesson import Lesson
from tracker.judgement.outcomes import Outcomes, codes
from tracker.judgement.weights import indicators

SETTLED = "settled"
"""The family of truth itself. What settles a piece is no experience with the words that settle it."""
Key = tuple[str, bool]
"""An indicator's code, and whether the pieces are the ones that are not genuine."""


@dataclass(frozen=True, eq=False)
class LotRows(Mapping[int, tuple[Any, ...]]):
    """Three numbers for each of some lots.

    Parameters
    ----------
    lots : ndarray of int, shape (lots,)
        In order.
    numbers : ndarray, shape (lots, 3)
    """

    lots: NDArray[np.int64]
    numbers: NDArray[Any]

    def __getitem__(self, lot: int) -> tuple[Any, ...]:
        at = int(np.searchsorted(self.lots, lot))
        if at == len(self.lots) or self.lots[at] != lot:
            raise KeyError(lot)
        return tuple(self.numbers[at].tolist())

    def __iter__(self) -> Iterator[int]:
        return iter(self.lots.tolist())

    def __len__(self) -> int:
        return len(self.lots)

    def those(self, kept: NDArray[np.bool_]) -> "LotRows":
        """Return the rows for which a mask of shape (lots,) is true."""
        return LotRows(self.lots[kept], self.numbers[kept])


@dataclass(frozen=True, eq=False)
class LessonTable(Sequence[Lesson]):
    """Lessons in the order of their pieces.

    Parameters
    ----------
    pieces, lots : ndarray of int, shape (lessons,)
    not_genuine : ndarray of bool, shape (lessons,)
    marks : ndarray of uint8, shape (lessons, codes)
        As in `Outcomes`.
    before : mapping of int to float
        By lot, what was thought of its pieces before looking, in decibans; needed for the newest alone.
    """

    pieces: NDArray[np.int64]
    lots: NDArray[np.int64]
    not_genuine: NDArray[np.bool_]
    marks: NDArray[np.uint8]
    before: Mapping[int, float] = field(default_factory=dict)

    def __len__(self) -> int:
        return len(self.pieces)

    @overload
    def __getitem__(self, at: int) -> Lesson: ...
    @overload
    def __getitem__(self, at: slice) -> "LessonTable": ...
    def __getitem__(self, at: int | slice) -> "Lesson | LessonTable":
        if isinstance(at, slice):
            return self.those(at)
        lot = int(self.lots[at])
        outcomes = Outcomes(self.marks[at].tobytes())
        return Lesson(int(self.pieces[at]), lot, bool(self.not_genuine[at]), outcomes, self.before.get(lot))

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, LessonTable):
            return NotImplemented
        return self.before == other.before and all(
            np.array_equal(getattr(self, name), getattr(other, name)) for name in _COLUMNS
        )

    __hash__ = None  # type: ignore[assignment]

    def those(self, which: Any) -> "LessonTable":
        """Return the lessons of a slice or a mask."""
        return replace(self, **{name: getattr(self, name)[which] for name in _COLUMNS})

    def of_piece(self, piece: int) -> "Lesson | None":
        """Return the lesson of a piece."""
        at = int(np.searchsorted(self.pieces, piece))
        return self[at] if at < len(self) and self.pieces[at] == piece else None

    def of_others(self, fold: int, folds: int) -> "LessonTable":
        """Return the lessons of lots that are not of a fold."""
        return self.those(self.lots % folds != fold)

    def number(self, lot: int, not_genuine: bool) -> int:
        """Return how many pieces of a lot are known to be so."""
        return int(np.count_nonzero((self.lots == lot) & (self.not_genuine == not_genuine)))

    @cached_property
    def own_lots(self) -> NDArray[np.int64]:
        """Every lot once, in order."""
        return np.unique(self.lots)

    def has_lot(self, lot: int) -> bool:
        """Tell whether there is a lesson of a lot."""
        at = int(np.searchsorted(self.own_lots, lot))
        return at < len(self.own_lots) and bool(self.own_lots[at] == lot)

    def tallies(self) -> dict[Key, LotRows]:
        """Return by key and lot how many pieces showed it clearly, slightly, not at all."""
        if not len(self):
            return {}
        group = 2 * np.searchsorted(self.own_lots, self.lots) + self.not_genuine
        cells = len(self.own_lots)
        found: dict[Key, LotRows] = {}
        for column, code in zip(np.ascontiguousarray(self.marks.T), codes(), strict=True):
            known = indicators()[code]
            # Where no slight form is declared, slightly seen is neither seen nor not seen.
            counted = (column > 0) if known.has_slight else (column > 0) & (column != 1 + OUTCOMES.index(SLIGHT))
            if known.family == SETTLED or not counted.any():
                continue
            shown = np.bincount(3 * group[counted] + column[counted] - 1, minlength=6 * cells).reshape(cells, 2, 3)
            for kind in (False, True):
                rows = LotRows(self.own_lots, shown[:, int(kind)])
                told = np.asarray(rows.numbers.any(axis=1))
                if told.any():
                    found[code, kind] = rows.those(told)
        return found


_COLUMNS = ("pieces", "lots", "not_genuine", "marks")
