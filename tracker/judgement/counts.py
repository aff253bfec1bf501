"""Counts of pieces that show an indicator: the values that weights are made of."""

from dataclasses import dataclass

CLEAR = "clear"
SLIGHT = "slight"
ABSENT = "absent"
STRENGTHS = (CLEAR, SLIGHT)
OUTCOMES = (CLEAR, SLIGHT, ABSENT)
"""What becomes of looking for an indicator: it is seen clearly, slightly, or not at all."""
_FIELD = {CLEAR: "present", SLIGHT: "slight", ABSENT: "absent"}


@dataclass(frozen=True, slots=True)
class Counts:
    """How many pieces of one kind show an indicator clearly, slightly, or not at all; fractions are allowed."""

    present: float
    absent: float
    slight: float = 0.0

    @property
    def total(self) -> float:
        """All pieces of this kind."""
        return self.present + self.slight + self.absent

    def of(self, outcome: str) -> float:
        """Return the count of one of `OUTCOMES`."""
        found: float = getattr(self, _FIELD[outcome])
        return found

    def worth(self, pieces: float) -> "Counts":
        """Return the same shares of so many pieces."""
        factor = pieces / self.total
        return Counts(self.present * factor, self.absent * factor, self.slight * factor)

    def __add__(self, other: "Counts") -> "Counts":
        """Return both together."""
        return Counts(self.present + other.present, self.absent + other.absent, self.slight + other.slight)


NOTHING_COUNTED = Counts(0.0, 0.0)


@dataclass(frozen=True, slots=True)
class Taught:
    """What pieces whose truth is known add to the counts of one indicator.

    Parameters
    ----------
    not_genuine, genuine : Counts
        In effective pieces: those of one lot count less than one each (see `tracker/judgement/learning.py`).
    pieces : int
        How many pieces that was, before.
    lots : int
        How many lots they came in.
    """

    not_genuine: Counts = NOTHING_COUNTED
    genuine: Counts = NOTHING_COUNTED
    pieces: int = 0
    lots: int = 0


UNTAUGHT = Taught()


@dataclass(frozen=True, slots=True)
class Basis:
    """The counts that one weight stands on.

    Parameters
    ----------
    not_genuine_seen, not_genuine_of, genuine_seen, genuine_of : float
        Of so many pieces of either kind so many showed it so (or, of an absence, did not show it); declared and settled
        ones together.
    declared : float
        How many pieces of either kind the declared counts are worth.
    settled : int
        Pieces settled here that are in the counts.
    lots : int
        The lots they came in.
    tried : bool
        False where no piece settled here has shown it: the counts are then the declared ones alone.
    """

    not_genuine_seen: float
    not_genuine_of: float
    genuine_seen: float
    genuine_of: float
    declared: float
    settled: int
    lots: int
    tried: bool
