"""Names that are on record already, to be offered where one is typed: a second spelling would split a record."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from tracker.desk.workspace import Workspace
from tracker.records.models import Fitting, Lot, Machine, Seller, Shipment

MOST = 200
"""Of each, the latest; our own choice: a longer list helps nobody who types on a phone."""


@dataclass(frozen=True, slots=True)
class KnownNames:
    """Names on record, the latest first; `machines` as (label, name)."""

    sellers: tuple[str, ...]
    parts: tuple[str, ...]
    makers: tuple[str, ...]
    currencies: tuple[str, ...]
    carriers: tuple[str, ...]
    machines: tuple[tuple[str, str], ...]
    positions: tuple[str, ...]


def known_names(workspace: Workspace) -> KnownNames:
    """Return the names on record."""
    with workspace.read() as session:
        machines = session.execute(select(Machine.label, Machine.name).order_by(Machine.id.desc()).limit(MOST))
        return KnownNames(
            sellers=tuple(session.scalars(select(Seller.name).order_by(Seller.id.desc()).limit(MOST))),
            parts=_latest(session, Lot.claimed_part, Lot.id),
            makers=_latest(session, Lot.claimed_maker, Lot.id),
            currencies=_latest(session, Lot.currency, Lot.id),
            carriers=_latest(session, Shipment.carrier, Shipment.id),
            machines=tuple((label, name) for label, name in machines),
            positions=_latest(session, Fitting.position, Fitting.id),
        )


def _latest(session: Session, column: Any, number: Any) -> tuple[str, ...]:
    query = select(column).where(column.is_not(None)).group_by(column).order_by(func.max(number).desc()).limit(MOST)
    found: Iterable[str] = session.scalars(query)
    return tuple(found)
