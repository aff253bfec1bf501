"""What new photos of a lot are looked at beside: earlier photos of its siblings, exemplars, the photo before a swab."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracker.desk.assess import TOP_ROLES, kept_document, standing_exemplars
from tracker.desk.contract import Outline
from tracker.desk.pictures import crop_png
from tracker.evidence import EvidenceStore
from tracker.judgement.marking import fold_alike
from tracker.records.models import Inspection, Lot, Photo, Piece
from vision.inspection import PhotoSource

# Reading a photo takes seconds; these keep a call bounded. Common practice, no source.
MOST_SIBLING_PHOTOS = 4
MOST_EXEMPLARS = 4


@dataclass(frozen=True, slots=True)
class EarlierChip:
    """One chip of an earlier photo that is known to be a piece."""

    index: int
    outline: Outline
    piece: str
    piece_id: int
    findings: frozenset[tuple[str, str]]
    """(code, strength) of what was found then."""


@dataclass(frozen=True, slots=True)
class EarlierPhoto:
    """A photo of the lot kept before, and the chips in it."""

    photo_id: int
    name: str
    data: bytes
    chips: tuple[EarlierChip, ...]

    @property
    def source(self) -> PhotoSource:
        """What is handed to be looked at."""
        return PhotoSource(self.name, self.data)


@dataclass(frozen=True, slots=True)
class Companions:
    """Everything that new photos are looked at beside."""

    siblings: tuple[EarlierPhoto, ...] = ()
    exemplars: tuple[PhotoSource, ...] = ()
    exemplar_pieces: tuple[str, ...] = ()


def companions_of(session: Session, store: EvidenceStore, lot: Lot, role: str, new: Iterable[str]) -> Companions:
    """Return what new photos of a lot in a role are looked at beside.

    Parameters
    ----------
    new : iterable of str
        SHA-256 of the new photos: one of them is not its own companion.
    """
    siblings = earlier_photos(session, store, lot, (role,), set(new))[-MOST_SIBLING_PHOTOS:]
    pieces = _exemplar_pieces(session, lot) if role in TOP_ROLES else []
    crops = [(piece.label, _crop(session, store, piece)) for piece in pieces]
    usable = [(label, data) for label, data in crops if data is not None][:MOST_EXEMPLARS]
    return Companions(
        siblings=siblings,
        exemplars=tuple(PhotoSource(f"exemplar {label}", data) for label, data in usable),
        exemplar_pieces=tuple(label for label, _ in usable),
    )


def earlier_photos(
    session: Session, store: EvidenceStore, lot: Lot, roles: Sequence[str], without: set[str], only: Iterable[int] = ()
) -> tuple[EarlierPhoto, ...]:
    """Return the lot's photos in these roles, oldest first, with the chips that are known pieces.

    Parameters
    ----------
    without : set of str
        SHA-256 of photos to leave out.
    only : iterable of int
        Ids of pieces: photos that show none of them are left out; empty takes all.
    """
    rows = session.scalars(
        select(Inspection)
        .join(Inspection.photo)
        .where(Photo.lot_id == lot.id, Photo.role.in_(roles), Photo.sha256.not_in(without))
        .order_by(Inspection.id)
    ).all()
    latest = {(one.photo_id, kept_document(one).index): one for one in rows}
    # A piece is one chip of a photo: where it was matched anew, the later word holds.
    chips = {(one.photo_id, one.piece_id): one for one in sorted(latest.values(), key=lambda one: one.id)}
    by_photo: dict[int, list[Inspection]] = {}
    for one in chips.values():
        by_photo.setdefault(one.photo_id, []).append(one)
    wanted = set(only)
    return tuple(
        EarlierPhoto(ones[0].photo_id, ones[0].photo.name, store.read(ones[0].photo.sha256), tuple(map(_chip, ones)))
        for _, ones in sorted(by_photo.items())
        if not wanted or any(one.piece_id in wanted for one in ones)
    )


def _chip(inspection: Inspection) -> EarlierChip:
    document = kept_document(inspection)
    return EarlierChip(
        index=document.index,
        outline=document.piece.outline,
        piece=inspection.piece.label,
        piece_id=inspection.piece_id,
        findings=frozenset((finding.code, finding.strength) for finding in document.piece.findings),
    )


def _exemplar_pieces(session: Session, lot: Lot) -> list[Piece]:
    """Return the known-good pieces of the same claimed part, the newest declaration first."""
    wanted = fold_alike(lot.claimed_part)
    declared = standing_exemplars(session)
    return [row for row in declared if fold_alike(row.lot.claimed_part) == wanted]


def _crop(session: Session, store: EvidenceStore, piece: Piece) -> bytes | None:
    """Return the part of its latest photo that shows this piece; None where it has no photo."""
    inspection = session.scalars(
        select(Inspection)
        .join(Inspection.photo)
        .where(Inspection.piece_id == piece.id, Photo.role.in_(TOP_ROLES))
        .order_by(Inspection.id.desc())
        .limit(1)
    ).first()
    if inspection is None:
        return None
    return crop_png(store.read(inspection.photo.sha256), kept_document(inspection).piece.outline)
