"""What the workshop has learned from pieces whose truth is known: its sellers' records and its own weights."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import select
from sqlalchemy.orm import Session

from tracker.desk.facts import LISTING
from tracker.desk.known_pieces import known_pieces
from tracker.desk.known_table import KnownPieces, KnownTable
from tracker.desk.remembered import once, only_reads
from tracker.desk.truths import SellerRecords, Truth
from tracker.journal import FIRST_PREVIOUS, Head, head
from tracker.judgement.counts import ABSENT, CLEAR
from tracker.judgement.learning import Experience, newest_lots
from tracker.judgement.lesson_table import LessonTable
from tracker.judgement.outcomes import codes, mark_of
from tracker.judgement.prior import before_looking
from tracker.records.models import Document, Lot, Photo

REUSED = "picture-reused"


@dataclass(frozen=True)
class Learned:
    """What is known from pieces whose truth is known; made once and handed down.

    Parameters
    ----------
    records : SellerRecords
    experience : Experience
        Weights, with ways to leave out a piece or its lot.
    pictures : Pictures
    pieces : KnownPieces
        Of which all this was made.
    """

    records: SellerRecords
    experience: Experience
    pictures: "Pictures"
    pieces: KnownPieces = field(default_factory=lambda: KnownPieces(Head(0, FIRST_PREVIOUS), KnownTable.of(())))

    @cached_property
    def truths(self) -> tuple[Truth, ...]:
        """Every truth that is known, by piece."""
        return self.pieces.pieces.truths()


def learned(session: Session) -> Learned:
    """Return what the records, as they now are, teach.

    A function of the records alone: a settlement that is withdrawn takes back what it taught.
    """
    now = head(session)
    return once(session, now.hash, "learned", lambda before: _learned(session, now.entry, before))


def _learned(session: Session, until: int, before: Learned | None) -> Learned:
    pieces = known_pieces(session, None if before is None else before.pieces, keep=only_reads(session))
    if before is not None and before.pieces.pieces is pieces.pieces:
        records = before.records
    else:
        records = SellerRecords(counted=pieces.pieces.by_seller())
    pictures = Pictures.of(session)
    lessons = _lessons(session, pieces.pieces, records, pictures)
    # Most acts teach nothing: what was worked out of the same lessons holds on.
    same = before is not None and before.experience.lessons == lessons
    experience = before.experience.again(until) if before and same else Experience(lessons, until=until)
    return Learned(records, experience, pictures, pieces)


def _lessons(session: Session, known: KnownTable, records: SellerRecords, pictures: "Pictures") -> LessonTable:
    marks = _with_pictures(known, pictures)
    lessons = LessonTable(known.pieces, known.lots, known.not_genuine, marks)
    wanted = newest_lots(lessons)
    rows = session.execute(select(Lot.id, Lot.source_kind, Lot.seller_id).where(Lot.id.in_(wanted))) if wanted else ()
    before = {lot: before_looking(source, *records.of(seller, without_lot=lot)).db for lot, source, seller in rows}
    return replace(lessons, before=before)


def _with_pictures(known: KnownTable, pictures: "Pictures") -> NDArray[np.uint8]:
    """Return what pieces showed, reused listing pictures of their lots among it."""
    if not pictures.lots or REUSED not in codes():
        return known.marks
    marks = known.marks.copy()
    for outcome in (ABSENT, CLEAR):
        lots = [lot for lot in pictures.lots if pictures.outcomes(lot)[REUSED] == outcome]
        marks[np.isin(known.lots, lots), codes().index(REUSED)] = mark_of(outcome)
    return marks


@dataclass(frozen=True)
class Pictures:
    """Which lots' listing pictures were, to the byte, shown for earlier lots of other orders."""

    lots: frozenset[int]
    """Lots that have a listing picture."""
    earlier: Mapping[int, tuple[str, ...]]
    """Labels of the earlier lots, by lot; none where its pictures are its own."""

    @classmethod
    def of(cls, session: Session) -> "Pictures":
        """Read them for all lots at once."""
        photos = select(Photo.lot_id, Photo.sha256).where(Photo.role == LISTING)
        papers = select(Document.lot_id, Document.sha256).where(Document.kind == LISTING)
        lots: dict[str, set[int]] = {}
        shown: dict[int, set[str]] = {}
        for lot, sha256 in [*session.execute(photos), *session.execute(papers)]:
            lots.setdefault(sha256, set()).add(lot)
            shown.setdefault(lot, set()).add(sha256)
        shared = {lot for some in lots.values() if len(some) > 1 for lot in some}
        rows = {lot.id: lot for lot in session.scalars(select(Lot).where(Lot.id.in_(shared)))} if shared else {}
        earlier = {}
        for number, lot in rows.items():
            others = sorted({other for sha256 in shown[number] for other in lots[sha256] if other < number})
            earlier[number] = tuple(rows[other].label for other in others if not _one_order(rows[other], lot))
        return cls(frozenset(shown), earlier)

    def outcomes(self, lot: int) -> dict[str, str]:
        """Return what became of looking for reused pictures; nothing where a lot has no listing picture."""
        if lot not in self.lots:
            return {}
        return {REUSED: CLEAR if self.earlier.get(lot) else ABSENT}


def _one_order(one: Lot, other: Lot) -> bool:
    order = other.order_reference
    return bool(order) and (one.seller_id, one.order_reference) == (other.seller_id, order)
