"""Finding lots, pieces and machines by what is written on the bag, and what holds for a piece now."""

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

from sqlalchemy import Select, func, select
from sqlalchemy.orm import InstrumentedAttribute, Session

from tracker.desk.fields import folded
from tracker.errors import BadRequest, NoSuch
from tracker.records.models import BenchRun, Decision, Fitting, Lot, Machine, Piece

_LOT = re.compile(r"L0*([0-9]{1,9})")
_PIECE = re.compile(r"L0*([0-9]{1,9})-0*([0-9]{1,9})")
_MACHINE = re.compile(r"M0*([0-9]{1,9})")
OPEN = "open"
FITTED = "fitted"
MANY = 10_000
"""Above this, asking for all pieces is quicker than naming each, and a database takes only so many names at once."""


class Known(Protocol):
    """A piece, as a row or as some of its columns."""

    @property
    def id(self) -> int:
        """Its number in the records."""


class Labelled(Known, Protocol):
    """A piece with its label."""

    @property
    def label(self) -> str:
        """As on its bag: `L0007-03`."""


@dataclass(frozen=True, slots=True)
class Seat:
    """Where a piece sits now."""

    machine: Machine
    position: str
    entry_id: int


def lot_label(number: int) -> str:
    """Return the label of lot `number`: `L0007`."""
    return f"L{number:04d}"


def piece_label(lot: str, number: int) -> str:
    """Return the label of piece `number` of a lot: `L0007-03`."""
    return f"{lot}-{number:02d}"


def plain_label(text: str) -> str:
    """Return a label as it is written in the records: `l7-3` becomes `L0007-03`; other words only upper case."""
    word = _word(text)
    if match := _PIECE.fullmatch(word):
        return piece_label(lot_label(int(match[1])), int(match[2]))
    if match := re.fullmatch(r"([LMB])0*([0-9]{1,9})", word):
        return f"{match[1]}{int(match[2]):04d}"
    return word


def next_number(session: Session, model: type[Lot] | type[Machine] | type[BenchRun]) -> int:
    """Return the next free number for the labels of `model`; call it inside an act.

    It follows the highest label given, not the count, so that a label is never given twice even if rows were lost. Rows
    and labels are numbered in the same order, under one lock, so the newest row has it: all need not be looked through.
    """
    highest = session.scalars(select(model.label).order_by(model.id.desc()).limit(1)).first()
    return 1 if highest is None else int(highest[1:]) + 1


def find_lot(session: Session, label: str) -> Lot:
    """Return the lot with this label (`L0007`, also `l7`).

    Raises
    ------
    BadRequest
        When there is none.
    """
    match = _LOT.fullmatch(_word(label))
    if not match:
        advice = "A lot's label looks like L0007; `lotproof list lots` shows them."
        raise NoSuch(f"'{_shown(label)}' is not the label of a lot.", advice)
    lot = session.scalar(select(Lot).where(Lot.label == lot_label(int(match[1]))))
    if lot is None:
        raise NoSuch(f"There is no lot {lot_label(int(match[1]))}.", "`lotproof list lots` shows those there are.")
    return lot


def find_piece(session: Session, label: str) -> Piece:
    """Return the piece with this label (`L0007-03`, also `l7-3`).

    Raises
    ------
    BadRequest
        When there is none.
    """
    match = _PIECE.fullmatch(_word(label))
    if not match:
        whole = _LOT.fullmatch(_word(label))
        if whole:  # its own error where there is no such lot
            lot = find_lot(session, label)
            raise BadRequest(
                f"{lot.label} is a whole lot.", f"Name one of its pieces, as in {piece_label(lot.label, 1)}."
            )
        raise NoSuch(
            f"'{_shown(label)}' is not the label of a piece.",
            "A piece's label looks like L0007-03; `lotproof list pieces` shows them.",
        )
    lot = find_lot(session, f"L{match[1]}")
    piece = session.scalar(select(Piece).where(Piece.lot_id == lot.id, Piece.number == int(match[2])))
    if piece is None:
        count = session.scalar(select(func.count()).where(Piece.lot_id == lot.id))
        last = f"Its pieces are {piece_label(lot.label, 1)} to {piece_label(lot.label, count or 0)}."
        raise NoSuch(f"There is no piece {piece_label(lot.label, int(match[2]))}.", last)
    return piece


def find_machine(session: Session, label_or_name: str, *, or_seller: bool = False) -> Machine:
    """Return the machine with this label (`M0002`) or name (in any case).

    Parameters
    ----------
    or_seller : bool
        The name could have been a seller's as well, and is none: say so.

    Raises
    ------
    BadRequest
        When there is none.
    """
    machine = machine_or_none(session, label_or_name)
    if machine is None:
        seller = or_seller and not looks_like_machine(label_or_name)
        raise NoSuch(
            f"There is no {'seller and no ' * seller}machine '{_shown(label_or_name)}'.",
            f"`lotproof list machines` {'and `lotproof list sellers` ' * seller}{'show' if seller else 'shows'} those "
            "there are. A lot is named like L0007, a piece like L0007-03.",
        )
    return machine


def looks_like_machine(label: str) -> bool:
    """Return whether a label is written as a machine's is, whether there is such a machine or not."""
    return _MACHINE.fullmatch(_word(label)) is not None


def machine_or_none(session: Session, label_or_name: str) -> Machine | None:
    """Return the machine with this label or name, or None."""
    match = _MACHINE.fullmatch(_word(label_or_name))
    if match:
        return session.scalar(select(Machine).where(Machine.label == f"M{int(match[1]):04d}"))
    same = session.scalar(select(Machine).where(Machine.name == label_or_name))
    if same is not None:
        return same
    wanted = folded(label_or_name)
    names = session.execute(select(Machine.id, Machine.name).order_by(Machine.id))
    number = next((number for number, name in names if name.casefold() == wanted), None)
    return None if number is None else session.get(Machine, number)


