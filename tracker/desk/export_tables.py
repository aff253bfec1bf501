"""Pieces, readings, runs and samples as tables, of one lot or of all."""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import astuple, fields
from typing import Any

from sqlalchemy import Select, select
from sqlalchemy.orm import Session, aliased, joinedload

from tracker.desk.facts import kept_document
from tracker.desk.listing import piece_rows
from tracker.desk.rows import PieceRow
from tracker.records.models import BenchRun, BenchSample, Inspection, JournalEntry, Lot, Machine, Photo, Piece

Table = tuple[tuple[str, ...], Callable[[Session, Lot | None], Iterable[tuple[Any, ...]]]]
_BATCH = 500
_RUN_COLUMNS = ("supply_v", "ambient_c", "jig", "instrument", "remark")
_SAMPLE_COLUMNS = (
    "clock_hz",
    "current_a",
    "current_u_a",
    "voltage_v",
    "time_s",
    "temp_c",
    "ambient_c",
    "passed",
    "text",
)


def _pieces(session: Session, lot: Lot | None) -> Iterator[tuple[Any, ...]]:
    query = select(Piece).options(joinedload(Piece.lot).joinedload(Lot.seller)).order_by(Piece.id)
    if lot is not None:
        query = query.where(Piece.lot_id == lot.id)
    for row in piece_rows(session, session.scalars(query).all()):
        yield astuple(row)


def _readings(session: Session, lot: Lot | None) -> Iterator[tuple[Any, ...]]:
    query = (
        select(Inspection, Piece.label, Photo, JournalEntry.at)
        .join(Piece, Piece.id == Inspection.piece_id)
        .join(Photo, Photo.id == Inspection.photo_id)
        .join(JournalEntry, JournalEntry.id == Inspection.entry_id)
        .order_by(Inspection.id)
    )
    query = query if lot is None else query.where(Photo.lot_id == lot.id)
    for inspection, piece, photo, at in session.execute(query.execution_options(yield_per=_BATCH)):
        about = (piece, photo.role, photo.name, photo.sha256, at)
        for number, line in enumerate(kept_document(inspection).piece.lines, start=1):
            opinions: list[tuple[str | None, str | None]] = [*line.readers.items()] or [(None, None)]
            for reader, text in opinions:
                yield (*about, number, line.text, line.confidence, reader, text)


def _runs_of(lot: Lot | None, *columns: Any) -> Select[Any]:
    piece, machine = aliased(Piece), aliased(Machine)
    query = (
        select(piece.label, machine.label, JournalEntry.at, JournalEntry.operator, *columns)
        .select_from(BenchRun)
        .outerjoin(piece, piece.id == BenchRun.piece_id)
        .outerjoin(machine, machine.id == BenchRun.machine_id)
        .join(JournalEntry, JournalEntry.id == BenchRun.entry_id)
        .order_by(BenchRun.id)
        .execution_options(yield_per=_BATCH)
    )
    return query if lot is None else query.where(piece.lot_id == lot.id)


def _runs(session: Session, lot: Lot | None) -> Iterator[tuple[Any, ...]]:
    for piece, machine, at, operator, run in session.execute(_runs_of(lot, BenchRun)):
        conditions = (getattr(run, name) for name in _RUN_COLUMNS)
        yield (run.label, piece, machine, run.test, run.verdict, run.weight_db, run.rule, *conditions, at, operator)


def _samples(session: Session, lot: Lot | None) -> Iterator[tuple[Any, ...]]:
    values = [getattr(BenchSample, name) for name in ("position", *_SAMPLE_COLUMNS)]
    query = _runs_of(lot, BenchRun.label, *values).join(BenchSample, BenchSample.run_id == BenchRun.id)
    for piece, machine, _, _, *row in session.execute(query.order_by(BenchSample.position)):
        yield (row[0], piece, machine, *row[1:])


TABLES: dict[str, Table] = {
    "pieces": (tuple(field.name for field in fields(PieceRow)), _pieces),
    "readings": (
        ("piece", "role", "photo", "sha256", "at", "line", "text", "confidence", "reader", "reader_text"),
        _readings,
    ),
    "runs": (
        ("run", "piece", "machine", "test", "verdict", "weight_db", "rule", *_RUN_COLUMNS, "at", "operator"),
        _runs,
    ),
    "samples": (("run", "piece", "machine", "position", *_SAMPLE_COLUMNS), _samples),
}
"""Columns, and what yields the rows of one lot, or of all (None). SI units stand in the columns' names."""
