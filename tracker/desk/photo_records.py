"""Writing down what photos of a lot showed: photos, inspections, findings, annotated pictures."""

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from hashlib import sha256
from pathlib import Path

from sqlalchemy import select

from tracker.desk.assess import piece_suspicions
from tracker.desk.companions import Companions, findings_in, lost_note
from tracker.desk.contract import (
    ChipUnmatched,
    FindingFound,
    InspectionDocument,
    PhotographDocument,
    PhotoInspected,
    PhotoKept,
    PieceDocument,
    PieceFound,
    PiecePhotographed,
    joined,
)
from tracker.desk.corrections import Chip, Correction
from tracker.desk.inspect import sum_items
from tracker.desk.looks import TOP_ROLES
from tracker.desk.matching import Matched
from tracker.desk.method import LOOKED
from tracker.desk.same_chips import same_chips
from tracker.desk.workspace import Act
from tracker.judgement.prior import Prior
from tracker.records.models import Finding, Inspection, Lot, Photo, Piece


@dataclass(frozen=True)
class Taken:
    """A photo as handed in."""

    path: Path
    name: str
    data: bytes

    @cached_property
    def sha256(self) -> str:
        """Digest of the file."""
        return sha256(self.data).hexdigest()


@dataclass(frozen=True, slots=True)
class Looked:
    """Everything learnt before the act.

    `document.photos` are the new photos, as in `taken`, then those of `companions.siblings`.
    """

    role: str
    taken: list[Taken]
    document: InspectionDocument
    matched: list[Matched]
    overlays: list[bytes]
    before: Prior
    companions: Companions
    notes: tuple[str, ...] = ()
    corrections: Mapping[Chip, Correction] = field(default_factory=dict)
    """Readings of the lot that a person corrected."""
    looked: str = ""
    """Digest of what the photos were looked at with (`tracker.desk.method`)."""


@dataclass(frozen=True, slots=True)
class _Written:
    """One inspection now on record."""

    piece: Piece
    photo: str
    index: int
    found: PieceFound
    how: str
    again: bool


def record(act: Act, lot: Lot, looked: Looked) -> PhotographDocument:
    """Write down what was learnt, inside an act.

    Returns
    -------
    PhotographDocument
        Suspicions in it are those of the pieces as they now stand, bench tests and all.
    """
    pieces = {piece.label: piece for piece in lot.pieces}
    kept, written = [], []
    for position, taken in enumerate(looked.taken):
        photo, already = _photo(act, lot, looked, position)
        overlay = act.keep(looked.overlays[position])
        seen = looked.document.photos[position]
        kept.append(_kept(act, taken, seen, overlay.sha256, already))
        for one in looked.matched:
            if one.photo == position and one.piece:
                found = seen.pieces[one.index]
                _inspection(act, looked, photo, pieces[one.piece], (one.index, found), seen, overlay.sha256)
                written.append(_Written(pieces[one.piece], taken.name, one.index, found, one.how, False))
    written += _look_again(act, looked, pieces, {one.piece.label for one in written})
    act.body["role"] = looked.role
    act.body["pieces"] = [f"{one.piece.label} in {one.photo} no. {one.index + 1} by {one.how}" for one in written]
    return _document(act, lot, looked, kept, written)


def _photo(act: Act, lot: Lot, looked: Looked, position: int) -> tuple[Photo, bool]:
    """Return the photo's row; the same file in the same role keeps the row it has, and is put back if it was lost."""
    taken, seen = looked.taken[position], looked.document.photos[position]
    known = act.session.scalar(
        select(Photo)
        .where(Photo.lot_id == lot.id, Photo.role == looked.role, Photo.sha256 == taken.sha256)
        .order_by(Photo.id)
        .limit(1)
    )
    if known is not None:
        if not act.store.has(taken.sha256):
            act.keep(taken.data)
        return known, True
    file = act.keep(taken.data)
    row = Photo(
        lot_id=lot.id,
        role=looked.role,
        name=taken.name,
        sha256=file.sha256,
        size_bytes=file.size_bytes,
        width=seen.width,
        height=seen.height,
    )
    return act.add(row), False


