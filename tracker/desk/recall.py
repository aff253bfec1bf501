"""Years later: which machines hold, or held, a piece like that?"""

import re
from dataclasses import dataclass
from datetime import date

from sqlalchemy import Select, func, or_, select
from sqlalchemy.orm import Session, contains_eager

from tracker.desk.pieces import dispositions, find_lot
from tracker.desk.workspace import Workspace
from tracker.errors import BadRequest, NoSuch
from tracker.records.models import Fitting, Inspection, JournalEntry, Lot, Machine, Piece, Seller


@dataclass(frozen=True, slots=True)
class Wanted:
    """What to look for; everything given must hold."""

    lot: str | None = None
    seller: str | None = None
    date_code: str | None = None
    marking: str | None = None
    since: date | None = None
    until: date | None = None


@dataclass(frozen=True, slots=True)
class Stay:
    """One stay of a piece in a machine; `out` is None while it is still there. Instants are UTC."""

    machine: str
    machine_name: str
    owner_reference: str | None
    position: str
    piece: str
    lot: str
    disposition: str
    fitted: str
    out: str | None


@dataclass(frozen=True, slots=True)
class Loose:
    """A piece that matches and sits in no machine now."""

    piece: str
    lot: str
    disposition: str


@dataclass(frozen=True, slots=True)
class Recall:
    """Every stay of every matching piece, those still in a machine first, and the pieces in no machine."""

    pieces: int
    stays: tuple[Stay, ...]
    loose: tuple[Loose, ...]


def recall(workspace: Workspace, wanted: Wanted) -> Recall:
    """Return every machine and position that holds or held a matching piece.

    Date code and marking are compared with everything ever read from the piece, not only the latest reading: a recall
    would rather name one machine too many.

    Raises
    ------
    BadRequest
        When nothing is asked for, or the lot or seller is unknown.
    """
    if wanted == Wanted():
        raise BadRequest("Nothing to look for.", "Give --lot, --seller, --date-code, --marking, --since or --until.")
    with workspace.read() as session:
        query = _query(session, wanted)
        pieces = session.scalars(query.order_by(Piece.id)).all()
        now = dispositions(session, pieces)
        stays = _stays(session, query, now)
        sitting = {stay.piece for stay in stays if stay.out is None}
        loose = [Loose(one.label, one.lot.label, now[one.id]) for one in pieces if one.label not in sitting]
        stays.sort(key=lambda stay: (stay.out is not None, stay.machine, stay.position, stay.piece))
    return Recall(len(pieces), tuple(stays), tuple(loose))


def _query(session: Session, wanted: Wanted) -> Select[Piece]:
    query = select(Piece).join(Piece.lot).options(contains_eager(Piece.lot))
    if wanted.lot:
        query = query.where(Piece.lot_id == find_lot(session, wanted.lot).id)
    if wanted.seller:
        query = query.where(Lot.seller_id == find_seller(session, wanted.seller).id)
    if wanted.since:
        query = query.where(Lot.arrived_on >= wanted.since)
    if wanted.until:
        query = query.where(Lot.arrived_on <= wanted.until)
    if wanted.date_code:
        query = query.where(Piece.id.in_(_dated(wanted.date_code)))
    if wanted.marking:
        text = " ".join(wanted.marking.split()).lower()
        found = func.lower(Inspection.marking).contains(text, autoescape=True)
        query = query.where(Piece.id.in_(select(Inspection.piece_id).where(found)))
    return query


def _dated(text: str) -> Select[int]:
    """Match a date code as printed, or a week as ISO 8601 writes it (`1988-W23`), or a year."""
    clean = text.strip().upper()
    same = func.upper(Inspection.date_code) == clean
    week = re.fullmatch(r"([0-9]{4})(?:-?W([0-9]{2}))?", clean)
    if week is None:
        return select(Inspection.piece_id).where(same)
    # Four digits alone may be a printed date code or a year: both are looked for.
    when = Inspection.date_year == int(week[1])
    if week[2]:
        when = when & (Inspection.date_week == int(week[2]))
    return select(Inspection.piece_id).where(or_(same, when))


def find_seller(session: Session, name: str) -> Seller:
    """Return the seller of this name, in any case.

    Raises
    ------
    BadRequest
        When there is none.
    """
    wanted = " ".join(name.split()).casefold()
    for seller in session.scalars(select(Seller)):
        if seller.name.casefold() == wanted:
            return seller
    shown = "".join(letter if letter.isprintable() else "?" for letter in name[:60])
    raise NoSuch(f"There is no seller '{shown}'.", "`lotproof list sellers` shows those there are.")


def _stays(session: Session, pieces: Select[Piece], now: dict[int, str]) -> list[Stay]:
    """Return every stay of the pieces: each is from one fitting to the same piece's next."""
    query = (
        select(Fitting, Piece, Machine, JournalEntry.at)
        .join(Piece, Piece.id == Fitting.piece_id)
        .join(Machine, Machine.id == Fitting.machine_id)
        .join(JournalEntry, JournalEntry.id == Fitting.entry_id)
        .where(Fitting.piece_id.in_(pieces.with_only_columns(Piece.id)))
        .order_by(Fitting.piece_id, Fitting.entry_id, Fitting.id)
    )
    rows = session.execute(query).all()
    stays = []
    for (fitting, piece, machine, at), following in zip(rows, [*rows[1:], None], strict=False):
        if not fitting.fitted:
            continue
        out = following.at if following is not None and following[1].id == piece.id else None
        owner = machine.owner_reference
        place = (machine.label, machine.name, owner, fitting.position)
        stays.append(Stay(*place, piece.label, piece.lot.label, now[piece.id], at, out))
    return stays
