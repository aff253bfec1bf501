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
LATELY = 5_000
"""They are looked for in so many of the newest rows of a kind; our own choice, for the time it takes."""


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
    newest = select(func.max(number)).scalar_subquery()
    lately = select(column.label("name"), number.label("number")).where(number > newest - LATELY).subquery()
    query = select(lately.c.name).where(lately.c.name.is_not(None)).group_by(lately.c.name)
    query = query.order_by(func.max(lately.c.number).desc()).limit(MOST)
    found: Iterable[str] = session.scalars(query)
    return tuple(found)
