"""What photos showed of many pieces, as plain values: a fixed number of questions, whatever the number of pieces.

Of a kept document only that is read which today's sums need, which is a third of the work: what was looked for, how
strongly each finding was seen, which chip of the photo it is and where that lies. `kept_document` of
`tracker/desk/facts.py` reads the whole.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

from pydantic import BaseModel, ConfigDict, ValidationError
from sqlalchemy import ColumnElement, Select, select
from sqlalchemy.orm import InstrumentedAttribute, Session

from tracker.desk.contract import Outline
from tracker.desk.pieces import MANY
from tracker.errors import Damaged
from tracker.judgement.learning import strongest
from tracker.records.models import Finding, Inspection, Photo, Piece

TOP_ROLES = ("top", "before-swab")
"""Roles of photos that show a marking as it came."""


class Found(NamedTuple):
    """One finding as it was recorded: its indicator, family and sentence."""

    code: str
    family: str
    message: str


@dataclass(frozen=True, slots=True)
class Sight:
    """What a kept document says of one chip.

    Parameters
    ----------
    index : int
        Which of the photo's chips it is.
    outline : four points
    looked_for : tuple of str
        Codes of indicators that could have been seen.
    strengths : mapping of str to str
        'clear' or 'slight', by the code of each finding, the strongest.
    by_hand : bool
        Whether a person corrected the reading.
    """

    index: int
    outline: Outline
    looked_for: tuple[str, ...]
    strengths: Mapping[str, str]
    by_hand: bool = False


@dataclass(frozen=True, slots=True)
class Look:
    """One inspection of one piece in one photo."""

    id: int
    photo: int
    role: str
    part_read: str | None
    marking: str
    date_code: str | None
    package: str | None
    sight: Sight
    findings: tuple[Found, ...]


class _Finding(BaseModel):
    model_config = ConfigDict(frozen=True)
    code: str
    strength: str = "clear"


class _Chip(BaseModel):
    model_config = ConfigDict(frozen=True)
    outline: Outline
    findings: tuple[_Finding, ...]
    looked_for: tuple[str, ...] = ()
    as_read: Any = None


class _Kept(BaseModel):
    model_config = ConfigDict(frozen=True)
    index: int
    piece: _Chip


class _Indexed(BaseModel):
    model_config = ConfigDict(frozen=True)
    index: int


Which = Sequence[int] | Select[Any]
"""Ids of pieces, or the question that gives them."""


def among(column: InstrumentedAttribute[int] | InstrumentedAttribute[int | None], which: Which) -> ColumnElement[bool]:
    """Return the condition that a column holds one of some pieces.

    A database takes only so many names at once: of very many it is asked for all, and who asks picks out his own.
    """
    if isinstance(which, Sequence) and len(which) > MANY:
        return column.in_(select(Piece.id))
    return column.in_(which)


def sight(inspection: int, document: str) -> Sight:
    """Return what is needed of a kept document.

    Raises
    ------
    Damaged
        When it cannot be read any more.
    """
    try:
        kept = _Kept.model_validate_json(document)
    except ValidationError as error:
        raise unreadable(inspection, error) from None
    strengths: dict[str, str] = {}
    for one in kept.piece.findings:
        known = strengths.get(one.code)
        strengths[one.code] = one.strength if known is None else strongest((known, one.strength))
    return Sight(kept.index, kept.piece.outline, kept.piece.looked_for, strengths, kept.piece.as_read is not None)


def unreadable(inspection: int, error: ValidationError) -> Damaged:
    """Return what is said of a kept document that cannot be read."""
    return Damaged(
        f"The inspection {inspection} kept in the records cannot be read ({error.error_count()} faults).",
        "Run `lotproof verify`; photograph the piece again.",
    )


@dataclass(frozen=True, slots=True)
class Looks:
    """The latest look at each piece in each role of photo.

    Parameters
    ----------
    latest : mapping of int to tuple of Look
        By piece; one a role, in the order in which the roles were first photographed.
    looked : frozenset of int
        Pieces that any inspection is of, also where it was said later to be of another piece.
    """

    latest: Mapping[int, tuple[Look, ...]]
    looked: frozenset[int]

    def top(self, piece: int) -> Look | None:
        """Return the look whose reading of the marking holds: the newest of an unswabbed top."""
        tops = [one for one in self.latest.get(piece, ()) if one.role in TOP_ROLES]
        return max(tops, key=lambda one: one.id) if tops else None


def looks_at(session: Session, which: Which) -> Looks:
    """Return the latest looks at some pieces.

    A chip in a photo that was later said to be another piece no longer speaks for the first one.
    """
    columns = (
        Inspection.id,
        Inspection.photo_id,
        Inspection.piece_id,
        Inspection.entry_id,
        Inspection.part_read,
        Inspection.marking,
        Inspection.date_code,
        Inspection.package,
        Inspection.document,
        Photo.role,
    )
    rows = session.execute(
        select(*columns)
        .join(Photo, Photo.id == Inspection.photo_id)
        .where(among(Inspection.piece_id, which))
        .order_by(Inspection.id)
    ).all()
    findings = _findings(session, which)
    seen: list[tuple[int, Look]] = []
    newest: dict[tuple[int, int], int] = {}
    first_said: dict[int, int] = {}
    for number, photo, piece, entry, part, marking, date_code, package, document, role in rows:
        kept = sight(number, document)
        newest[photo, kept.index] = number
        first_said[photo] = min(first_said.get(photo, entry), entry)
        told = tuple(findings.get(number, ()))
        seen.append((piece, Look(number, photo, role, part, marking, date_code, package, kept, told)))
    for chip, number in _said_of_others(session, which, first_said).items():
        newest[chip] = max(newest.get(chip, 0), number)
    latest: dict[int, dict[str, Look]] = {}
    for piece, look in seen:
        if newest[look.photo, look.sight.index] == look.id:
            latest.setdefault(piece, {})[look.role] = look
    return Looks(
        {number: tuple(by_role.values()) for number, by_role in latest.items()},
        frozenset(piece for piece, _ in seen),
    )


def _findings(session: Session, which: Which) -> dict[int, list[Found]]:
    found: dict[int, list[Found]] = {}
    query = (
        select(Finding.inspection_id, Finding.code, Finding.family, Finding.message)
        .join(Inspection, Inspection.id == Finding.inspection_id)
        .where(among(Inspection.piece_id, which))
        .order_by(Finding.id)
    )
    for number, code, family, message in session.execute(query):
        found.setdefault(number, []).append(Found(code, family, message))
    return found


def _said_of_others(session: Session, which: Which, first_said: Mapping[int, int]) -> dict[tuple[int, int], int]:
    """Return, by photo and chip, the newest inspection of another piece than those asked about, said after theirs.

    Usually there is none: then no document need be read. Photos of one lot seldom show pieces of another.
    """
    if not first_said:
        return {}
    photos = select(Inspection.photo_id).where(among(Inspection.piece_id, which))
    others = session.execute(
        select(Inspection.id, Inspection.photo_id, Inspection.piece_id, Inspection.entry_id).where(
            Inspection.photo_id.in_(photos), ~among(Inspection.piece_id, which)
        )
    )
    later = [row.id for row in others if row.entry_id > first_said.get(row.photo_id, row.entry_id)]
    found: dict[tuple[int, int], int] = {}
    for start in range(0, len(later), MANY):
        some = select(Inspection.id, Inspection.photo_id, Inspection.document).order_by(Inspection.id)
        for row in session.execute(some.where(Inspection.id.in_(later[start : start + MANY]))):
            found[row.photo_id, _index(row.id, row.document)] = row.id
    return found


def _index(inspection: int, document: str) -> int:
    try:
        return _Indexed.model_validate_json(document).index
    except ValidationError as error:
        raise unreadable(inspection, error) from None
