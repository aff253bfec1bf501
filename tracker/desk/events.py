"""What was said and done about a piece or a machine, as sentences in the order in which it happened."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TypeVar

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracker.desk.corrections import lines_of
from tracker.records.models import (
    Decision,
    Exemplar,
    Fitting,
    JournalEntry,
    Machine,
    Piece,
    ReadingCorrection,
    Settlement,
    Shipment,
    Written,
)


@dataclass(frozen=True, slots=True)
class Event:
    """Something said or done about a piece or machine, at a UTC instant."""

    at: str
    operator: str
    what: str
    why: str | None


Row = TypeVar("Row", Decision, Shipment, Settlement, Exemplar, ReadingCorrection)
Told = tuple[Written, str, str | None]
"""The row that was written, what it says, and why."""


def piece_events(session: Session, piece: Piece) -> tuple[Event, ...]:
    """Return what was decided, settled and done about a piece, oldest first."""
    return in_order(session, [told for _, told in told_of(session, [piece.id])])


def told_of(session: Session, pieces: Sequence[int], after: int = 0) -> list[tuple[int | None, Told]]:
    """Return what was decided, settled and done about pieces in journal entries later than number `after`.

    Parameters
    ----------
    pieces : sequence of int
        Their ids; each thing told stands beside its piece's.
    """

    def rows(table: type[Row]) -> Iterable[Row]:
        return session.scalars(select(table).where(table.piece_id.in_(pieces), table.entry_id > after))

    told: list[tuple[int | None, Told]] = []
    told += [(row.piece_id, (row, row.disposition, row.reason)) for row in rows(Decision)]
    told += [(row.piece_id, (row, sent_back(row), None)) for row in rows(Shipment)]
    told += [(row.piece_id, (row, _settled(row), row.grounds)) for row in rows(Settlement)]
    told += [(row.piece_id, (row, _exemplar(row), row.grounds)) for row in rows(Exemplar)]
    told += [(row.piece_id, (row, *_corrected(row))) for row in rows(ReadingCorrection)]
    query = select(Fitting, Machine).join(Machine, Machine.id == Fitting.machine_id)
    for row, machine in session.execute(query.where(Fitting.piece_id.in_(pieces), Fitting.entry_id > after)):
        verb = "fitted into" if row.fitted else "taken out of"
        told.append((row.piece_id, (row, f"{verb} {machine.label} ({machine.name}) at {row.position}", row.reason)))
    return told


def _settled(row: Settlement) -> str:
    truth = f"settled as {'genuine' if row.genuine else 'not genuine'}"
    return f"no longer {truth}" if row.withdrawn else truth


def _exemplar(row: Exemplar) -> str:
    return "no longer an exemplar" if row.withdrawn else "exemplar"


def _corrected(row: ReadingCorrection) -> tuple[str, str | None]:
    if not (lines := lines_of(row)):
        return "corrected reading given back to the readers", row.remark
    return "reading corrected by hand", " / ".join(lines) + (f" ({row.remark})" if row.remark else "")


def sent_back(shipment: Shipment) -> str:
    """Return in words how a piece went back."""
    return f"sent back on {shipment.sent_on} with {shipment.carrier}, reference {shipment.reference}"


def in_order(session: Session, told: Sequence[Told]) -> tuple[Event, ...]:
    """Return events in the order of the journal, with who said so and when."""
    events = []
    for row, what, why in sorted(told, key=lambda one: (one[0].entry_id, one[0].id)):
        entry = session.get_one(JournalEntry, row.entry_id)
        events.append(Event(entry.at, entry.operator, what, why))
    return tuple(events)
