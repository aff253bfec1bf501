"""The pictures of a dossier: annotated photos, and each piece cut out of its original."""

from collections.abc import Sequence
from dataclasses import dataclass, field

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracker.desk.facts import facts_of, kept_document
from tracker.desk.pictures import as_jpeg, crop, open_picture
from tracker.dossier.model import Picture
from tracker.evidence import EvidenceStore
from tracker.records.models import Inspection, Lot, Photo, Piece
from vision.observations import Rgb

LONGEST_WHOLE, LONGEST_PIECE = 1800, 900
"""Pixels of the longer side in the dossier: sharp on A4 at 200 dpi; the originals are kept apart."""
AIR = 0.12


@dataclass(slots=True)
class Gathered:
    """Pictures by file name, and what is said about them.

    `whole` are photos with their annotations; `of_piece` the cut-outs by the piece's id; `overlays` name, size in bytes
    and SHA-256 of every annotated picture kept.
    """

    pictures: dict[str, bytes] = field(default_factory=dict)
    whole: tuple[Picture, ...] = ()
    of_piece: dict[int, tuple[Picture, ...]] = field(default_factory=dict)
    photos: tuple[Photo, ...] = ()
    overlays: list[tuple[str, int, str]] = field(default_factory=list)
    methods: dict[str, str] = field(default_factory=dict)


def gather(session: Session, store: EvidenceStore, lot: Lot, pieces: Sequence[Piece]) -> Gathered:
    """Return the pictures for a dossier of these pieces of a lot.

    The photos are those that show one of the pieces; with all pieces of the lot, every photo of the lot.
    """
    gathered = Gathered()
    shown = {
        inspection.photo_id: inspection.photo
        for facts in facts_of(session, pieces).values()
        for _, inspection in facts.inspections
    }
    if len(pieces) == len(lot.pieces):
        every = session.scalars(select(Photo).where(Photo.lot_id == lot.id)).all()
        shown |= {photo.id: photo for photo in every}
    gathered.photos = tuple(photo for _, photo in sorted(shown.items()))
    gathered.whole = tuple(_whole(session, store, photo, gathered) for photo in gathered.photos)
    _cut_out(session, store, pieces, gathered)
    return gathered


def _whole(session: Session, store: EvidenceStore, photo: Photo, gathered: Gathered) -> Picture:
    """Add a photo with its annotations, or as it is where it has none."""
    overlay = session.scalars(
        select(Inspection.overlay_sha256)
        .where(Inspection.photo_id == photo.id, Inspection.overlay_sha256.is_not(None))
        .order_by(Inspection.id.desc())
        .limit(1)
    ).first()
    data = store.read(overlay or photo.sha256)
    if overlay:
        gathered.overlays.append((photo.name, len(data), overlay))
    file = f"photo{photo.id}.jpg"
    gathered.pictures[file] = as_jpeg(open_picture(data), longest=LONGEST_WHOLE)
    what = "annotated with the suspicion when it was photographed" if overlay else "as taken"
    return Picture(file, f"{photo.name}, {photo.role}, {what}; original {photo.width} x {photo.height} pixels")


def _cut_out(session: Session, store: EvidenceStore, pieces: Sequence[Piece], gathered: Gathered) -> None:
    opened: dict[int, Rgb] = {}
    for number, facts in facts_of(session, pieces).items():
        cut = []
        for role, inspection in facts.inspections:
            photo = inspection.photo
            if photo.id not in opened:
                opened = {photo.id: open_picture(store.read(photo.sha256))}  # one at a time: originals are large
            document = kept_document(inspection)
            gathered.methods |= document.method
            file = f"piece{number}-{role}.jpg"
            gathered.pictures[file] = as_jpeg(
                crop(opened[photo.id], document.piece.outline, AIR), longest=LONGEST_PIECE
            )
            cut.append(Picture(file, f"{role}, from {photo.name}, unaltered but cut out"))
        gathered.of_piece[number] = tuple(cut)
