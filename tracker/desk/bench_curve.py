"""Recording pin curves: a table of pins, voltages and currents, against an exemplar's kept run."""

import json
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracker.bench import curve, curve_table
from tracker.bench.curve import CurveResult, Kept
from tracker.bench.curve_table import Curve, Point
from tracker.bench.tables import Source
from tracker.desk import bench_entry
from tracker.desk.bench_entry import Conditions, Typed
from tracker.desk.bench_record import Outcome, Recorded, Subject, find_subject, record
from tracker.desk.facts import standing_exemplars
from tracker.desk.pieces import find_piece, plain_label
from tracker.desk.workspace import Workspace
from tracker.errors import BadRequest
from tracker.knowledge.parts import compare_part
from tracker.records.models import BenchRun, BenchSample, Piece

TEST = "curve"


@dataclass(frozen=True, slots=True)
class CurveRequest:
    """Curves as typed.

    Parameters
    ----------
    table : Path or None
    exemplars : tuple of str
        Pieces or runs to compare with; none: every exemplar of the claimed part with kept curves.
    common : str or None
        The pin the sweeps were made against.
    readings : str or None
        The table itself as it was typed or pasted, instead of a file.
    """

    table: Path | None = None
    exemplars: tuple[str, ...] = ()
    common: str | None = None
    readings: str | None = None
    typed: Typed = field(default_factory=Typed)


@dataclass(frozen=True, slots=True)
class Drawn:
    """What a plot needs: the curves of the piece and of the exemplars."""

    curves: dict[str, Curve]
    exemplars: tuple[Kept, ...]


def run_curve(
    workspace: Workspace, label: str, request: CurveRequest, *, operator: str | None = None
) -> tuple[Recorded[CurveResult], Drawn]:
    """Record the curves of a piece's pins and hold them against an exemplar's.

    Raises
    ------
    BadRequest
        The label, the table or an exemplar cannot be used; nothing was changed.
    """
    entered = _entered(request)
    samples = tuple(
        BenchSample(position=i, voltage_v=one.voltage_v, current_a=one.current_a, text=one.pin)
        for i, one in enumerate(entered.points, start=1)
    )
    with workspace.act(operator, "bench", "") as act:
        subject, result, drawn = _compared(act.session, label, request, entered)
        outcome = Outcome(TEST, result, _notes(result), entered.held, samples, entered.source)
        return record(act, subject, outcome), drawn


def preview_curve(workspace: Workspace, label: str, request: CurveRequest) -> tuple[CurveResult, Drawn]:
    """Return what `run_curve` would find, and record nothing.

    Raises
    ------
    BadRequest
        As in `run_curve`.
    """
    entered = _entered(request)
    with workspace.read() as session:
        return _compared(session, label, request, entered)[1:]


def check_typed(text: str) -> None:
    """See that a typed table holds curves.

    Raises
    ------
    BadRequest
        It does not; the sentence names the row.
    """
    curve_table.curves(curve_table.typed(text))


@dataclass(frozen=True, slots=True)
class _Entered:
    """A table of curves with its conditions, before anything is known of the piece."""

    points: tuple[Point, ...]
    source: Source | None
    curves: dict[str, Curve]
    common: str | None
    held: Conditions


def _entered(request: CurveRequest) -> _Entered:
    if request.table is not None and request.readings is not None:
        raise BadRequest("There is a typed table and a file as well.", "Give the readings in one way.")
    if request.table is not None:
        points, source = curve_table.table(request.table)
        kept: Source | None = source
    elif request.readings is not None:
        points, kept = curve_table.typed(request.readings), None
    else:
        raise BadRequest("There is no table of curves.", "Give pin, voltage and current of each reading.")
    curves = curve_table.curves(points)
    common = None if request.common is None else curve_table.pin_name(request.common)
    return _Entered(points, kept, curves, common, bench_entry.conditions(request.typed))


def _compared(
    session: Session, label: str, request: CurveRequest, entered: _Entered
) -> tuple[Subject, CurveResult, Drawn]:
    subject = find_subject(session, label)
    if subject.piece is None:
        raise BadRequest(f"{subject.label} is a machine; curves are a piece's.", "Name the piece: L0001-03.")
    exemplars = _exemplars(session, subject.piece, request.exemplars)
    result = curve.evaluate(entered.curves, exemplars, entered.common)
    return subject, result, Drawn(entered.curves, exemplars)


def compare_tables(piece: Path, exemplars: Sequence[Path]) -> tuple[CurveResult, Drawn]:
    """Hold one table of curves against others, without a workspace.

    Raises
    ------
    BadRequest
        A table cannot be used.
    """
    curves = curve_table.curves(curve_table.table(piece)[0])
    kept = tuple(Kept(path.name, None, curve_table.curves(curve_table.table(path)[0])) for path in exemplars)
    return curve.evaluate(curves, kept), Drawn(curves, kept)


def _exemplars(session: Session, piece: Piece, named: Sequence[str]) -> tuple[Kept, ...]:
    if named:
        return tuple(_kept(_named_run(session, label, piece)) for label in named)
    runs = [
        run
        for one in standing_exemplars(
            session, lambda part: compare_part(piece.lot.claimed_part, part).kind in ("same", "other-grade")
        )
        if one.id != piece.id and (run := _latest(session, one)) is not None
    ]
    return tuple(_kept(run) for run in runs)


def _named_run(session: Session, label: str, piece: Piece) -> BenchRun:
    """Return the run that `--exemplar` names, by itself or by its piece."""
    word = plain_label(label)
    if word.startswith("B"):
        run = session.scalar(select(BenchRun).where(BenchRun.label == word))
        if run is None:
            raise BadRequest(f"There is no bench run {word}.", "`lotproof list runs` shows those there are.")
        if run.test != TEST:
            raise BadRequest(f"{word} is a run of the test {run.test}, not of curves.", "Name a run of curves.")
        return run
    other = find_piece(session, label)
    if other.id == piece.id:
        raise BadRequest(f"{other.label} cannot be its own exemplar.", "Name another piece, or an earlier run of it.")
    latest = _latest(session, other)
    if latest is None:
        raise BadRequest(f"{other.label} has no kept curves.", f"Record them: lotproof bench curve {other.label} ...")
    return latest


def _latest(session: Session, piece: Piece) -> BenchRun | None:
    runs = select(BenchRun).where(BenchRun.piece_id == piece.id, BenchRun.test == TEST)
    return session.scalars(runs.order_by(BenchRun.id.desc()).limit(1)).first()


def _kept(run: BenchRun) -> Kept:
    points = [
        Point(one.text or "", one.voltage_v, one.current_a)
        for one in run.samples
        if one.voltage_v is not None and one.current_a is not None
    ]
    return Kept(run.label, json.loads(run.result).get("common"), curve_table.curves(points))


def _notes(result: CurveResult) -> tuple[str, ...]:
    notes = []
    if result.extra:
        notes.append(f"Measured, though the exemplar was not: {_pins(result.extra)}.")
    if result.missing and result.verdict == "fail":  # otherwise it is among the reasons
        notes.append(f"Not measured, though the exemplar was: {_pins(result.missing)}.")
    clipped = [one.pin for one in result.pins if one.clipped]
    if clipped:
        notes.append(f"The current stood at the supply's limit at {_pins(clipped)}; those readings were left out.")
    if result.exemplars and result.common is None:
        notes.append("The pin the sweeps were made against was not stated (--common).")
    return tuple(notes)


def _pins(names: Sequence[str]) -> str:
    return f"pin{'s' if len(names) > 1 else ''} {', '.join(names)}"