def _inspection(
    act: Act,
    looked: Looked,
    photo: Photo,
    piece: Piece,
    numbered: tuple[int, PieceFound],
    seen: PhotoInspected,
    overlay: str | None,
) -> None:
    # The number by which the records know a chip of the photo; a new look may count them otherwise.
    index, found = numbered
    document = PieceDocument(
        photo=photo.name,
        index=index,
        piece=found,
        warnings=seen.warnings,
        compared_with=_compared_with(looked, piece.label),
        method={**looked.document.method, LOOKED: looked.looked},
    )
    write_inspection(act, photo, piece, document, looked.before, overlay)


def write_inspection(
    act: Act, photo: Photo, piece: Piece, document: PieceDocument, before: Prior, overlay: str | None = None
) -> None:
    """Write down what one inspection saw of one piece in one photo, with its findings.

    Parameters
    ----------
    overlay : str, optional
        SHA-256 of the annotated picture.
    """
    write_inspections(act, [ToWrite(photo, piece, document, before.db, overlay)])


@dataclass(frozen=True, slots=True)
class ToWrite:
    """What one inspection saw of one piece in one photo; `overlay` is the SHA-256 of the annotated picture."""

    photo: Photo
    piece: Piece
    document: PieceDocument
    prior_db: float
    overlay: str | None = None


def write_inspections(act: Act, several: Sequence[ToWrite]) -> None:
    """Write down inspections with their findings, all at once: one by one takes twice as long."""
    rows = act.add_all([_row(one) for one in several])
    act.add_all(
        [_finding(row, said) for row, one in zip(rows, several, strict=True) for said in one.document.piece.findings]
    )


def _row(one: ToWrite) -> Inspection:
    found = one.document.piece
    best = found.date_codes[0] if found.date_codes else None
    return Inspection(
        photo_id=one.photo.id,
        piece_id=one.piece.id,
        part_read=found.part,
        marking=found.marking,
        date_code=best.text if best else None,
        date_year=best.year if best else None,
        date_week=best.week if best else None,
        package=found.package,
        suspicion=found.suspicion,
        prior_db=one.prior_db,
        document=one.document.as_text(),
        overlay_sha256=one.overlay,
    )


def _finding(inspection: Inspection, said: FindingFound) -> Finding:
    return Finding(
        inspection_id=inspection.id,
        code=said.code,
        family=said.family,
        weight_db=said.weight_db,
        message=said.message,
        value=said.value,
        unit=said.unit,
        reference=said.reference,
        outline=json.dumps(said.outline) if said.outline else None,
    )


def _compared_with(looked: Looked, piece: str) -> tuple[str, ...]:
    new = {one.piece for one in looked.matched if one.piece}
    earlier = {chip.piece for photo in looked.companions.siblings for chip in photo.chips}
    return (*sorted((new | earlier) - {piece}), *(f"exemplar {label}" for label in looked.companions.exemplar_pieces))


def _look_again(act: Act, looked: Looked, pieces: dict[str, Piece], done: set[str]) -> list[_Written]:
    """Record earlier siblings anew where the new photos changed what is found of them."""
    written = []
    first = len(looked.taken)
    for earlier, seen in zip(looked.companions.siblings, looked.document.photos[first:], strict=True):
        row = act.session.get_one(Photo, earlier.photo_id)
        now = same_chips(earlier.outlines, [piece.outline for piece in seen.pieces])
        for chip in earlier.chips:
            if chip.piece in done or chip.index not in now:
                continue
            found = seen.pieces[now[chip.index]]
            if chip.findings == findings_in(found):
                continue
            _inspection(act, looked, row, pieces[chip.piece], (chip.index, found), seen, None)
            written.append(_Written(pieces[chip.piece], row.name, chip.index, found, "earlier photo", True))
    return written


