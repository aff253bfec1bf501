"""The pictures of a dossier: annotated photos, each piece cut out of its original, tops for the plates."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracker.desk.facts import LISTING, Facts, facts_of, kept_document
from tracker.desk.pictures import as_jpeg, crop, open_picture, smaller
from tracker.dossier.model import Picture
from tracker.evidence import EvidenceStore
from tracker.records.models import Inspection, Lot, Photo, Piece
from vision import photo as photos
from vision import plate
from vision.plate import Top

LONGEST_WHOLE, LONGEST_PIECE = 1800, 900
"""Pixels of the longer side in the dossier: sharp on A4 at 200 dpi; the originals are kept apart."""
AIR = 0.12


@dataclass(slots=True)
class Gathered:
    """Pictures by file name, and what is said about them.

    `whole` are photos with their annotations; `of_piece` the cut-outs by the piece's id; `tops` those wanted for
    plates by the inspection's id; `overlays` name, size in bytes and SHA-256 of every annotated picture kept.
    """

    pictures: dict[str, bytes] = field(default_factory=dict)
    whole: tuple[Picture, ...] = ()
    of_piece: dict[int, list[Picture]] = field(default_factory=dict)
    tops: dict[int, Top] = field(default_factory=dict)
    photos: tuple[Photo, ...] = ()
    overlays: list[tuple[str, int, str]] = field(default_factory=list)
    methods: dict[str, str] = field(default_factory=dict)


def gather(
    session: Session,
    store: EvidenceStore,
    lot: Lot,
    pieces: Sequence[Piece],
    wanted: Sequence[Inspection] = (),
    *,
    listings: bool = True,
) -> Gathered:
    """Return the pictures for a dossier of these pieces of a lot.

    The photos are those that show one of the pieces; with all pieces of the lot, every photo of the lot.

    Parameters
    ----------
    wanted : sequence of Inspection
        Whose tops are wanted for plates; they may be of other pieces and lots.
    listings : bool
        Whether the seller's own pictures are shown: prices stand in them.
    """
    gathered = Gathered()
    facts = facts_of(session, pieces)
    shown = {inspection.photo_id: inspection.photo for one in facts.values() for _, inspection in one.inspections}
    if len(pieces) == len(lot.pieces):
        every = session.scalars(select(Photo).where(Photo.lot_id == lot.id)).all()
        shown |= {photo.id: photo for photo in every}
    gathered.photos = tuple(photo for _, photo in sorted(shown.items()))
    pictured = [photo for photo in gathered.photos if listings or photo.role != LISTING]
    gathered.whole = tuple(_whole(session, store, photo, gathered) for photo in pictured)
    _cut_out(store, facts, wanted, gathered)
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
    shown = smaller(data, LONGEST_WHOLE) if overlay else as_jpeg(open_picture(data).image, longest=LONGEST_WHOLE)
    gathered.pictures[file] = shown
    what = "annotated with the suspicion when it was photographed" if overlay else "as taken"
    return Picture(file, f"{photo.name}, {photo.role}, {what}; original {photo.width} x {photo.height} pixels")


def _cut_out(
    store: EvidenceStore, facts: Mapping[int, Facts], wanted: Sequence[Inspection], gathered: Gathered
) -> None:
    """Cut everything out of the originals, each opened once: they are large."""
    seen = [(number, role, one) for number, fact in facts.items() for role, one in fact.inspections]
    photos = {one.photo_id: one.photo for _, _, one in seen} | {one.photo_id: one.photo for one in wanted}
    for photo_id, photo in sorted(photos.items()):
        opened = open_picture(store.read(photo.sha256))
        for number, role, one in seen:
            if one.photo_id == photo_id:
                gathered.of_piece.setdefault(number, []).append(_piece(opened, number, role, one, gathered))
        for one in wanted:
            if one.photo_id == photo_id:
                gathered.tops[one.id] = plate.top(opened, kept_document(one).piece.outline)


def _piece(opened: photos.Picture, number: int, role: str, inspection: Inspection, gathered: Gathered) -> Picture:
    document = kept_document(inspection)
    gathered.methods |= document.method
    file = f"piece{number}-{role}.jpg"
    gathered.pictures[file] = as_jpeg(crop(opened, document.piece.outline, AIR), longest=LONGEST_PIECE)
    return Picture(file, f"{role}, from {inspection.photo.name}, unaltered but cut out")
