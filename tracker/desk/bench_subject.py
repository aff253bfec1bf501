"""What stands on a bench form above its fields: what is tested, and what its neighbours showed in the same test."""

from dataclasses import dataclass

from sqlalchemy import select
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
    good = [
        one
        for one in standing_exemplars(session)
        if one.id != piece.id
        and compare_part(piece.lot.claimed_part, one.lot.claimed_part).kind in ("same", "other-grade")
    ]
    known = {one.id for one in good}
    siblings = [one for one in piece.lot.pieces if one.id != piece.id and one.id not in known]
    ids = [one.id for one in (*good, *siblings)]
    rows = session.scalars(
        select(BenchRun).where(BenchRun.piece_id.in_(ids), BenchRun.test == test).order_by(BenchRun.id)
    )
    latest = {run.piece_id: run for run in rows}
    found = []
    for one in (*good, *siblings):
        run = latest.get(one.id)
        if run is not None:
            figure = next(iter(figures_of(run)), None)
            found.append(Neighbour(one.label, one.id in known, run.label, run.verdict, _shown(figure)))
    return tuple(found[:MOST_NEIGHBOURS])


def _shown(figure: Figure | None) -> str:
    if figure is None:
        return ""
    if figure.unit == "s" and figure.u is None:
        return f"{figure.name} {time_text(figure.value)}"
    return f"{figure.name} {show_with_u(figure.value, figure.u, figure.unit)}"
