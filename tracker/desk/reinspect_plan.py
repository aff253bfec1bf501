"""Which photos of the archive are to be looked at again, lot by lot: a fixed number of questions for each lot."""

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from functools import cached_property
from itertools import islice
from typing import NamedTuple

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from tracker.desk.companions import (
    MOST_EXEMPLARS,
    MOST_SIBLING_PHOTOS,
    EarlierChip,
    KnownChip,
    exemplar_tops,
    findings_in,
    known_chips,
)
from tracker.desk.contract import PieceFound
from tracker.desk.corrections import corrections_of_lot
from tracker.desk.facts import LISTING, kept_document
from tracker.desk.inspect import FACE_DOWN, SWABBED
from tracker.desk.learned import Learned
from tracker.desk.looks import TOP_ROLES
from tracker.desk.method import LOOKED, looked_with
from tracker.desk.reinspect_job import Exemplar, KeptPhoto, LotJob, PhotoJob, WeightsTold
from tracker.desk.undersides import date_codes_on_top
from tracker.evidence import EvidenceStore
from tracker.judgement.marking import Claim, fold_alike
from tracker.judgement.prior import Prior, before_looking
from tracker.judgement.weights import Weights
from tracker.records.models import Inspection, JournalEntry, Lot, Photo, ReadingCorrection

ACT = "reinspect"
ROLES = ("top", "before-swab", FACE_DOWN, SWABBED)
"""Roles of photos that show pieces; a seller's picture shows none for certain."""
MOST_TOGETHER = 16
"""Photos of one lot that one worker is handed at once. Each is looked at beside `MOST_SIBLING_PHOTOS` others, which
cost as much as it does where they are not among those handed over: with 16 a fifth of the work at most (our own
choice)."""


class State(NamedTuple):
    """The newest inspection and the newest correction of a lot: by them it shows whether anything was said since."""

    inspection: int
    correction: int


@dataclass
class LotNow:
    """A lot as it was when it was planned; our own acts move `state` on."""

    lot_id: int
    label: str
    state: State
    before: Prior
    weights: Weights
    times: int = 1
    """How often it was planned."""


@dataclass(frozen=True)
class Planned:
    """A job and what only the asking process needs to know of it.

    Parameters
    ----------
    lot : LotNow
    job : LotJob
    old : mapping
        What was recorded last of each chip, by (photo, number of the chip).
    alone : bool
        Whether it was handed to a worker with nothing beside it, after a worker was lost with it.
    """

    lot: LotNow
    job: LotJob
    old: Mapping[tuple[int, int], PieceFound]
    alone: bool = False


@dataclass
class Count:
    """How many photos there are, and why some need no new look."""

    photos: int = 0
    already: int = 0
    superseded: int = 0
    nobody: int = 0
    listing: int = 0
    to_do: int = 0
    looks: int = 0
    """Photos opened, those to compare with among them."""
    bytes_to_read: int = 0


