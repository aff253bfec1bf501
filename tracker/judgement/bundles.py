"""Tests that could be done together on a lot, in arrays: a large lot has thousands, and each choice looks at all."""

from collections.abc import Collection, Iterable
from dataclasses import dataclass

import numpy as np

from tracker.judgement.next_test import Channel

_ENOUGH = 1e-9


@dataclass(frozen=True, slots=True)
class Trial:
    """A test that can be done on a piece.

    Parameters
    ----------
    test : str
    channel : Channel
        What it says of this piece.
    setup_min, piece_min : float
        Minutes, spent once and on each piece.
    """

    test: str
    channel: Channel
    setup_min: float
    piece_min: float


Steps = tuple[tuple[int, Trial], ...]
"""Tests with their pieces."""


class Bundles:
    """Tests to do together, and what they save.

    Attributes
    ----------
    steps : list of tuple of (int, Trial)
        Of each bundle.
    saves : ndarray of float, shape (bundles,)
        By how much the expected loss falls.
    fresh : ndarray of bool, shape (bundles,)
        Whether that was worked out with all that has been chosen since.
    """

    def __init__(self, bundles: Iterable[tuple[Steps, float]]) -> None:
        every = list(bundles)
        self.steps = [steps for steps, _ in every]
        self.saves = np.array([saves for _, saves in every])
        self.fresh = np.ones(len(every), dtype=bool)
        self._is_left = np.ones(len(every), dtype=bool)
        self._work = np.array([sum(trial.piece_min for _, trial in steps) for steps in self.steps])
        self._with: dict[tuple[int, str], list[int]] = {}
        for place, steps in enumerate(self.steps):
            for piece, trial in steps:
                self._with.setdefault((piece, trial.test), []).append(place)
        # Set-ups are few: which a bundle needs is told by a number.
        needs = [tuple({trial.test: trial.setup_min for _, trial in steps}.items()) for steps in self.steps]
        self._set_ups = {one: number for number, one in enumerate(dict.fromkeys(needs))}
        self._needs = np.array([self._set_ups[one] for one in needs], dtype=np.intp)

    def best(self, minute: float, left: float | None, stands: Collection[str]) -> tuple[float, int] | None:
        """Return the bundle that saves most a minute, as (rate, place); None where none is worth its time.

        Parameters
        ----------
        minute : float
            What one costs.
        left : float or None
            Minutes there are.
        stands : collection of str
            Tests for which the bench is ready.
        """
        if not self.steps:
            return None
        set_up = [sum(minutes for test, minutes in some if test not in stands) for some in self._set_ups]
        minutes = self._work + np.array(set_up)[self._needs]
        fits = self._is_left & (self.saves > minutes * minute + _ENOUGH)
        if left is not None:
            fits &= minutes <= left
        if not fits.any():
            return None
        rates = np.divide(self.saves, minutes, out=np.full(minutes.shape, -np.inf), where=fits)
        place = int(rates.argmax())
        return float(rates[place]), place

    def drop(self, piece: int, test: str) -> None:
        """A test has been chosen: bundles with it are gone, and what the others save must be worked out anew."""
        self._is_left[self._with.get((piece, test), [])] = False
        self.fresh[:] = False
