"""Two people at one piece: what was said of it since a page was made, and refusing to talk past each other.

A page that asks for a decision is made from the records as they are at some entry of the journal. It carries that
entry's number (`seen`) along; when the form comes back, what has become known of the piece since then is shown before
anything is recorded, unless whoever decides has been shown it and confirms.
"""

from collections.abc import Sequence

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracker import journal
from tracker.desk.events import Event, Told, in_order, told_of
from tracker.desk.pieces import find_machine, looks_like_machine, resolve_pieces
from tracker.desk.workspace import Workspace
from tracker.errors import BadRequest
from tracker.records.models import BenchRun, Fitting, Inspection, JournalEntry, Machine, Photo, Piece, ReadingCorrection

MOST_TOLD = 4
"""Of more events an error's sentence names the newest (common practice, no source); `events` has them all."""
BESIDE = "judged anew beside a sibling whose reading was corrected"


class SaidSince(BadRequest):
    """Something was said since the page was made, and nothing was recorded.

    Attributes
    ----------
    events : tuple of Event
        What was said, oldest first.
    entry : int
        The journal's newest entry now: who sends the same again with this as `seen` confirms.
    """

    def __init__(self, events: Sequence[Event], entry: int) -> None:
        self.events = tuple(events)
        self.entry = entry
        newest = self.events[-MOST_TOLD:]
        told = "; ".join(f"{one.what}, by {one.operator} at {one.at[:16].replace('T', ' ')} UTC" for one in newest)
        left = len(self.events) - len(newest)
        super().__init__(
            f"Something was said since this page was made: {told}{f'; and {left} earlier' if left else ''}.",
            "Nothing was recorded. Read it, and confirm if you still want the same.",
        )


def seen_now(session: Session) -> int:
    """Return the number that a page made from this session carries: the journal's newest entry, 0 for none."""
    return journal.head(session).entry


def said_since(where: Session | Workspace, label: str, entry: int) -> tuple[Event, ...]:
    """Return what was said, done, seen and measured about something since a journal entry, oldest first.

    Parameters
    ----------
    where : Session or Workspace
    label : str
        A piece (`L0007-03`), a run of pieces (`L0007-01..05`), a lot (its pieces) or a machine. Of several pieces each
        event names its own.
    entry : int
        The number the page carries; what that entry itself says was on the page.

    Raises
    ------
    BadRequest
        There is nothing of this label.
    """
    if isinstance(where, Workspace):
        with where.read() as session:
            return said_since(session, label, entry)
    if looks_like_machine(label):
        return in_order(where, _told_of_machine(where, find_machine(where, label), max(entry, 0)))
    return _of_pieces(where, resolve_pieces(where, [label]), entry)


def refuse_if_said(session: Session, pieces: Sequence[Piece], seen: int | None) -> None:
    """Refuse to go on where something was said about one of the pieces since entry `seen`; None asks for no check.

    Call it inside an act: the write lock is held there, so nobody can say something between this and the writing.

    Raises
    ------
    SaidSince
        With what was said.
    """
    if seen is None:
        return
    events = _of_pieces(session, pieces, seen)
    if events:
        raise SaidSince(events, seen_now(session))


def _of_pieces(session: Session, pieces: Sequence[Piece], entry: int) -> tuple[Event, ...]:
    if seen_now(session) <= entry:
        return ()
    labels = {piece.id: piece.label for piece in pieces}
    told = [*told_of(session, [*labels], max(entry, 0)), *_found(session, [*labels], max(entry, 0))]
    if len(labels) == 1:
        return in_order(session, [one for _, one in told])
    return in_order(session, [(row, f"{labels[number or 0]} {what}", why) for number, (row, what, why) in told])


def _found(session: Session, pieces: Sequence[int], entry: int) -> list[tuple[int | None, Told]]:
    """Return what was measured on pieces and seen of them: no word of anybody, but what a decision may rest on."""
    told: list[tuple[int | None, Told]] = []
    for run in session.scalars(select(BenchRun).where(BenchRun.piece_id.in_(pieces), BenchRun.entry_id > entry)):
        told.append((run.piece_id, (run, f"{run.test} test {run.label}: {run.verdict}", None)))
    query = (
        select(Inspection, Photo.role, JournalEntry.act)
        .join(Photo, Photo.id == Inspection.photo_id)
        .join(JournalEntry, JournalEntry.id == Inspection.entry_id)
        .where(Inspection.piece_id.in_(pieces), Inspection.entry_id > entry)
    )
    corrected = select(ReadingCorrection.piece_id, ReadingCorrection.entry_id).where(
        ReadingCorrection.piece_id.in_(pieces), ReadingCorrection.entry_id > entry
    )
    by_hand = {(row.piece_id, row.entry_id) for row in session.execute(corrected)}
    for seen, role, act in session.execute(query):
        if (seen.piece_id, seen.entry_id) not in by_hand:
            what = BESIDE if act == "correct" else f"photographed ({role})"
            told.append((seen.piece_id, (seen, what, None)))
    return told


def _told_of_machine(session: Session, machine: Machine, entry: int) -> list[Told]:
    told: list[Told] = []
    if seen_now(session) <= entry:
        return told
    query = select(Fitting, Piece.label).join(Piece, Piece.id == Fitting.piece_id)
    for row, piece in session.execute(query.where(Fitting.machine_id == machine.id, Fitting.entry_id > entry)):
        told.append((row, f"{piece} {'fitted at' if row.fitted else 'taken out of'} {row.position}", row.reason))
    for run in session.scalars(select(BenchRun).where(BenchRun.machine_id == machine.id, BenchRun.entry_id > entry)):
        told.append((run, f"{run.test} test {run.label}: {run.verdict}", None))
    return told