@dataclass
class Plan:
    """Plans lots, with what was learned when the run began.

    Parameters
    ----------
    store : EvidenceStore
        The evidence; workers open it by its address.
    method, program : mapping of str to str
        What photos will be looked at with, and what the asking program is made of.
    """

    learned: Learned
    store: EvidenceStore
    method: Mapping[str, str]
    program: Mapping[str, str]
    today: date
    pictures: bool = True
    count: Count = field(default_factory=Count)
    _exemplars: dict[str, tuple[Exemplar, ...]] = field(default_factory=dict)

    def of_lot(self, session: Session, lot: Lot, *, times: int = 1) -> list[Planned]:
        """Return the jobs of one lot; photos that were looked at with the same are left out."""
        view = _LotView(session, lot)
        now = LotNow(
            lot_id=lot.id,
            label=lot.label,
            state=state_of(session, lot.id),
            before=before_looking(lot.source_kind, *self.learned.records.of(lot.seller_id)),
            weights=self.learned.experience.without_lot(lot.id),
            times=times,
        )
        exemplars = self._exemplars_of(session, lot.claimed_part)
        claim = Claim(lot.claimed_part, lot.claimed_maker, lot.claimed_grade, lot.condition, lot.arrived_on)
        count, self.count = self.count, Count() if times > 1 else self.count
        photos = list(self._photos(view, claim, exemplars))
        self._add_up(photos, exemplars)
        self.count = count
        dates = date_codes_on_top(session, lot) if any(one.role == FACE_DOWN for one in photos) else {}
        corrections = {chip: said.lines for chip, said in corrections_of_lot(session, lot).items()} if photos else {}
        return [
            Planned(
                now,
                LotJob(
                    lot=lot.label,
                    store=self.store.url,
                    endpoint=self.store.endpoint,
                    photos=tuple(some),
                    claim=claim,
                    before=now.before,
                    weights=WeightsTold.of(now.weights),
                    today=self.today,
                    exemplars=exemplars,
                    dates=dates,
                    corrections=corrections,
                    pictures=self.pictures,
                    program=self.program,
                ),
                {
                    (one.photo.photo_id, chip.index): view.found[one.photo.photo_id, chip.index]
                    for one in some
                    for chip in one.photo.chips
                },
            )
            for some in _in_turn(photos)
        ]

    def _photos(self, view: "_LotView", claim: Claim, exemplars: Sequence[Exemplar]) -> Iterator[PhotoJob]:
        looked = {
            role: looked_with(
                self.method,
                claim,
                role,
                [(one.piece, one.sha256) for one in exemplars] if role in TOP_ROLES else [],
            )
            for role in ROLES
        }
        self.count.photos += len(view.photos)
        for photo in view.photos:
            if photo.role == LISTING:
                self.count.listing += 1
            elif photo.id not in view.kept:
                self.count.nobody += 1
            elif not (holding := view.holding(photo)):
                self.count.superseded += 1
            elif view.looked_at(photo, holding, looked[photo.role]):
                self.count.already += 1
            else:
                yield PhotoJob(
                    photo=view.kept[photo.id],
                    role=photo.role,
                    looked=looked[photo.role],
                    holding=holding,
                    siblings=view.siblings(photo),
                    before_swab=view.before_swab(photo) if photo.role == SWABBED else (),
                )

    def _add_up(self, photos: Sequence[PhotoJob], exemplars: Sequence[Exemplar]) -> None:
        self.count.to_do += len(photos)
        for some in _in_turn(photos):
            sizes = {p.sha256: p.size_bytes for one in some for p in (one.photo, *one.siblings, *one.before_swab)}
            if any(one.role in TOP_ROLES for one in some):
                sizes |= {one.sha256: one.size_bytes for one in exemplars}
            self.count.looks += len(sizes)
            self.count.bytes_to_read += sum(sizes.values())

    def _exemplars_of(self, session: Session, part: str) -> tuple[Exemplar, ...]:
        part = fold_alike(part)
        if part not in self._exemplars:
            self._exemplars[part] = tuple(
                Exemplar(one.piece.label, one.photo.sha256, one.photo.size_bytes, kept_document(one).piece.outline)
                for one in islice(exemplar_tops(session, part), MOST_EXEMPLARS)
            )
        return self._exemplars[part]


def state_of(session: Session, lot: int) -> State:
    """Return what was recorded last of a lot's photos."""
    seen = select(func.max(Inspection.id)).join(Inspection.photo).where(Photo.lot_id == lot)
    said = select(func.max(ReadingCorrection.id)).join(ReadingCorrection.photo).where(Photo.lot_id == lot)
    return State(session.scalar(seen) or 0, session.scalar(said) or 0)


def _in_turn(photos: Sequence[PhotoJob]) -> Iterator[Sequence[PhotoJob]]:
    for start in range(0, len(photos), MOST_TOGETHER):
        yield photos[start : start + MOST_TOGETHER]


