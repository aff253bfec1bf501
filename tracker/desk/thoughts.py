"""Pieces as whoever is about to say something of them should see them: how they stand, and what is thought of them.

found = thoughts(workspace, ["L0007-03", "L0007-05..07"])
found.entry            # the journal's newest entry: what a page made from this carries along as `seen`
found.pieces           # tuple of Thought, in the order named
"""

from collections.abc import Sequence
from dataclasses import dataclass

from tracker.desk.assess import judged
from tracker.desk.facts import top_inspections
from tracker.desk.learned import learned
from tracker.desk.listing import piece_rows
from tracker.desk.pieces import resolve_pieces, seats
from tracker.desk.rows import PieceRow
from tracker.desk.since import seen_now
from tracker.desk.workspace import Workspace
from tracker.judgement.suspicion import SumLine, Suspicion

STRONGEST = 3
"""So many reasons are shown; the page of the piece has the whole sum. Our own choice."""
LEAST_DB = 0.5
"""A line that moves the sum by less is no reason to anybody (common practice, no source)."""
REASONS = ("finding", "siblings", "absence")


@dataclass(frozen=True, slots=True)
class Thought:
    """One piece.

    Parameters
    ----------
    row : PieceRow
    reading : str or None
        The lines read on its top.
    machine_name : str or None
        Of the machine it sits in.
    reasons : tuple of SumLine
        The lines of its sum that weigh most, either way.
    tested : tuple of (str, str)
        (test, verdict) of the latest run of each bench test.
    inspection : int or None
        Id of the inspection that has its top.
    """

    row: PieceRow
    reading: str | None
    machine_name: str | None
    reasons: tuple[SumLine, ...]
    tested: tuple[tuple[str, str], ...]
    inspection: int | None


@dataclass(frozen=True, slots=True)
class Thoughts:
    """Some pieces, as they stand after journal entry `entry`."""

    entry: int
    pieces: tuple[Thought, ...]


def thoughts(workspace: Workspace, words: Sequence[str]) -> Thoughts:
    """Return what is thought of pieces.

    Parameters
    ----------
    words : sequence of str
        Pieces, runs of pieces or lots.

    Raises
    ------
    BadRequest
        When a word names none.
    """
    with workspace.read() as session:
        entry, pieces = seen_now(session), resolve_pieces(session, words)
        if not pieces:
            return Thoughts(entry, ())
        known = learned(session)
        found_of = judged(session, {piece.id: piece.lot_id for piece in pieces}, known)
        rows, sums = piece_rows(session, pieces, known, found_of), found_of.sums
        tops, sitting = top_inspections(session, pieces), seats(session, pieces)
        found = []
        for piece, row in zip(pieces, rows, strict=True):
            seen, sits = tops.get(piece.id), sitting.get(piece.id)
            found.append(
                Thought(
                    row=row,
                    reading=seen.marking if seen else None,
                    machine_name=sits.machine.name if sits else None,
                    reasons=() if row.suspicion is None else strongest(sums[piece.id]),
                    tested=tuple((run.test, run.verdict) for run in found_of.records[piece.id].runs),
                    inspection=seen.id if seen else None,
                )
            )
    return Thoughts(entry, tuple(found))


def strongest(found: Suspicion) -> tuple[SumLine, ...]:
    """Return the lines of a sum that weigh most, either way, the weightiest first."""
    lines = [line for line in found.lines if line.kind in REASONS and abs(line.weight_db) >= LEAST_DB]
    return tuple(sorted(lines, key=lambda line: -abs(line.weight_db))[:STRONGEST])
