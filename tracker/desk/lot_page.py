"""One lot as a page shows it: the lot, and of each piece one line with what matters; a fixed number of questions asked.

    found = lot_page(workspace, "L0007", PageWish(sort="suspicion", reverse=True, disposition="open"))
    found.summary          # LotRow: seller, claim, dates, how many pieces are open, accepted ..., highest suspicion
    found.pieces           # tuple of PieceLine: those that passed, in the order asked for
    found.passed, found.of # how many passed, and how many pieces the lot has

The lot's outlook (plans of testing compared) takes longer and is not in here: `show` has it.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from types import MappingProxyType
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracker.desk.assess import judged
from tracker.desk.contract import Outline
from tracker.desk.due import Due, due_of
from tracker.desk.listing import lot_row
from tracker.desk.looks import Look
from tracker.desk.on_record import OnRecord
from tracker.desk.origin import Origin, origin_of
from tracker.desk.pieces import Seat, find_lot, seats, standings
from tracker.desk.rows import LotRow
from tracker.desk.showing import File
from tracker.desk.workspace import Workspace
from tracker.errors import BadRequest
from tracker.judgement.suspicion import SumLine, Suspicion
from tracker.records.models import Document, Lot, Photo, Piece

REASONS = ("finding", "siblings", "absence")
"""Kinds of lines in a sum that are a reason by themselves."""


@dataclass(frozen=True, slots=True)
class PageWish:
    """Which pieces are wanted, in which order; texts are compared in any case.

    Parameters
    ----------
    sort : str
        One of `SORTS`: label, suspicion, reading, date-code, disposition. Pieces without a value come last.
    reverse : bool
    disposition : str or None
        open, accepted, quarantined, rejected, returned or fitted.
    text : str or None
        Contained in the label, the reading, the date code, the package, the reason, the machine or the position.
    suspicion : float or None
        At least, 0 to 1; a piece about which nothing is known does not pass.
    """

    sort: str = "label"
    reverse: bool = False
    disposition: str | None = None
    text: str | None = None
    suspicion: float | None = None


@dataclass(frozen=True, slots=True)
class Reason:
    """The line of a piece's sum that moved it most, the way it went: up where it is more suspicious than at first.

    Parameters
    ----------
    text : str
        A sentence for a person.
    weight_db : float
        Decibans; positive speaks for 'not genuine'.
    family : str or None
        text, lettering, surface ...; None for what the siblings say.
    """

    text: str
    weight_db: float
    family: str | None


@dataclass(frozen=True, slots=True)
class Crop:
    """Where a piece is to be seen: its chip in one photo.

    Parameters
    ----------
    inspection : int
        Id of the inspection that has it.
    photo_sha256 : str
        Names the original in the evidence.
    role : str
        top or before-swab.
    width, height : int
        Of the photo, pixels.
    outline : four points
        In the photo's pixels, as it is seen (turned by its EXIF orientation).
    """

    inspection: int
    photo_sha256: str
    role: str
    width: int
    height: int
    outline: Outline


@dataclass(frozen=True, slots=True)
class PieceLine:
    """One piece of the lot.

    Parameters
    ----------
    piece : str
        Its label, `L0007-03`.
    number : int
        Within the lot.
    reading : str or None
        The lines read on its top, joined by ' / '; None without a photo of it.
    by_hand : bool
        Whether a person corrected the reading.
    part_read, date_code, package : str or None
    suspicion : float or None
        0 to 1, as `piece_suspicion` gives it now; None until anything is known about the piece.
    reason : Reason or None
        None where nothing moved it.
    disposition : str
    settled : str or None
        'genuine' or 'not-genuine' where its truth is settled.
    exemplar : bool
    tested : tuple of (str, str)
        (test, verdict) of the latest run of each bench test.
    machine, machine_name, position : str or None
        Where it sits: `M0002`, its name, `U12`.
    crop : Crop or None
    """

    piece: str
    number: int
    reading: str | None
    by_hand: bool
    part_read: str | None
    date_code: str | None
    package: str | None
    suspicion: float | None
    reason: Reason | None
    disposition: str
    settled: str | None
    exemplar: bool
    tested: tuple[tuple[str, str], ...]
    machine: str | None
    machine_name: str | None
    position: str | None
    crop: Crop | None


@dataclass(frozen=True, slots=True)
class LotPage:
    """One lot as a page shows it.

    Parameters
    ----------
    summary : LotRow
        Of the whole lot, whatever was asked for.
    remark : str or None
    pieces : tuple of PieceLine
        Those that passed, in the order asked for.
    passed, of : int
        How many pieces passed, and how many there are.
    documents, photos : tuple of File
    origin : Origin or None
        Where it came from, where it was taken over from another workshop.
    due : Due or None
        What its claim window still needs, where the day was given and it needs anything.
    """

    summary: LotRow
    remark: str | None
    pieces: tuple[PieceLine, ...]
    passed: int
    of: int
    documents: tuple[File, ...]
    photos: tuple[File, ...]
    origin: Origin | None
    due: Due | None = None


def lot_page(workspace: Workspace, label: str, wish: PageWish | None = None, *, today: date | None = None) -> LotPage:
    """Return one lot as a page shows it.

    Parameters
    ----------
    label : str
        `L0007`, also `l7`.
    wish : PageWish, optional
        All pieces by label where not given.
    today : date, optional
        For what is left of a claim window.

    Raises
    ------
    BadRequest
        There is no such lot, or no such order.
    """
    asked = wish or PageWish()
    if asked.sort not in SORTS:
        raise BadRequest(f"Pieces of a lot are not sorted by '{asked.sort}'.", f"There are: {', '.join(SORTS)}.")
    with workspace.read() as session:
        lot = find_lot(session, label)
        documents = session.scalars(select(Document).where(Document.lot_id == lot.id).order_by(Document.id))
        photos = session.scalars(select(Photo).where(Photo.lot_id == lot.id).order_by(Photo.id)).all()
        pieces = session.execute(
            select(Piece.id, Piece.label, Piece.number).where(Piece.lot_id == lot.id).order_by(Piece.number)
        ).all()
        which = select(Piece.id).where(Piece.lot_id == lot.id)
        sitting = seats(session, pieces, which)
        stands = standings(session, pieces, sitting, which)
        lines = _lines(session, lot, photos, pieces, sitting, stands)
        passed = [one for one in lines if _passes(one, asked)]
        return LotPage(
            summary=lot_row(lot, lines),
            remark=lot.remark,
            pieces=tuple(_ordered(passed, asked)),
            passed=len(passed),
            of=len(lines),
            documents=tuple(File(one.kind, one.name, one.sha256, one.size_bytes) for one in documents),
            photos=tuple(File(one.role, one.name, one.sha256, one.size_bytes) for one in photos),
            origin=origin_of(session, lot),
            due=None if today is None or lot.claim_by is None else _due(session, lot, pieces, stands, today),
        )


def _due(session: Session, lot: Lot, pieces: Sequence[Any], stands: Mapping[int, str], today: date) -> Due | None:
    return next(iter(due_of(session, [lot], {lot.id: pieces}, stands, today=today)), None)


def strongest(found: Suspicion) -> Reason | None:
    """Return the line of a sum that moved it most, the way it went; None where nothing did."""
    prior = next(line.weight_db for line in found.lines if line.kind == "prior")
    sign = 1.0 if found.total_db >= prior else -1.0
    best: SumLine | None = None
    for line in found.lines:
        if line.kind in REASONS and sign * line.weight_db > (0.0 if best is None else sign * best.weight_db):
            best = line
    return None if best is None else Reason(best.text, best.weight_db, best.family)


def _lines(
    session: Session,
    lot: Lot,
    photos: Sequence[Photo],
    pieces: Sequence[Any],
    sitting: Mapping[int, Seat],
    stands: Mapping[int, str],
) -> list[PieceLine]:
    which = select(Piece.id).where(Piece.lot_id == lot.id)
    found = judged(session, {piece.id: lot.id for piece in pieces}, which=which, only_known=True)
    tops = {number: top for number, mine in found.records.items() if (top := mine.top) is not None}
    pictured = _photos(session, photos, tops.values())
    return [
        _line(
            piece,
            stands[piece.id],
            found.records[piece.id],
            found.sums.get(piece.id),
            sitting.get(piece.id),
            tops.get(piece.id),
            pictured,
        )
        for piece in pieces
    ]


def _line(
    piece: Any,
    stands: str,
    mine: OnRecord,
    found: Suspicion | None,
    sits: Seat | None,
    top: Look | None,
    photos: Mapping[int, Photo],
) -> PieceLine:
    return PieceLine(
        piece=piece.label,
        number=piece.number,
        reading=top.marking if top else None,
        by_hand=top is not None and top.sight.by_hand,
        part_read=top.part_read if top else None,
        date_code=top.date_code if top else None,
        package=top.package if top else None,
        suspicion=found.probability if found else None,
        reason=strongest(found) if found else None,
        disposition=stands,
        settled=None if mine.settlement is None else "genuine" if mine.settlement.genuine else "not-genuine",
        exemplar=mine.exemplar is not None,
        tested=tuple((run.test, run.verdict) for run in mine.runs),
        machine=sits.machine.label if sits else None,
        machine_name=sits.machine.name if sits else None,
        position=sits.position if sits else None,
        crop=_crop(top, photos[top.photo]) if top else None,
    )


def _crop(top: Look, photo: Photo) -> Crop:
    return Crop(top.id, photo.sha256, photo.role, photo.width, photo.height, top.sight.outline)


def _photos(session: Session, photos: Sequence[Photo], tops: Iterable[Look]) -> dict[int, Photo]:
    """Return the photos that the pieces are seen in, by id: those of the lot, and seldom some of another lot."""
    found = {photo.id: photo for photo in photos}
    others = {top.photo for top in tops} - found.keys()
    if others:
        found |= {photo.id: photo for photo in session.scalars(select(Photo).where(Photo.id.in_(others)))}
    return found


def _passes(one: PieceLine, asked: PageWish) -> bool:
    if asked.disposition is not None and one.disposition != asked.disposition.strip().casefold():
        return False
    if asked.suspicion is not None and (one.suspicion is None or one.suspicion < asked.suspicion):
        return False
    return asked.text is None or " ".join(asked.text.split()).casefold() in _words(one)


def _words(one: PieceLine) -> str:
    said = one.reason.text if one.reason else None
    words = (one.piece, one.reading, one.date_code, one.package, said, one.machine, one.machine_name, one.position)
    return "\n".join(word for word in words if word).casefold()


def _folded(text: str | None) -> str | None:
    return None if text is None else text.casefold()


SORTS: Mapping[str, Callable[[PieceLine], Any]] = MappingProxyType(
    {
        "label": lambda one: one.number,
        "suspicion": lambda one: one.suspicion,
        "reading": lambda one: _folded(one.reading),
        "date-code": lambda one: _folded(one.date_code),
        "disposition": lambda one: one.disposition,
    }
)


def _ordered(lines: Sequence[PieceLine], asked: PageWish) -> list[PieceLine]:
    key = SORTS[asked.sort]
    present = sorted((one for one in lines if key(one) is not None), key=key, reverse=asked.reverse)
    return [*present, *(one for one in lines if key(one) is None)]