def resolve_pieces(session: Session, words: Iterable[str]) -> list[Piece]:
    """Return the pieces that `words` name, each once, in the order named.

    A word is a piece (`L0001-03`), a run of pieces (`L0001-01..05`) or a lot (`L0001`: all its pieces).

    Raises
    ------
    BadRequest
        When a word names none.
    """
    found: dict[int, Piece] = {}
    for word in words:
        for piece in _pieces_of(session, word):
            found.setdefault(piece.id, piece)
    return list(found.values())


def _pieces_of(session: Session, word: str) -> Sequence[Piece]:
    first_label, dots, last_label = word.partition("..")
    if not dots:
        if _LOT.fullmatch(_word(word)):
            return find_lot(session, word).pieces
        return [find_piece(session, word)]
    first = find_piece(session, first_label)
    last = find_piece(session, last_label if "-" in last_label else f"{first.lot.label}-{last_label.strip()}")
    if last.lot_id != first.lot_id or last.number < first.number:
        raise BadRequest(f"'{_shown(word)}' is not a run of pieces.", "Write it like L0001-01..05.")
    return [piece for piece in first.lot.pieces if first.number <= piece.number <= last.number]


def pieces_of(session: Session, lots: Sequence[Lot]) -> dict[int, list[Piece]]:
    """Return the pieces of some lots, by the lot's id, in their order."""
    ids = [lot.id for lot in lots]
    found: dict[int, list[Piece]] = {number: [] for number in ids}
    query = select(Piece).order_by(Piece.lot_id, Piece.number)
    for piece in session.scalars(query if len(ids) > MANY else query.where(Piece.lot_id.in_(ids))):
        if piece.lot_id in found:
            found[piece.lot_id].append(piece)
    return found


def seats(session: Session, pieces: Sequence[Known] | None = None, which: Select[Any] | None = None) -> dict[int, Seat]:
    """Return where pieces sit now, by the piece's id; a piece in no machine is left out. None: all pieces.

    Parameters
    ----------
    which : select, optional
        The question that gives the ids of `pieces`, where that is shorter than naming each.
    """
    query = select(Fitting.piece_id, Fitting.machine_id, Fitting.position, Fitting.entry_id, Fitting.fitted)
    query = _only(query, Fitting.piece_id, pieces, which)
    latest = {row.piece_id: row for row in session.execute(query.order_by(Fitting.entry_id, Fitting.id))}
    sitting = {number: row for number, row in latest.items() if row.fitted}
    wanted = {row.machine_id for row in sitting.values()}
    some = select(Machine) if len(wanted) > MANY else select(Machine).where(Machine.id.in_(wanted))
    machines = {machine.id: machine for machine in session.scalars(some)} if wanted else {}
    return {number: Seat(machines[row.machine_id], row.position, row.entry_id) for number, row in sitting.items()}


def seat(session: Session, piece: Piece) -> Seat | None:
    """Return where a piece sits now, or None."""
    return seats(session, [piece]).get(piece.id)


def dispositions(session: Session, pieces: Sequence[Piece] | None = None) -> dict[int, str]:
    """Return the disposition of each piece, by its id; None: all pieces.

    The latest word holds: a decision, or being fitted. A piece taken out again has the disposition it was last given
    ('open' when never); one accepted while it sits in a machine stays 'fitted'.
    """
    return standings(session, pieces, seats(session, pieces))


def standings(
    session: Session,
    pieces: Sequence[Known] | None,
    sitting: Mapping[int, Seat],
    which: Select[Any] | None = None,
) -> dict[int, str]:
    """Return what `dispositions` does, where it is known already where pieces sit; `which` as for `seats`."""
    decided = select(Decision.piece_id, Decision.disposition, Decision.entry_id)
    decided = _only(decided, Decision.piece_id, pieces, which)
    rows = session.execute(decided.order_by(Decision.entry_id, Decision.id))
    latest = {row.piece_id: (row.disposition, row.entry_id) for row in rows}
    wanted = session.scalars(select(Piece.id)) if pieces is None else (piece.id for piece in pieces)
    return {number: _held(latest.get(number), sitting.get(number)) for number in wanted}


def _only(
    query: Any, column: InstrumentedAttribute[int], pieces: Sequence[Known] | None, which: Select[Any] | None
) -> Any:
    """Return a select that is asked of some pieces only; above `MANY`, of all."""
    if which is not None:
        return query.where(column.in_(which))
    if pieces is None or len(pieces) > MANY:
        return query
    return query.where(column.in_([piece.id for piece in pieces]))


def disposition(session: Session, piece: Piece) -> str:
    """Return the disposition of one piece: open, accepted, quarantined, rejected, returned or fitted."""
    return dispositions(session, [piece])[piece.id]


def holds(decision: tuple[str, int] | None, since: int | None) -> str:
    """Return what holds for a piece.

    Parameters
    ----------
    decision : tuple of str and int, or None
        The last disposition, and the entry that gave it.
    since : int or None
        The entry that fitted it where it sits now.
    """
    if since is not None and (decision is None or decision[0] == "accepted" or decision[1] < since):
        return FITTED
    return OPEN if decision is None else decision[0]


def _held(decision: tuple[str, int] | None, sits: Seat | None) -> str:
    return holds(decision, None if sits is None else sits.entry_id)


def _word(text: str) -> str:
    return text.strip().upper()


def _shown(text: str) -> str:
    return "".join(letter if letter.isprintable() else "?" for letter in text.strip()[:60])
