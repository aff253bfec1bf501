"""Years later: which machines hold, or held, a piece like that?"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from sqlalchemy import ColumnElement, Select, func, or_, select
from sqlalchemy.orm import Session

from tracker.desk.marking_search import candidates, holding
from tracker.desk.pieces import OPEN, find_lot, holds
from tracker.desk.sellers import find_seller_or_none
from tracker.desk.standing_suspicion import brought_up
from tracker.desk.workspace import Workspace
from tracker.errors import BadRequest, NoSuch
from tracker.records.models import Decision, Fitting, Inspection, JournalEntry, Lot, Machine, Piece, Seller

FEW_LOOKS = 5_000
"""Looks with a marking's words that are gone through first, whatever else is asked for; our own choice."""


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
    if wanted.marking:
        brought_up(workspace)
    with workspace.read() as session:
        which = _query(session, wanted)
        connection = session.connection()
        # A piece's decisions in order: the last of them holds.
        decided = {row[0]: row for row in connection.execute(_decisions(which))}
        pieces = connection.execute(which.with_only_columns(Piece.id, Piece.label, Lot.label).order_by(Piece.id)).all()
        stays = connection.execute(_fittings(which)).all()
    return _told(pieces, decided, stays)


def _told(pieces: Sequence[Any], decided: Mapping[int, Any], fittings: Sequence[Any]) -> Recall:
    sitting = {row[0]: row for row in fittings}
    sitting = {number: row for number, row in sitting.items() if row[_FITTED]}
    now: dict[int, str] = {}
    loose = []
    for number, label, lot in pieces:
        said, sits = decided.get(number), sitting.get(number)
        if said is None and sits is None:
            now[number] = OPEN
        else:
            decision = None if said is None else (said[1], said[2])
            now[number] = holds(decision, None if sits is None else sits[_ENTRY])
        if sits is None:
            loose.append(Loose(label, lot, now[number]))
    stays = _stays(fittings, now)
    stays.sort(key=lambda stay: (stay.out is not None, stay.machine, stay.position, stay.piece))
    return Recall(len(pieces), tuple(stays), tuple(loose))


def _decisions(which: Select[Any]) -> Select[int, str, int]:
    query = select(Decision.piece_id, Decision.disposition, Decision.entry_id)
    return query.where(Decision.piece_id.in_(_ids(which))).order_by(Decision.entry_id, Decision.id)


def _ids(which: Select[Any]) -> Select[Any]:
    return which.with_only_columns(Piece.id)


def _query(session: Session, wanted: Wanted) -> Select[Any]:
    query = select(Piece.id).join(Piece.lot)
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
        query = query.where(_marked(session, wanted, wanted.marking))
    return query


def _marked(session: Session, wanted: Wanted, text: str) -> ColumnElement[bool]:
    found, by_words = holding(text), candidates(session, text, FEW_LOOKS)
    narrowed = wanted.lot or wanted.seller or wanted.since or wanted.until or wanted.date_code
    if narrowed and (by_words is None or not by_words.few):
        # The looks of few pieces, rather than all there are.
        return select(Inspection.id).where(Inspection.piece_id == Piece.id, found).exists()
    if by_words is not None:
        found = Inspection.id.in_(by_words.looks) & found
    return Piece.id.in_(select(Inspection.piece_id).where(found))


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
    seller = find_seller_or_none(session, name)
    if seller is not None:
        return seller
    shown = "".join(letter if letter.isprintable() else "?" for letter in name[:60])
    raise NoSuch(f"There is no seller '{shown}'.", "`lotproof list sellers` shows those there are.")


def _fittings(which: Select[Any]) -> Any:
    """Return the question for every fitting of the pieces, piece by piece in the order in which they were fitted."""
    return (
        select(
            Fitting.piece_id,
            Fitting.fitted,
            Fitting.entry_id,
            Machine.label,
            Machine.name,
            Machine.owner_reference,
            Fitting.position,
            Piece.label,
            Lot.label,
            JournalEntry.at,
        )
        .join(Piece, Piece.id == Fitting.piece_id)
        .join(Lot, Lot.id == Piece.lot_id)
        .join(Machine, Machine.id == Fitting.machine_id)
        .join(JournalEntry, JournalEntry.id == Fitting.entry_id)
        .where(Fitting.piece_id.in_(_ids(which)))
        .order_by(Fitting.piece_id, Fitting.entry_id, Fitting.id)
    )


_FITTED, _ENTRY, _AT = 1, 2, 9
"""Columns of `_fittings`."""


def _stays(fittings: Sequence[Any], now: Mapping[int, str]) -> list[Stay]:
    """Return every stay of the pieces: each is from one fitting to the same piece's next."""
    stays = []
    for row, following in zip(fittings, [*fittings[1:], None], strict=False):
        number, fitted, _, machine, name, owner, position, piece, lot, at = row
        if fitted:
            out = following[_AT] if following is not None and following[0] == number else None
            stays.append(Stay(machine, name, owner, position, piece, lot, now[number], at, out))
    return stays
