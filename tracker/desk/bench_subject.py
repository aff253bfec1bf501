"""What stands on a bench form above its fields: what is tested, and what its neighbours showed in the same test."""

from dataclasses import dataclass

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from tracker.bench.compare import Figure
from tracker.bench.figures import show_with_u
from tracker.desk.bench_compare import figures_of
from tracker.desk.bench_record import find_subject
from tracker.desk.bench_words import time_text
from tracker.desk.facts import standing_exemplars
from tracker.desk.pieces import seat
from tracker.desk.workspace import Workspace
from tracker.knowledge.parts import compare_part
from tracker.records.models import BenchRun, Piece

MOST_NEIGHBOURS = 8
"""Shown; the nearest first (common practice, no source)."""
MOST_GOOD = 50
"""Known-good pieces among which runs are looked for, the newest declarations; our own choice."""


@dataclass(frozen=True, slots=True)
class Neighbour:
    """Another piece's latest run of the same test; `known_good` where the piece is an exemplar, else a sibling."""

    piece: str
    known_good: bool
    run: str
    verdict: str
    figure: str


@dataclass(frozen=True, slots=True)
class BenchSubject:
    """What is tested.

    Parameters
    ----------
    label : str
    kind : 'piece' or 'machine'
    lot, part, grade : str or None
        Of a piece: its lot and what is claimed for it.
    machine, machine_name : str or None
        The machine itself, or the one a piece is fitted into.
    runs : tuple of (run, test, verdict)
        The latest first.
    neighbours : tuple of Neighbour
    """

    label: str
    kind: str
    lot: str | None
    part: str | None
    grade: str | None
    machine: str | None
    machine_name: str | None
    runs: tuple[tuple[str, str, str], ...]
    neighbours: tuple[Neighbour, ...]


def bench_subject(workspace: Workspace, label: str, test: str | None = None) -> BenchSubject:
    """Return what a label means at the bench, with its neighbours' runs of a test.

    Raises
    ------
    BadRequest
        There is no such piece or machine.
    """
    with workspace.read() as session:
        found = find_subject(session, label)
        piece, machine = found.piece, found.machine
        sits = None if piece is None else seat(session, piece)
        sits_in = machine if sits is None else sits.machine
        mine = BenchRun.piece_id == piece.id if piece is not None else BenchRun.machine_id == (machine and machine.id)
        runs = session.scalars(select(BenchRun).where(mine).order_by(BenchRun.id.desc())).all()
        return BenchSubject(
            label=found.label,
            kind="machine" if piece is None else "piece",
            lot=None if piece is None else piece.lot.label,
            part=None if piece is None else piece.lot.claimed_part,
            grade=None if piece is None else piece.lot.claimed_grade,
            machine=None if sits_in is None else sits_in.label,
            machine_name=None if sits_in is None else sits_in.name,
            runs=tuple((run.label, run.test, run.verdict) for run in runs),
            neighbours=() if piece is None or test is None else _neighbours(session, piece, test),
        )


def _neighbours(session: Session, piece: Piece, test: str) -> tuple[Neighbour, ...]:
    part = piece.lot.claimed_part
    good = standing_exemplars(
        session, lambda other: compare_part(part, other).kind in ("same", "other-grade"), most=MOST_GOOD
    )
    known = {one.id for one in good}
    own = [one for one in piece.lot.pieces if one.id not in known]
    near = [one for one in (*good, *own) if one.id != piece.id]
    latest = select(BenchRun.piece_id, func.max(BenchRun.id)).group_by(BenchRun.piece_id)
    wanted = latest.where(BenchRun.piece_id.in_([one.id for one in near]), BenchRun.test == test)
    newest = {row[0]: row[1] for row in session.execute(wanted)}
    shown = [one for one in near if one.id in newest][:MOST_NEIGHBOURS]
    rows = session.scalars(select(BenchRun).where(BenchRun.id.in_([newest[one.id] for one in shown])))
    runs = {run.piece_id: run for run in rows}
    found = []
    for one in shown:
        run = runs[one.id]
        figure = next(iter(figures_of(run)), None)
        found.append(Neighbour(one.label, one.id in known, run.label, run.verdict, _shown(figure)))
    return tuple(found)


def _shown(figure: Figure | None) -> str:
    if figure is None:
        return ""
    if figure.unit == "s" and figure.u is None:
        return f"{figure.name} {time_text(figure.value)}"
    return f"{figure.name} {show_with_u(figure.value, figure.u, figure.unit)}"
