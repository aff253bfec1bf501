"""Sellers' pictures that were used before, also when saved anew."""

from collections.abc import Sequence

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracker.desk.companions import kept_bytes, lost_note
from tracker.desk.facts import LISTING
from tracker.desk.photo_records import Taken
from tracker.desk.pictures import open_picture
from tracker.evidence import EvidenceStore
from tracker.records.models import Lot, Photo
from vision.reuse import Fingerprint, fingerprint, reuse_observation, reused

MOST_PICTURES = 100
"""The newest listing pictures that a new one is held against; keeps a call bounded (common practice, no source)."""


def reuse_notes(session: Session, store: EvidenceStore, lot: Lot, taken: Sequence[Taken]) -> tuple[str, ...]:
    """Return a sentence for every listing picture that is, or nearly is, the listing picture of another lot."""
    photos = session.scalars(
        select(Photo)
        .where(Photo.role == LISTING, Photo.lot_id != lot.id)
        .order_by(Photo.id.desc())
        .limit(MOST_PICTURES)
    ).all()
    new = [_fingerprint(one.data, one.sha256) for one in taken]
    lost: list[str] = []
    readable = [(photo, data) for photo in photos if (data := kept_bytes(store, photo, lost)) is not None]
    known = [_fingerprint(data, photo.sha256) for photo, data in readable]
    found = [one for one in reused(new, known) if one.in_known]
    names = [f"{photo.name} of {photo.lot.label}" for photo, _ in readable]
    said = [f"{taken[one.photo].name}: {reuse_observation(one, names[one.other]).message}" for one in found]
    return (*said, *([lost_note(lost)] if lost else []))


def _fingerprint(data: bytes, sha256: str) -> Fingerprint:
    return fingerprint(open_picture(data).image, sha256)
