"""One lot as a page shows it: the lot, and of each piece one line with what matters; a fixed number of questions asked.

    found = lot_page(workspace, "L0007", PageWish(sort="suspicion", reverse=True, disposition="open"))
    found.summary          # LotRow: seller, claim, dates, how many pieces are open, accepted ..., highest suspicion
    found.pieces           # tuple of PieceLine: those that passed, in the order asked for
    found.passed, found.of # how many passed, and how many pieces the lot has

The lot's outlook (plans of testing compared) takes longer and is not in here: `show` has it.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracker.desk.assess import piece_suspicions
from tracker.desk.contract import Outline
from tracker.desk.facts import Facts, facts_of, kept_document, top_inspections
from tracker.desk.learned import learned
from tracker.desk.listing import lot_row, piece_rows
from tracker.desk.origin import Origin, origin_of
from tracker.desk.pieces import find_lot
from tracker.desk.rows import LotRow, PieceRow
from tracker.desk.showing import File
from tracker.desk.workspace import Workspace
from tracker.errors import BadRequest
from tracker.judgement.suspicion import SumLine, Suspicion
from tracker.records.models import Document, Inspection, Photo

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
    """

    summary: LotRow
    remark: str | None
    pieces: tuple[PieceLine, ...]
    passed: int
    of: int
    documents: tuple[File, ...]
    photos: tuple[File, ...]
    origin: Origin | None


def lot_page(workspace: Workspace, label: str, wish: PageWish | None = None) -> LotPage:
    """Return one lot as a page shows it.

    Parameters
    ----------
    label : str
        `L0007`, also `l7`.
    wish : PageWish, optional
        All pieces by label where not given.

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
        lines, rows = _lines(session, lot.pieces)
        passed = [one for one in lines if _passes(one, asked)]
        documents = session.scalars(select(Document).where(Document.lot_id == lot.id).order_by(Document.id))
        photos = session.scalars(select(Photo).where(Photo.lot_id == lot.id).order_by(Photo.id))
        return LotPage(
            summary=lot_row(lot, rows),
            remark=lot.remark,
            pieces=tuple(_ordered(passed, asked)),
            passed=len(passed),
            of=len(lines),
            documents=tuple(File(one.kind, one.name, one.sha256, one.size_bytes) for one in documents),
            photos=tuple(File(one.role, one.name, one.sha256, one.size_bytes) for one in photos),
            origin=origin_of(session, lot),
        )


def strongest(found: Suspicion) -> Reason | None:
    """Return the line of a sum that moved it most, the way it went; None where nothing did."""
    prior = next(line.weight_db for line in found.lines if line.kind == "prior")
    sign = 1.0 if found.total_db >= prior else -1.0
    best: SumLine | None = None
    for line in found.lines:
        if line.kind in REASONS and sign * line.weight_db > (0.0 if best is None else sign * best.weight_db):
            best = line
    return None if best is None else Reason(best.text, best.weight_db, best.family)


def _lines(session: Session, pieces: Sequence[Any]) -> tuple[list[PieceLine], list[PieceRow]]:
    known = learned(session)
    rows, facts = piece_rows(session, pieces, known), facts_of(session, pieces)
    sums, tops = piece_suspicions(session, pieces, known), top_inspections(session, pieces)
    lines = [
        _line(piece.number, row, facts[piece.id], sums[piece.id], tops.get(piece.id))
        for piece, row in zip(pieces, rows, strict=True)
    ]
    return lines, rows


def _line(number: int, row: PieceRow, facts: Facts, found: Suspicion, seen: Inspection | None) -> PieceLine:
    return PieceLine(
        piece=row.piece,
        number=number,
        reading=seen.marking if seen else None,
        part_read=row.part_read,
        date_code=row.date_code,
        package=row.package,
        suspicion=row.suspicion,
        reason=None if row.suspicion is None else strongest(found),
        disposition=row.disposition,
        settled=row.settled,
        exemplar=row.exemplar,
        tested=tuple((run.test, run.verdict) for run in facts.runs),
        machine=row.machine,
        machine_name=None,
        position=row.position,
        crop=_crop(seen) if seen else None,
    )


def _crop(seen: Inspection) -> Crop:
    photo = seen.photo
    outline = kept_document(seen).piece.outline
    return Crop(seen.id, photo.sha256, photo.role, photo.width, photo.height, outline)


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
