"""Finding things by what is written on them: a label in any spelling, or part of a name, an order or a marking."""

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import islice
from typing import Any, NamedTuple

from sqlalchemy import ColumnElement, func, or_, select, union_all
from sqlalchemy.orm import Session, joinedload

from tracker.desk.marking_search import candidates, holding, holds_text
from tracker.desk.workspace import Workspace
from tracker.records.models import BenchRun, Document, Inspection, Lot, Machine, Piece, Seller

MOST = 40
"""Hits of a kind that are shown (common practice, no source): who finds more than that says more."""
LEAST_LETTERS = 2
LOOKS_SEARCHED = 10_000
"""What stands in the markings of more looks than these is searched in so many of the latest; our own choice, for the
time it takes: some tens of milliseconds. `recall --marking` searches all."""
_LOT = r"[Ll]\s*0*([0-9]{1,9})"
_PIECE = re.compile(rf"(?:{_LOT}|0*([0-9]{{1,9}}))\s*[-–—/._ ]\s*0*([0-9]{{1,9}})")
_ONE = re.compile(r"([LMBWlmbw])\s*[-.]?\s*0*([0-9]{1,9})")
KINDS = {"L": "lot", "M": "machine", "B": "run", "W": "work"}


@dataclass(frozen=True, slots=True)
class Hit:
    """One thing found: its kind (lot, piece, machine, run, seller, work), its label or name, and what it is."""

    kind: str
    label: str
    what: str = ""


@dataclass(frozen=True, slots=True)
class Found:
    """What was found; `more` where some kinds have more hits than are shown."""

    text: str
    hits: tuple[Hit, ...]
    more: bool = False
    lately: bool = False
    """Whether the text is on so many pieces that older looks were not searched."""


def find(workspace: Workspace, text: str) -> Found:
    """Return what a text may mean: what has this label; else everything whose name, order or marking holds it.

    Parameters
    ----------
    text : str
        `L0007-03`, `l7-3`, `L 7 / 3`, `7-3`, `m2`, `B0005`, `W0001`; or words, compared in any case.
    """
    words = " ".join(text.split())
    label = label_in(words)
    with workspace.read() as session:
        if label is not None and (label.kind == "work" or _is_there(session, label)):
            return Found(words, (label,))
        hits, more, lately = [], False, False
        if len(words) >= LEAST_LETTERS:
            marked = _marked(session, words)
            lately = marked.lately
            kinds = *(look(session, words) for look in _LOOKS), _pieces(session, words, marked.found)
            for there in kinds:
                some = list(islice(there, MOST + 1))
                more |= len(some) > MOST
                hits += some[:MOST]
    return Found(words, tuple(dict.fromkeys(hits)), more, lately)


def label_in(text: str) -> Hit | None:
    """Return the label that a text spells, None where it is none; whether there is such a thing is another question."""
    word = text.strip().strip("#()[]")
    if match := _PIECE.fullmatch(word):
        lot = int(match[1] or match[2])
        return Hit("piece", f"L{lot:04d}-{int(match[3]):02d}")
    if match := _ONE.fullmatch(word):
        letter = match[1].upper()
        return Hit(KINDS[letter], f"{letter}{int(match[2]):04d}")
    return None


def _is_there(session: Session, hit: Hit) -> bool:
    if hit.kind == "piece":
        lot, _, number = hit.label.partition("-")
        query = select(Piece.id).join(Lot).where(Lot.label == lot, Piece.number == int(number))
        return session.scalar(query.limit(1)) is not None
    table: Any = {"lot": Lot, "machine": Machine, "run": BenchRun}[hit.kind]
    return session.scalar(select(table.id).where(table.label == hit.label).limit(1)) is not None


def _holding(column: Any, words: str) -> Any:
    return holds_text(func.lower(column), words)


def _in(words: str, *texts: str | None) -> bool:
    """Tell whether a name holds the words, also in letters that not every database knows the small form of."""
    return any(words.casefold() in text.casefold() for text in texts if text)


def _machines(session: Session, words: str) -> Iterator[Hit]:
    query = select(Machine.label, Machine.name, Machine.owner_reference).order_by(Machine.id.desc())
    for label, name, owner in session.execute(query):
        if _in(words, name, owner):
            yield Hit("machine", label, name)


def _sellers(session: Session, words: str) -> Iterator[Hit]:
    for name in session.scalars(select(Seller.name).order_by(Seller.name)):
        if _in(words, name):
            yield Hit("seller", name)


def _lots(session: Session, words: str) -> Iterator[Hit]:
    papers = select(Document.lot_id).where(_holding(Document.name, words))
    claimed = (_holding(one, words) for one in (Lot.claimed_part, Lot.order_reference, Lot.claimed_maker, Lot.remark))
    query = select(Lot).options(joinedload(Lot.seller)).where(or_(*claimed, Lot.id.in_(papers)))
    for lot in session.scalars(query.order_by(Lot.id.desc()).limit(MOST + 1)):
        order = f", order {lot.order_reference}" if lot.order_reference else ""
        yield Hit("lot", lot.label, f"{lot.claimed_part} from {lot.seller.name}{order}, arrived {lot.arrived_on}")


class _Marked(NamedTuple):
    """The condition for looks whose marking holds a text, and whether it passes over older ones."""

    found: ColumnElement[bool]
    lately: bool


def _marked(session: Session, words: str) -> _Marked:
    by_words = candidates(session, words, LOOKS_SEARCHED)
    if by_words is not None and by_words.few:
        return _Marked(Inspection.id.in_(by_words.looks) & holding(words), lately=False)
    newest = session.scalar(select(func.max(Inspection.id))) or 0
    return _Marked((Inspection.id > newest - LOOKS_SEARCHED) & holding(words), lately=newest > LOOKS_SEARCHED)


def _pieces(session: Session, words: str, marked: ColumnElement[bool]) -> Iterator[Hit]:
    """Yield pieces by every date code and by the markings ever read from them, as read or joined."""
    # Two questions, each with an index of its own: joined by 'or' they would have every look gone through.
    read = union_all(
        select(Inspection.id, Inspection.piece_id).where(marked),
        select(Inspection.id, Inspection.piece_id).where(func.upper(Inspection.date_code) == words.upper()),
    ).subquery()
    newest = select(func.max(read.c.id)).group_by(read.c.piece_id)
    query = (
        select(Piece.label, Inspection.marking)
        .join(Inspection, Inspection.piece_id == Piece.id)
        .where(Inspection.id.in_(newest))
    )
    for label, marking in session.execute(query.order_by(Piece.id.desc()).limit(MOST + 1)):
        yield Hit("piece", label, marking or "")


_LOOKS: tuple[Callable[[Session, str], Iterator[Hit]], ...] = (_machines, _sellers, _lots)
