"""What new photos of a lot are looked at beside: earlier photos of its siblings, exemplars, the photo before a swab."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import islice

from sqlalchemy import select
from sqlalchemy.orm import Session, joinedload

from tracker.desk.contract import Outline, PieceDocument, PieceFound
from tracker.desk.facts import kept_document, standing_exemplars
from tracker.desk.looks import TOP_ROLES
from tracker.desk.pictures import crop_png
from tracker.errors import Damaged
from tracker.evidence import EvidenceStore
from tracker.judgement.marking import fold_alike
from tracker.records.models import Inspection, Lot, Photo, Piece
from vision.inspection import PhotoSource

# Reading a photo takes seconds; these keep a call bounded. Common practice, no source.
MOST_SIBLING_PHOTOS = 4
MOST_EXEMPLARS = 4

KnownChip = tuple[Inspection, PieceDocument]
"""The newest inspection of a chip that is known to be a piece, and what was kept with it."""


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
    def outlines(self) -> dict[int, Outline]:
        """Where its chips lie, by their number."""
        return {chip.index: chip.outline for chip in self.chips}

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
    exemplar_photos: tuple[tuple[str, str], ...] = ()
    """Label of each known-good piece and the SHA-256 of the photo that shows it."""
    lost: tuple[str, ...] = ()
    """Photos on record whose file is missing or changed, so that nothing could be compared with them."""


def companions_of(session: Session, store: EvidenceStore, lot: Lot, role: str, new: Iterable[str]) -> Companions:
    """Return what new photos of a lot in a role are looked at beside.

    Parameters
    ----------
    new : iterable of str
        SHA-256 of the new photos: one of them is not its own companion.
    """
    lost: list[str] = []
    siblings = earlier_photos(session, store, lot, (role,), set(new), lost=lost)[-MOST_SIBLING_PHOTOS:]
    shown = exemplar_tops(session, lot.claimed_part) if role in TOP_ROLES else ()
    crops = ((one, _crop(store, one, lost)) for one in shown)
    # No more are cut out, or looked for, than are needed.
    usable = list(islice(((one, data) for one, data in crops if data is not None), MOST_EXEMPLARS))
    return Companions(
        siblings=siblings,
        exemplars=tuple(PhotoSource(f"exemplar {one.piece.label}", data) for one, data in usable),
        exemplar_pieces=tuple(one.piece.label for one, _ in usable),
        exemplar_photos=tuple((one.piece.label, one.photo.sha256) for one, _ in usable),
        lost=tuple(dict.fromkeys(lost)),
    )


def kept_bytes(store: EvidenceStore, photo: Photo, lost: list[str]) -> bytes | None:
    """Return a photo's file; where it is missing or changed, None, and the photo is added to `lost`.

    One damaged file must not stop work on other lots; it is `verify` that judges.
    """
    try:
        return store.read(photo.sha256)
    except Damaged:
        lost.append(f"{photo.name} of {photo.lot.label}")
        return None


def lost_note(lost: Sequence[str]) -> str:
    """Return a sentence about photos that could not be compared with."""
    files = "file is" if len(lost) == 1 else "files are"
    return (
        f"Not compared with {', '.join(lost)}: the {files} missing or changed in the evidence. `lotproof verify` names "
        "every such file; a photo given again to its own lot brings a missing one back."
    )


def earlier_photos(
    session: Session,
    store: EvidenceStore,
    lot: Lot,
    roles: Sequence[str],
    without: set[str],
    only: Iterable[int] = (),
    *,
    lost: list[str] | None = None,
) -> tuple[EarlierPhoto, ...]:
    """Return the lot's photos in these roles, oldest first, with the chips that are known pieces.

    Parameters
    ----------
    without : set of str
        SHA-256 of photos to leave out.
    only : iterable of int
        Ids of pieces: photos that show none of them are left out; empty takes all.
    lost : list of str, optional
        Photos whose file cannot be read any more are left out and named in it.
    """
    by_photo: dict[int, list[KnownChip]] = {}
    for one in known_chips(session, lot, roles, without):
        by_photo.setdefault(one[0].photo_id, []).append(one)
    wanted = set(only)
    found = []
    for _, ones in sorted(by_photo.items()):
        photo = ones[0][0].photo
        if wanted and not any(inspection.piece_id in wanted for inspection, _ in ones):
            continue
        data = kept_bytes(store, photo, [] if lost is None else lost)
        if data is not None:
            found.append(EarlierPhoto(photo.id, photo.name, data, tuple(_chip(*one) for one in ones)))
    return tuple(found)


def known_chips(session: Session, lot: Lot, roles: Sequence[str], without: Iterable[str] = ()) -> list[KnownChip]:
    """Return the newest inspection of each chip in the lot's photos in these roles that is known to be a piece.

    Parameters
    ----------
    without : iterable of str
        SHA-256 of photos to leave out.
    """
    rows = session.scalars(
        select(Inspection)
        .join(Inspection.photo)
        .where(Photo.lot_id == lot.id, Photo.role.in_(roles), Photo.sha256.not_in(list(without)))
        .options(joinedload(Inspection.photo), joinedload(Inspection.piece))
        .order_by(Inspection.id)
    ).all()
    latest = {(one.photo_id, document.index): (one, document) for one in rows for document in [kept_document(one)]}
    # A piece is one chip of a photo: where it was matched anew, the later word holds.
    in_order = sorted(latest.values(), key=lambda one: one[0].id)
    return list({(one.photo_id, one.piece_id): (one, document) for one, document in in_order}.values())


def kept_before(session: Session, lot: Lot, role: str, digests: Sequence[str]) -> dict[str, int]:
    """Return the ids of photos that a lot has in a role already, by SHA-256: of each, the first row."""
    query = select(Photo.sha256, Photo.id).where(Photo.lot_id == lot.id, Photo.role == role, Photo.sha256.in_(digests))
    return {row.sha256: row.id for row in session.execute(query.order_by(Photo.id.desc()))}


def _chip(inspection: Inspection, document: PieceDocument) -> EarlierChip:
    return EarlierChip(
        index=document.index,
        outline=document.piece.outline,
        piece=inspection.piece.label,
        piece_id=inspection.piece_id,
        findings=findings_in(document.piece),
    )


def findings_in(piece: PieceFound) -> frozenset[tuple[str, str]]:
    """Return what was found of a piece as (code, strength): where that changed, it is recorded anew."""
    return frozenset((finding.code, finding.strength) for finding in piece.findings)


def exemplar_tops(session: Session, part: str) -> Iterator[Inspection]:
    """Yield the latest look at the top of each known-good piece of a claimed part, the newest declaration first.

    A piece without a photo of its top is left out.
    """
    wanted = fold_alike(part)
    pieces = standing_exemplars(session, lambda claimed: fold_alike(claimed) == wanted)
    return (found for piece in pieces if (found := _latest_top(session, piece)) is not None)


def _latest_top(session: Session, piece: Piece) -> Inspection | None:
    return session.scalars(
        select(Inspection)
        .join(Inspection.photo)
        .where(Inspection.piece_id == piece.id, Photo.role.in_(TOP_ROLES))
        .order_by(Inspection.id.desc())
        .limit(1)
    ).first()


def _crop(store: EvidenceStore, shown: Inspection, lost: list[str]) -> bytes | None:
    """Return the part of a photo that shows a piece; None where the photo cannot be read."""
    data = kept_bytes(store, shown.photo, lost)
    return None if data is None else crop_png(data, kept_document(shown).piece.outline)
