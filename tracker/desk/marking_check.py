"""Does what is kept of the words of markings say what the looks do? For `verify` and `tidy`, in bounded memory.

Both sides are summed up as digests, whatever their order, by some thousand looks at a time; only where sums differ are
rows compared one by one.
"""

from collections.abc import Iterable, Iterator
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from tracker.desk.marking_words import endings, words_of
from tracker.records.derived import MARKING_WORD, WORD_ENDING
from tracker.records.models import Inspection, Piece

LOOKS, ROWS = 5_000, 20_000
"""Looks summed up together, and rows read at once; our own choice."""


def differing(session: Session) -> Iterator[str]:
    """Yield what differs: the label of a piece with a look whose words are not kept as read, or a name of what else."""
    for part in _parts(session):
        yield from _of_looks(session, part * LOOKS, (part + 1) * LOOKS)
    if _sum(_known(session)) != _sum(_rows(session, WORD_ENDING.c.ending, WORD_ENDING.c.word)):
        yield "the words of markings"


def _parts(session: Session) -> list[int]:
    """Return which parts, counted by `LOOKS` ids, are not kept as the looks read."""
    sums: dict[int, int] = {}
    for number, marking in _rows(session, Inspection.id, Inspection.marking):
        part = number // LOOKS
        sums[part] = sums.get(part, 0) + _sum((word, number) for word in words_of(marking))
    for word, number in _rows(session, MARKING_WORD.c.word, MARKING_WORD.c.look_id):
        part = number // LOOKS
        sums[part] = sums.get(part, 0) - hash((word, number))
    return sorted(part for part, left in sums.items() if left)


def _of_looks(session: Session, first: int, end: int) -> Iterator[str]:
    look, word = Inspection.id, MARKING_WORD.c
    there: dict[int, set[str]] = {}
    kept = select(word.look_id, word.word).where(word.look_id >= first, word.look_id < end)
    for number, one in session.execute(kept):
        there.setdefault(number, set()).add(one)
    query = select(look, Inspection.marking, Piece.label).join(Piece, Piece.id == Inspection.piece_id)
    for number, marking, label in session.execute(query.where(look >= first, look < end).order_by(look)):
        if there.pop(number, set()) != words_of(marking):
            yield label
    yield from (f"look {number}" for number in sorted(there))


def _known(session: Session) -> Iterator[tuple[str, str]]:
    """Yield the rows there must be in `word_ending`."""
    for (word,) in _rows(session, func.distinct(MARKING_WORD.c.word)):
        yield from endings(word)


def _rows(session: Session, *columns: Any) -> Iterator[Any]:
    yield from session.execute(select(*columns).execution_options(yield_per=ROWS))


def _sum(rows: Iterable[Any]) -> int:
    return sum(hash(tuple(row)) for row in rows)
