"""Every piece whose truth is known, and what it showed; carried forward from one journal entry to a later one.

To read all of them anew takes a second for some thousand pieces. But rows are never changed: what was read up to one
entry holds but for pieces of which later entries wrote something, and only those are read again. What was read is
handed on within a process, and kept for the next one (`tracker/desk/known_kept.py`).
"""

from collections.abc import Iterator, Sequence
from itertools import islice
from typing import Any

from sqlalchemy import ColumnElement, select, union
from sqlalchemy.orm import Session

from tracker.desk import known_kept
from tracker.desk.known_table import Known, KnownPieces, KnownTable
from tracker.desk.on_record import OnRecord, on_record
from tracker.desk.outcomes import bench_outcomes, photo_outcomes
from tracker.desk.truths import Truth, truths
from tracker.journal import Head, head, holds
from tracker.judgement.outcomes import Outcomes
from tracker.records.models import BenchRun, Decision, Inspection, Settlement

MOST_AT_ONCE = 5_000
"""A database takes only so many names at once; our own choice, as in `tracker/desk/standing.py`."""
_KEPT = "lotproof.known_pieces"


def known_pieces(session: Session, before: KnownPieces | None, *, keep: bool = False) -> KnownPieces:
    """Return the pieces whose truth is known by what a session sees, its own rows included.

    Parameters
    ----------
    before : KnownPieces or None
        What was known by an earlier entry.
    keep : bool
        Whether it may be kept for other processes: not while an act is under way, whose rows may never come about.
    """
    base, now = known_before(session, before), head(session)
    found = _all(session, now) if base is None else _forward(session, base, now)
    return known_kept.kept(session, found) if keep and found.read >= known_kept.WORTH_IT else found


def known_before(session: Session, before: KnownPieces | None = None) -> KnownPieces | None:
    """Return what was known by an earlier entry of this very journal, from this process or an earlier one, or None."""
    before = before or session.info.get(_KEPT)
    if before is None or not holds(session, before.head):
        before = known_kept.load(session)
    if before is not None:
        session.info[_KEPT] = before
    return before


def truths_of(session: Session, seller: int) -> tuple[Truth, ...]:
    """Return what is known of one seller's pieces, by piece."""
    base = known_before(session)
    if base is None:
        return truths(session, seller)
    touched = _touched(session, base.head.entry)
    gone = frozenset(touched)
    found = [one for one in base.pieces.truths(seller) if one.piece not in gone]
    for some in _chunks(touched):
        found += [one for one in truths(session, pieces=some) if one.seller == seller]
    return tuple(sorted(found, key=lambda one: one.piece))


def _all(session: Session, now: Head) -> KnownPieces:
    found = KnownTable.of(_read(session, truths(session)))
    return KnownPieces(now, found, len(found))


def _forward(session: Session, base: KnownPieces, now: Head) -> KnownPieces:
    touched = _touched(session, base.head.entry)
    if not touched:
        return KnownPieces(now, base.pieces, base.read)
    new = [one for some in _chunks(touched) for one in _read(session, truths(session, pieces=some))]
    return KnownPieces(now, base.pieces.instead(touched, new), base.read + len(touched))


def _touched(session: Session, entry: int) -> list[int]:
    """Return the pieces of which something was said after an entry that may change their truth or what they showed.

    A photo in which a chip was later said to be another piece no longer speaks for the first one.
    """

    def later(table: Any) -> ColumnElement[bool]:
        return table.entry_id > entry  # type: ignore[no-any-return]

    photos = select(Inspection.photo_id).where(later(Inspection))
    said: Any = union(
        select(Settlement.piece_id).where(later(Settlement)),
        select(Decision.piece_id).where(later(Decision)),
        select(BenchRun.piece_id).where(later(BenchRun), BenchRun.piece_id.is_not(None)),
        select(Inspection.piece_id).where(Inspection.photo_id.in_(photos)),
    )
    return sorted(session.scalars(said))


def _read(session: Session, told: Sequence[Truth]) -> Iterator[Known]:
    for some in _chunks(told):
        facts = on_record(session, [one.piece for one in some])
        yield from (Known(one, _outcomes(one, facts[one.piece])) for one in some)


def _outcomes(truth: Truth, facts: OnRecord) -> Outcomes:
    outcomes = photo_outcomes(facts)
    if not truth.by_bench:
        # Bench tests that make the truth cannot be tried by it: they would confirm themselves. Nor are the others that
        # the piece went through counted: those that agreed are among its grounds, and to count only those that did not
        # would teach misses alone. So bench tests learn from what was established outside.
        outcomes |= bench_outcomes(facts.runs)
    return Outcomes.of(outcomes)


def _chunks(some: Sequence[Any]) -> list[Sequence[Any]]:
    left = iter(some)
    return list(iter(lambda: list(islice(left, MOST_AT_ONCE)), []))
