"""What a new look at a photo showed, written down in one act, and what it changed."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import log10

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracker.desk.companions import KnownChip, lost_note
from tracker.desk.contract import PieceFound
from tracker.desk.facts import kept_document
from tracker.desk.looks import TOP_ROLES
from tracker.desk.method import LOOKED
from tracker.desk.photo_records import ToWrite, write_inspections
from tracker.desk.reinspect_job import PhotoJob, PhotoSeen
from tracker.desk.reinspect_plan import ACT, LotNow, Planned, state_of
from tracker.desk.workspace import Workspace
from tracker.judgement.suspicion import combine
from tracker.judgement.weighing import weigh
from tracker.records.models import Inspection, Photo, Piece

MOVED_DB = 3.0
"""A suspicion moved much where its odds are twice or half of what they were (common practice, no source)."""


class Meanwhile(Exception):
    """Somebody photographed pieces of the lot, or corrected a reading, since it was planned."""


@dataclass(frozen=True, slots=True)
class Moved:
    """A piece that now reads otherwise, or whose suspicion by this photo moved.

    Parameters
    ----------
    piece, photo : str
    reads, read : str
        The marking now, and before.
    date_code, date_code_before : str or None
    suspicion, suspicion_before : float
        By what this photo shows alone, both with today's weights and prior, so that only the look makes the difference.
    moved_db : float
        Of the odds, decibans.
    found, lost : tuple of str
        Codes of findings that are new, and of those that are there no more.
    """

    piece: str
    photo: str
    reads: str
    read: str
    date_code: str | None
    date_code_before: str | None
    suspicion: float
    suspicion_before: float
    moved_db: float
    found: tuple[str, ...]
    lost: tuple[str, ...]

    @property
    def much(self) -> bool:
        """Whether somebody should see it: another reading, or odds that moved by `MOVED_DB`."""
        return self.reads != self.read or self.date_code != self.date_code_before or abs(self.moved_db) >= MOVED_DB


@dataclass(frozen=True, slots=True)
class Written:
    """One photo now on record anew.

    Parameters
    ----------
    pieces : int
        How many were recorded.
    moved : tuple of Moved
        One for each of them.
    notes : tuple of str
        What a person should know of it.
    """

    pieces: int
    moved: tuple[Moved, ...]
    notes: tuple[str, ...]


def write(workspace: Workspace, planned: Planned, one: PhotoJob, seen: PhotoSeen, operator: str | None) -> Written:
    """Record what the new look at one photo showed, in one act.

    Raises
    ------
    Meanwhile
        Nothing was recorded, and the lot is to be planned anew.
    """
    lot = planned.lot
    with workspace.act(operator, ACT, lot.label) as act:
        if state_of(act.session, lot.lot_id) != lot.state:
            raise Meanwhile
        photo = act.session.get_one(Photo, one.photo.photo_id)
        overlay = act.keep(seen.picture).sha256 if seen.picture is not None and seen.documents else None
        standing = _standing_elsewhere(act.session, one, seen)
        pieces = _pieces(act.session, seen)
        new = [ToWrite(photo, pieces[c.piece_id], document, lot.before.db, overlay) for c, document in seen.documents]
        # What stands is written again after it, word for word.
        new += [ToWrite(row.photo, row.piece, doc, row.prior_db, row.overlay_sha256) for row, doc in standing]
        write_inspections(act, new)
        act.body.update(
            {
                "photo": one.photo.name,
                "role": one.role,
                "sha256": one.photo.sha256,
                LOOKED: one.looked,
                "pieces": [f"{chip.piece} no. {chip.index + 1}" for chip, _ in seen.documents],
                "cpu_s": round(seen.cpu_s, 3),
            }
        )
        if seen.strangers:
            act.body["not_recorded"] = seen.strangers
        if seen.gone:
            act.body["gone"] = list(seen.gone)
        state = state_of(act.session, lot.lot_id)
    lot.state = state  # not before it is committed
    old = {chip.index: planned.old[one.photo.photo_id, chip.index] for chip, _ in seen.documents}
    moved = tuple(_moved(lot, one, chip.piece, old[chip.index], doc.piece) for chip, doc in seen.documents)
    return Written(len(seen.documents), moved, tuple(_notes(lot, one, seen, old)))


def _pieces(session: Session, seen: PhotoSeen) -> dict[int, Piece]:
    wanted = [chip.piece_id for chip, _ in seen.documents]
    return {one.id: one for one in session.scalars(select(Piece).where(Piece.id.in_(wanted)))}


def _standing_elsewhere(session: Session, one: PhotoJob, seen: PhotoSeen) -> Sequence[KnownChip]:
    """Return the looks that tell what the pieces read, where it is a photo of the other role of unswabbed tops.

    The newest look of a piece tells its reading. Written after it, a new look at an older photo would take its place.
    """
    if one.role not in TOP_ROLES or not seen.documents:
        return ()
    pieces = [chip.piece_id for chip, _ in seen.documents]
    rows = session.scalars(
        select(Inspection)
        .join(Inspection.photo)
        .where(Inspection.piece_id.in_(pieces), Photo.role.in_(TOP_ROLES))
        .order_by(Inspection.id)
    )
    newest = {row.piece_id: row for row in rows}
    return [(row, kept_document(row)) for row in newest.values() if row.photo.role != one.role]


def _moved(lot: LotNow, one: PhotoJob, piece: str, old: PieceFound, new: PieceFound) -> Moved:
    items = weigh(old.findings, old.looked_for, lot.weights)
    before = combine(lot.before.db, items, prior_text=lot.before.text, together=lot.weights.together).probability
    had, has = ({finding.code for finding in found.findings} for found in (old, new))
    return Moved(
        piece=piece,
        photo=one.photo.name,
        reads=new.marking,
        read=old.marking,
        date_code=new.date_codes[0].text if new.date_codes else None,
        date_code_before=old.date_codes[0].text if old.date_codes else None,
        suspicion=new.suspicion,
        suspicion_before=round(before, 6),
        moved_db=round(_odds_db(new.suspicion) - _odds_db(before), 2),
        found=tuple(sorted(has - had)),
        lost=tuple(sorted(had - has)),
    )


def _odds_db(probability: float) -> float:
    # Suspicions are kept with six digits.
    inside = min(max(probability, 1e-6), 1 - 1e-6)
    return 10 * log10(inside / (1 - inside))


def _notes(lot: LotNow, one: PhotoJob, seen: PhotoSeen, old: Mapping[int, PieceFound]) -> list[str]:
    where = f"{one.photo.name} of {lot.label}"
    notes = []
    if seen.gone:
        stays = "what was recorded of it stays" if len(seen.gone) == 1 else "what was recorded of them stays"
        notes.append(f"{where}: no chip is seen any more where {', '.join(seen.gone)} lay; {stays}.")
    by_hand = [chip for chip, document in seen.documents if old[chip.index].as_read is not None]
    lost = [c.piece for c, d in seen.documents if old[c.index].as_read is not None and d.piece.as_read is None]
    if by_hand and lost:
        notes.append(f"{where}: the corrected reading of {', '.join(lost)} is not taken over.")
    if seen.lost:
        notes.append(f"{where}: {lost_note(seen.lost)}")
    return notes
