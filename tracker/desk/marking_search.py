"""Looks whose marking holds a text, found by its words instead of in all looks there are."""

from typing import Any, NamedTuple

from sqlalchemy import ColumnElement, Select, func, or_, select
from sqlalchemy.orm import Session

from tracker.desk.marking_words import LONGEST, fragments
from tracker.desk.standing import state
from tracker.records.derived import MARKING_WORD, WORD_ENDING
from tracker.records.models import Inspection

TRIED = 4
"""Words of a question that are counted, the longest; our own choice."""
_LAST = "\U0010ffff" * LONGEST
"""Behind every ending."""


class Candidates(NamedTuple):
    """The question for the ids of looks that may hold a text, and whether they are fewer than was asked for."""

    looks: Select[Any]
    few: bool


def holding(text: str) -> ColumnElement[bool]:
    """Return the condition that a look's marking holds a text, in any case, white space of the text joined."""
    return holds_text(func.lower(Inspection.marking), " ".join(text.split()))


def holds_text(lowered: ColumnElement[str], text: str) -> ColumnElement[bool]:
    """Return the condition that what a database made small letters of holds a text.

    SQLite, and PostgreSQL in some languages, leave what is not ASCII as it is: so Greek letters or umlauts are found in
    the case in which they were printed, everything else in any.
    """
    small = "".join(one.lower() if one.isascii() else one for one in text)
    return or_(*(lowered.contains(one, autoescape=True) for one in dict.fromkeys((small, text.lower()))))


def candidates(session: Session, text: str, few: int) -> Candidates | None:
    """Return where to look for a text: the looks that have the rarest of its words.

    Parameters
    ----------
    few : int
        Looks are counted up to so many, and no further.

    Returns
    -------
    Candidates or None
        None where no index helps: the text has no word, or what is kept of markings is behind the records.
    """
    asked = [_looks(one) for one in fragments(text)[:TRIED]]
    if not asked or not state(session).current:
        return None
    counted = [session.scalar(select(func.count()).select_from(one.limit(few).subquery())) or 0 for one in asked]
    least = min(counted)
    return Candidates(asked[counted.index(least)], least < few)


def _looks(fragment: str) -> Select[Any]:
    word, at = MARKING_WORD.c, WORD_ENDING.c
    # Not 'between': with its bounds' collation spelt out PostgreSQL does not understand it.
    begins = at.ending >= fragment, at.ending <= fragment + _LAST
    return select(word.look_id).join(WORD_ENDING, at.word == word.word).where(*begins)