class _LotView:
    """What the records hold of a lot's photos."""

    def __init__(self, session: Session, lot: Lot) -> None:
        self._session, self._lot = session, lot
        self.photos = session.scalars(select(Photo).where(Photo.lot_id == lot.id).order_by(Photo.id)).all()

    @cached_property
    def _chips(self) -> list[KnownChip]:
        return known_chips(self._session, self._lot, ROLES)

    @cached_property
    def found(self) -> dict[tuple[int, int], PieceFound]:
        """What was recorded last of each chip, by (photo, number of the chip)."""
        return {(one.photo_id, document.index): document.piece for one, document in self._chips}

    @cached_property
    def kept(self) -> dict[int, KeptPhoto]:
        """The photos that show known pieces, by id."""
        chips: dict[int, list[EarlierChip]] = {}
        for one, document in self._chips:
            chip = EarlierChip(
                document.index, document.piece.outline, one.piece.label, one.piece_id, findings_in(document.piece)
            )
            chips.setdefault(one.photo_id, []).append(chip)
        return {
            photo.id: KeptPhoto(photo.id, photo.name, photo.sha256, photo.size_bytes, tuple(chips[photo.id]))
            for photo in self.photos
            if photo.id in chips
        }

    @cached_property
    def _newest(self) -> dict[tuple[int, str], int]:
        """The photo whose look holds, by piece and role."""
        return {(one.piece_id, one.photo.role): one.photo_id for one, _ in sorted(self._chips, key=lambda c: c[0].id)}

    def holding(self, photo: Photo) -> frozenset[int]:
        """Return the numbers of the chips of a photo whose look holds."""
        chips = self.kept[photo.id].chips
        return frozenset(chip.index for chip in chips if self._newest[chip.piece_id, photo.role] == photo.id)

    def siblings(self, photo: Photo) -> tuple[KeptPhoto, ...]:
        """Return the photos that `photograph` would compare this one with, were it given again."""
        others = [
            self.kept[one.id]
            for one in self.photos
            if one.role == photo.role and one.sha256 != photo.sha256 and one.id in self.kept
        ]
        return tuple(others[-MOST_SIBLING_PHOTOS:])

    def before_swab(self, photo: Photo) -> tuple[KeptPhoto, ...]:
        """Return the photos that show the pieces of a swabbed photo before the swab, oldest first."""
        wanted = {chip.piece_id for chip in self.kept[photo.id].chips}
        found: list[KeptPhoto] = []
        for role in ("before-swab", "top"):
            left = wanted - {chip.piece_id for one in found for chip in one.chips}
            of_role = [self.kept[one.id] for one in self.photos if one.role == role and one.id in self.kept]
            found = [*(one for one in of_role if left & {chip.piece_id for chip in one.chips}), *found]
        return tuple(found)

    def looked_at(self, photo: Photo, holding: frozenset[int], looked: str) -> bool:
        """Whether all that holds of a photo was looked at with the same already.

        A chip that the new look could not find has no new inspection; the journal says that it was looked for.
        """
        entry, said = self._entries.get((photo.role, photo.sha256), (0, ""))
        return all(
            document.method.get(LOOKED) == looked or (said == looked and one.entry_id <= entry)
            for one, document in self._chips
            if one.photo_id == photo.id and document.index in holding
        )

    @cached_property
    def _entries(self) -> dict[tuple[str, str], tuple[int, str]]:
        """The newest journal entry about a new look at each photo and what it was looked at with, by role and file."""
        rows = self._session.execute(
            select(JournalEntry.id, JournalEntry.body)
            .where(JournalEntry.act == ACT, JournalEntry.subject == self._lot.label)
            .order_by(JournalEntry.id)
        )
        told = [(row.id, json.loads(row.body)) for row in rows]
        return {(body.get("role"), body.get("sha256")): (entry, body.get(LOOKED)) for entry, body in told}