def _kept(act: Act, taken: Taken, seen: PhotoInspected, overlay: str, already: bool) -> PhotoKept:
    return PhotoKept(
        name=taken.name,
        sha256=taken.sha256,
        width=seen.width or 0,
        height=seen.height or 0,
        chips=len(seen.pieces),
        warnings=seen.warnings,
        overlay_sha256=overlay,
        overlay=f"{act.store.url}/{overlay[:2]}/{overlay}",
        already=already,
        card=seen.card,
    )


def _document(act: Act, lot: Lot, looked: Looked, kept: list[PhotoKept], written: list[_Written]) -> PhotographDocument:
    now = piece_suspicions(act.session, [one.piece for one in written])
    return PhotographDocument(
        lot=lot.label,
        role=looked.role,
        photos=tuple(kept),
        pieces=tuple(
            PiecePhotographed(
                piece=one.piece.label,
                photo=one.photo,
                index=one.index,
                matched_by=one.how,
                marking=one.found.marking,
                part=one.found.part,
                date_codes=one.found.date_codes,
                package=one.found.package,
                suspicion=now[one.piece.id].probability,
                sum=sum_items(now[one.piece.id]),
                findings=one.found.findings,
                underside=one.found.underside,
                again=one.again,
            )
            for one in sorted(written, key=lambda one: one.piece.number)
        ),
        unmatched=tuple(
            ChipUnmatched(
                photo=looked.taken[one.photo].name,
                index=one.index,
                marking=looked.document.photos[one.photo].pieces[one.index].marking,
                reason=one.how,
            )
            for one in looked.matched
            if one.piece is None
        ),
        notes=_notes(act, lot, looked, kept, written),
    )


SWAB_CAUTION = (
    "Swabbing: solvents burn and harm; have fresh air and gloves and no flame near. Ceramic and metal-can parts have "
    "lost genuine ink to solvents. Local rules have the last word."
)


def _notes(act: Act, lot: Lot, looked: Looked, kept: list[PhotoKept], written: list[_Written]) -> tuple[str, ...]:
    notes = [
        f"No chip was found in {photo.name}; it is kept as evidence of the lot." for photo in kept if not photo.chips
    ]
    notes += [
        f"{photo.name} was kept in this role before; what it shows was looked at again."
        + (" Its file was missing from the evidence and is back." if photo.sha256 in act.files else "")
        for photo in kept
        if photo.already
    ]
    notes += looked.notes
    if looked.companions.lost:
        notes.append(lost_note(looked.companions.lost))
    unmatched = sum(one.piece is None for one in looked.matched)
    if unmatched and looked.role != "listing":
        chips = "1 chip in view is" if unmatched == 1 else f"{unmatched} chips in view are"
        notes.append(f"{chips} not recorded as a piece of {lot.label}; --piece says which piece a chip is.")
    if looked.role.endswith("swab"):
        notes.append(SWAB_CAUTION)
    again = [one.piece.label for one in written if one.again]
    if again:
        notes.append(f"Beside their new siblings, the findings on {', '.join(again)} changed.")
    notes += _said_by_hand(looked, written)
    return tuple(notes)


def _said_by_hand(looked: Looked, written: Sequence[_Written]) -> Iterator[str]:
    """Say where a person's word stands against the readers', and where a new photo was read without it."""
    latest = {said.chip[2]: said for said in sorted(looked.corrections.values(), key=lambda said: said.id)}
    for one in written:
        if one.again or looked.role not in TOP_ROLES:
            continue
        if one.found.as_read is not None:
            yield (
                f"{one.piece.label} in {one.photo} reads {one.found.marking}, as corrected by hand; the readers read "
                f"{joined(one.found.as_read) or 'nothing'}."
            )
        elif (said := latest.get(one.piece.id)) is not None and said.marking != one.found.marking:
            yield (
                f"The reading of {one.piece.label} was corrected by hand to {said.marking} in {said.photo}. This is "
                f"another photo, and it is read as {one.found.marking or 'nothing'}: `lotproof correct` says what it "
                "reads."
            )
