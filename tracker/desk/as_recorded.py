"""What the records hold of one photo, in the words in which `photograph` answers."""

from collections.abc import Sequence

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracker.desk.assess import piece_suspicions
from tracker.desk.contract import PhotographDocument, PhotoKept, PieceDocument, PiecePhotographed
from tracker.desk.facts import kept_document
from tracker.desk.inspect import sum_items
from tracker.desk.photo_records import Taken
from tracker.desk.pieces import find_lot
from tracker.evidence import EvidenceStore
from tracker.records.models import Inspection, Lot, Photo

BEFORE = "the record made before"


def kept_photo(session: Session, lot: Lot, role: str, sha256: str) -> Photo | None:
    """Return the row of a photo that a lot has in this role, or None."""
    query = select(Photo).where(Photo.lot_id == lot.id, Photo.role == role, Photo.sha256 == sha256)
    return session.scalar(query.order_by(Photo.id).limit(1))


def all_as_recorded(
    session: Session, store: EvidenceStore, label: str, role: str, taken: Sequence[Taken]
) -> PhotographDocument | None:
    """Return what is on record of photos that a lot all has in this role, with their files; None where one is new."""
    lot = find_lot(session, label)
    kept = [kept_photo(session, lot, role, one.sha256) for one in taken]
    there = [photo for photo in kept if photo is not None and store.has(photo.sha256)]
    if not there or len(there) < len(taken):
        return None
    documents = [as_recorded(session, store, lot, photo) for photo in there]
    return documents[0].model_copy(
        update={
            "photos": tuple(photo for one in documents for photo in one.photos),
            "pieces": tuple(piece for one in documents for piece in one.pieces),
            "notes": tuple(note for one in documents for note in one.notes),
        }
    )


def as_recorded(session: Session, store: EvidenceStore, lot: Lot, photo: Photo) -> PhotographDocument:
    """Return what is on record of a photo: the pieces last matched to its chips, as they now stand.

    Chips that were matched to no piece have no record, so `unmatched` is empty and they are not counted.
    """
    rows = session.scalars(select(Inspection).where(Inspection.photo_id == photo.id).order_by(Inspection.id)).all()
    # A chip that was matched anew is the piece it was last said to be.
    latest = {document.index: (row, document) for row in rows for document in [kept_document(row)]}
    ones = sorted(latest.values(), key=lambda one: one[0].piece.number)
    overlay = next((row.overlay_sha256 for row in reversed(rows) if row.overlay_sha256), None)
    kept = PhotoKept(
        name=photo.name,
        sha256=photo.sha256,
        width=photo.width,
        height=photo.height,
        chips=len(latest),
        warnings=ones[0][1].warnings if ones else (),
        overlay_sha256=overlay,
        overlay=f"{store.url}/{overlay[:2]}/{overlay}" if overlay else None,
        already=True,
    )
    return PhotographDocument(
        lot=lot.label,
        role=photo.role,
        photos=(kept,),
        pieces=_pieces(session, photo, ones),
        notes=(f"{photo.name} was kept in this role before; this is what was recorded then.",),
    )


def _pieces(
    session: Session, photo: Photo, ones: Sequence[tuple[Inspection, PieceDocument]]
) -> tuple[PiecePhotographed, ...]:
    now = piece_suspicions(session, [row.piece for row, _ in ones])
    return tuple(
        PiecePhotographed(
            piece=row.piece.label,
            photo=photo.name,
            index=document.index,
            matched_by=BEFORE,
            marking=document.piece.marking,
            part=document.piece.part,
            date_codes=document.piece.date_codes,
            package=document.piece.package,
            suspicion=now[row.piece_id].probability,
            sum=sum_items(now[row.piece_id]),
            findings=document.piece.findings,
            underside=document.piece.underside,
        )
        for row, document in ones
    )
