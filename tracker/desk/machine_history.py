"""A machine over the years: what it drew and how warm it got, run by run, and what was changed between them."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracker.bench.compare import Figure
from tracker.bench.figures import show_with_u
from tracker.desk.bench_compare import figures_of
from tracker.desk.drawing import Drawing, Mark, Series
from tracker.desk.pieces import find_machine
from tracker.desk.workspace import Workspace
from tracker.records.models import BenchRun, Fitting, JournalEntry, Machine, Piece

_DRAWN = ("current", "power into the board", "power into the supply", "final rise")
"""What is drawn, each over its own axis; other quantities stand in the table of `bench compare`."""
_DAY_S = 86400.0


@dataclass(frozen=True, slots=True)
class HistoryPoint:
    """One quantity of one run; `at` a UTC instant as the journal has it, `shown` the value for a person."""

    at: str
    run: str
    test: str
    remark: str | None
    figure: Figure
    shown: str


@dataclass(frozen=True, slots=True)
class HistoryChange:
    """One change: a piece put in or taken out, at a UTC instant."""

    at: str
    text: str


@dataclass(frozen=True, slots=True)
class MachineHistory:
    """A machine's runs and changes in the order they were recorded.

    Parameters
    ----------
    machine, name : str
    points : tuple of HistoryPoint
    changes : tuple of HistoryChange
    drawings : tuple of (str, Drawing)
        One for each quantity that was measured twice or more, with its name.
    last_two : tuple of (str, str) or None
        The two latest runs of one test, to be laid side by side; None where there are none.
    """

    machine: str
    name: str
    points: tuple[HistoryPoint, ...]
    changes: tuple[HistoryChange, ...]
    drawings: tuple[tuple[str, Drawing], ...]
    last_two: tuple[str, str] | None


def machine_history(workspace: Workspace, machine: str) -> MachineHistory:
    """Return what a machine drew and how warm it got, with each change.

    Raises
    ------
    BadRequest
        There is no such machine.
    """
    with workspace.read() as session:
        found = find_machine(session, machine)
        points, changes = _points(session, found), _changes(session, found)
    return MachineHistory(
        machine=found.label,
        name=found.name,
        points=points,
        changes=changes,
        drawings=_drawings(points, changes),
        last_two=_last_two(points),
    )


def _points(session: Session, machine: Machine) -> tuple[HistoryPoint, ...]:
    rows = session.execute(
        select(BenchRun, JournalEntry.at)
        .join(JournalEntry, JournalEntry.id == BenchRun.entry_id)
        # A piece's own run in this machine is not the machine's: the piece alone may have been measured.
        .where(BenchRun.machine_id == machine.id, BenchRun.piece_id.is_(None))
        .order_by(BenchRun.id)
    ).all()
    return tuple(
        HistoryPoint(at, run.label, run.test, run.remark, one, show_with_u(one.value, one.u, one.unit))
        for run, at in rows
        for one in figures_of(run)
        if one.name.startswith(_DRAWN)
    )


def _changes(session: Session, machine: Machine) -> tuple[HistoryChange, ...]:
    rows = session.execute(
        select(Fitting, Piece, JournalEntry.at)
        .join(Piece, Piece.id == Fitting.piece_id)
        .join(JournalEntry, JournalEntry.id == Fitting.entry_id)
        .where(Fitting.machine_id == machine.id)
        .order_by(Fitting.id)
    ).all()
    return tuple(
        HistoryChange(
            at,
            f"{piece.label} ({piece.lot.claimed_part}) "
            f"{'put into' if fitting.fitted else 'taken out of'} {fitting.position}",
        )
        for fitting, piece, at in rows
    )


def _drawings(points: Sequence[HistoryPoint], changes: Sequence[HistoryChange]) -> tuple[tuple[str, Drawing], ...]:
    if not points:
        return ()
    instants = [_instant(at) for at in (*(one.at for one in points), *(one.at for one in changes))]
    first = min(instants)
    step, unit_s = _step(first, max(instants))
    x = f"{step} since {first:%Y-%m-%d}" if step == "days" else f"{step} since {first:%Y-%m-%d %H:%M} UTC"
    names = list(dict.fromkeys((one.figure.name, one.figure.unit) for one in points))
    drawn = []
    for name, unit in names:
        mine = [one for one in points if (one.figure.name, one.figure.unit) == (name, unit)]
        if len(mine) < 2:
            continue
        series = Series(name, "dots", tuple(_point(one, first, unit_s) for one in mine))
        line = Series("", "line", tuple(one[:2] for one in series.points))
        marks = tuple(Mark(one.text, "x", _since(one.at, first, unit_s)) for one in changes)
        told = f"{name} over {len(mine)} runs, from {mine[0].shown} to {mine[-1].shown}"
        drawn.append((name, Drawing(told, x, f"{name} / {unit}", (series, line), marks)))
    return tuple(drawn)


def _step(first: datetime, last: datetime) -> tuple[str, float]:
    """Return what a time axis counts, and its seconds: before and after one repair lie minutes apart, or years."""
    span_s = (last - first).total_seconds()
    if span_s >= 2 * _DAY_S:
        return "days", _DAY_S
    return ("hours", 3600.0) if span_s >= 2 * 3600.0 else ("minutes", 60.0)


def _point(one: HistoryPoint, first: datetime, unit_s: float) -> tuple[float, ...]:
    at = _since(one.at, first, unit_s), one.figure.value
    return at if one.figure.u is None else (*at, 2.0 * one.figure.u)  # expanded by k = 2: GUM 6.3.3


def _since(at: str, first: datetime, unit_s: float) -> float:
    return round((_instant(at) - first).total_seconds() / unit_s, 4)


def _instant(at: str) -> datetime:
    return datetime.fromisoformat(at.replace("Z", "+00:00"))


def _last_two(points: Sequence[HistoryPoint]) -> tuple[str, str] | None:
    by_test: dict[str, list[str]] = {}
    for one in points:
        runs = by_test.setdefault(one.test, [])
        if one.run not in runs:
            runs.append(one.run)
    pairs = [(runs[-2], runs[-1]) for runs in by_test.values() if len(runs) >= 2]
    return max(pairs, key=lambda pair: pair[1], default=None)
