"""Markings by their words, so that a part of one is found by an index: the words of each look, and how words end.

What holds a text holds each of its words, and a word that holds `6522` has an ending (`6522AP` of `CV6522AP`) that
begins with it. That is a range of an index on every database. Words are in folded case; what is found is compared with
the marking itself afterwards (`tracker/desk/marking_search.py`).
"""

from collections.abc import Sequence

from sqlalchemy import select, text
from sqlalchemy.orm import Session

from tracker.desk.fields import folded
from tracker.records import bulk
from tracker.records.derived import MARKING_WORD, WORD_ENDING
from tracker.records.models import Inspection

FRAGMENT = 32
"""Signs of a word that are looked for; our own choice: longer than a type, shorter than any index's limit."""
LONGEST = 2 * FRAGMENT
BETWEEN = "/"
"""Stands between the lines of a marking; as a word it would lead to all there are."""
LOOKS_AT_ONCE = 5_000
"""Our own choice, to bound memory."""


def words_of(marking: str) -> set[str]:
    """Return the words of a marking as they are kept; of a very long one windows, in which every fragment is whole."""
    found: set[str] = set()
    for word in folded(marking).split():
        if word != BETWEEN:
            found.update(word[at : at + LONGEST] for at in range(0, max(1, len(word) - FRAGMENT), FRAGMENT))
    return found


def fragments(text: str) -> list[str]:
    """Return what a marking's words must hold where it holds a text, the longest first; none where nothing is said."""
    words = {word[:FRAGMENT] for word in folded(text).split() if word != BETWEEN}
    return sorted(words, key=lambda word: (-len(word), word))


def endings(word: str) -> list[tuple[str, str]]:
    """Return the rows of `word_ending` for a word."""
    return [(word[at:], word) for at in range(len(word))]


def add_words(session: Session, after: int, first: int) -> None:
    """Add the words of the looks from `first` on that entries later than `after` wrote; the write lock is held."""
    at = Inspection.id
    # '+ 0': in the order of looks, whatever the index of entries promises.
    query = select(at, Inspection.marking).where(Inspection.entry_id + 0 > after, Inspection.marking != "")
    last, pages = first - 1, 0
    while looks := session.execute(query.where(at > last).order_by(at).limit(LOOKS_AT_ONCE)).all():
        last, pages = looks[-1][0], pages + 1
        # In the order of the key, as `bulk.pour` wants the columns.
        used = sorted((word, look) for look, marking in looks for word in words_of(marking))
        _pour_new(session, sorted({word for word, _ in used}))
        if used:
            bulk.pour(session.connection(), MARKING_WORD, [(look, word) for word, look in used])
    if pages > 1 and session.connection().dialect.name == "postgresql":
        # Else questions are planned for tables of which nothing is known, until it finds out itself.
        session.execute(text(f"ANALYZE {MARKING_WORD.name}, {WORD_ENDING.name}"))


def _pour_new(session: Session, words: Sequence[str]) -> None:
    """Add the endings of those words that no look had before."""
    at = WORD_ENDING.c
    for start in range(0, len(words), LOOKS_AT_ONCE):
        some = words[start : start + LOOKS_AT_ONCE]
        known = set(session.scalars(select(at.word).where(at.ending.in_(some), at.ending == at.word)))
        rows = sorted(row for word in some if word not in known for row in endings(word))
        if rows:
            bulk.pour(session.connection(), WORD_ENDING, rows)
