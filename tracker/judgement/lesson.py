"""A lesson: one piece whose truth is known, and what became of looking at it."""

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Lesson:
    """One piece whose truth is known, and what became of looking at it. Its own suspicion has no part in it.

    Parameters
    ----------
    piece, lot : int
        Any numbers that tell pieces and lots apart.
    not_genuine : bool
        Its truth.
    outcomes : mapping of str to str
        By indicator: one of `OUTCOMES`. What was not looked for, or could not have been seen, is left out.
    before_db : float or None
        What was thought of it before looking, in decibans, had no truth of its lot been known. None: it teaches single
        indicators only, not what signs are worth together.
    """

    piece: int
    lot: int
    not_genuine: bool
    outcomes: Mapping[str, str]
    before_db: float | None = None
