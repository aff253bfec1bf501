"""What a worker does: photos of a lot from the evidence, looked at and judged with what it was told, no database.

The steps are those of `tracker.desk.photograph`, but who is which piece is not found out anew: it is on record.
"""

import multiprocessing
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import cache

from tracker.desk.companions import EarlierPhoto
from tracker.desk.contract import InspectionDocument, PieceDocument
from tracker.desk.inspect import FACE_DOWN, SWABBED, Beside, judge
from tracker.desk.looks import TOP_ROLES
from tracker.desk.method import LOOKED, knowledge_digest, program_digest, program_method
from tracker.desk.overlays import annotate
from tracker.desk.pictures import crop_png
from tracker.desk.reinspect_job import KeptPhoto, LotJob, LotSeen, PhotoJob, PhotoSeen
from tracker.desk.reinspect_limit import limited
from tracker.desk.rejudge import with_corrections
from tracker.desk.same_chips import same_chips
from tracker.desk.swabs import beside_of_swabs
from tracker.desk.undersides import beside_of_undersides
from tracker.errors import Damaged, LotproofError
from tracker.evidence import EvidenceStore
from tracker.knowledge.lexicon import lexicon
from vision.crew import Crew, one_core
from vision.inspection import PhotoSource
from vision.inspection import inspect as look
from vision.observations import Inspection

Places = dict[tuple[int, int], str]
_ONE_AT_A_TIME = threading.Lock()
"""A worker with several threads looks at one lot at a time: a process is meant to keep one core busy."""


@cache
def program() -> dict[str, str]:
    """Return what this process's program is made of."""
    return {**program_method(), "knowledge": knowledge_digest(), "program files": program_digest()}


def differing(own: Mapping[str, str], asked: Mapping[str, str]) -> str | None:
    """Return in words where two programs differ; None where they do not."""
    names = [name for name in {**asked, **own} if own.get(name) != asked.get(name)]
    said = [f"{name} is {_short(own.get(name))} there and {_short(asked.get(name))} here" for name in names]
    return "; ".join(said) or None


def _short(text: str | None) -> str:
    return "missing" if text is None else text[:12] if len(text) == 64 else text


def warm() -> dict[str, str]:
    """Make a worker ready: one core, networks open. Return what its program is made of."""
    import cv2
    import numpy as np

    with _ONE_AT_A_TIME:
        _one_core()
        # Print on a plain ground makes every network open that a photo of chips needs.
        picture = np.full((240, 480, 3), 60, np.uint8)
        cv2.putText(picture, "WARM 1234", (40, 140), cv2.FONT_HERSHEY_SIMPLEX, 2, (230, 230, 230), 4)
        data = cv2.imencode(".png", picture)[1].tobytes()
        look([PhotoSource("warm", data)], lexicon=lexicon(), hands=Crew())
    return program()


def look_at(job: LotJob) -> LotSeen:
    """Look at photos of a lot again.

    Returns
    -------
    LotSeen
        A photo that cannot be looked at has an `error`; the others are done all the same.
    """
    said = differing(program(), job.program)
    if said is not None:
        return LotSeen(refused=said)
    with _ONE_AT_A_TIME:
        _one_core()
        read = _Reading(_store(job.store, job.endpoint))
        return LotSeen(tuple(_look_at_photo(job, one, read) for one in job.photos))


@cache
def _one_core() -> None:
    # Before the first network is opened, and by the thread that looks: what is set for it holds for that thread alone.
    # In a main process that does other things as well, as in tests, it is left as it is.
    if threading.current_thread() is not threading.main_thread() or multiprocessing.parent_process() is not None:
        one_core()


@cache
def _store(url: str, endpoint: str | None) -> EvidenceStore:
    return EvidenceStore(url, endpoint)


@cache
def _hands() -> Crew:
    """One for the process: it remembers what it saw, so a photo is not read again for each one compared with it."""
    return Crew()


class _Reading:
    """Reads evidence, each file once a job."""

    def __init__(self, store: EvidenceStore) -> None:
        self._store = store
        self._held: dict[str, bytes] = {}
        self.bytes_read = 0

    def __call__(self, sha256: str) -> bytes:
        if sha256 not in self._held:
            self._held[sha256] = self._store.read(sha256)
            self.bytes_read += len(self._held[sha256])
        return self._held[sha256]


def _look_at_photo(job: LotJob, one: PhotoJob, read: _Reading) -> PhotoSeen:
    cpu, bytes_before = time.process_time(), read.bytes_read
    number = one.photo.photo_id
    try:
        with limited(one):
            seen = _Photo(job, one, read).seen()
    except Damaged as error:
        return PhotoSeen(number, error=error.what, missing=True)
    except LotproofError as error:
        return PhotoSeen(number, error=error.what)
    except MemoryError:
        return PhotoSeen(number, error="there was not enough memory for it")
    except Exception as error:  # whatever one photo brings about, the others are to be done
        return PhotoSeen(number, error=f"a fault in Lotproof itself ({type(error).__name__}: {str(error)[:200]})")
    return replace(seen, cpu_s=time.process_time() - cpu, bytes_read=read.bytes_read - bytes_before)


class _Photo:
    """One photo and what it is looked at beside."""

    def __init__(self, job: LotJob, one: PhotoJob, read: _Reading) -> None:
        self.job, self.one, self.read = job, one, read
        self.weights = job.weights.weights
        self.data = read(one.photo.sha256)
        self.lost: list[str] = []
        self.siblings = [photo for photo in one.siblings if self._there(photo.sha256, photo.name)]
        known_good = job.exemplars if one.role in TOP_ROLES else ()
        self.exemplars = [it for it in known_good if self._there(it.sha256, f"the photo of {it.piece}")]

    def _there(self, sha256: str, name: str) -> bool:
        try:
            self.read(sha256)
        except Damaged:
            self.lost.append(name)
            return False
        return True

    def seen(self) -> PhotoSeen:
        """Look, judge, and say which chip is which."""
        here = self.one.photo
        seen = look(
            [self._source(photo) for photo in (here, *self.siblings)],
            exemplars=[
                PhotoSource(f"exemplar {one.piece}", crop_png(self.read(one.sha256), one.outline))
                for one in self.exemplars
            ],
            lexicon=lexicon(),
            hands=_hands(),
        )
        if seen.photos[0].error is not None:
            return PhotoSeen(here.photo_id, error=seen.photos[0].error)
        known = [self._same(seen, p, photo) for p, photo in enumerate((here, *self.siblings))]
        document = self._judged(seen, known)
        return self._answer(document, known[0])

    def _source(self, photo: KeptPhoto) -> PhotoSource:
        return PhotoSource(photo.name, self.read(photo.sha256))

    def _same(self, seen: Inspection, p: int, photo: KeptPhoto) -> dict[int, int]:
        recorded = {chip.index: chip.outline for chip in photo.chips}
        return same_chips(recorded, [piece.outline for piece in seen.photos[p].pieces])

    def _judged(self, seen: Inspection, known: list[dict[int, int]]) -> InspectionDocument:
        job, role = self.job, self.one.role
        places = self._places(known)
        beside: Mapping[tuple[int, int], Beside] = {}
        if role == SWABBED:
            own = {place: piece for place, piece in places.items() if place[0] == 0}
            beside = beside_of_swabs(seen, own, self._before_swab(), None, _hands())
        elif role == FACE_DOWN:
            beside = beside_of_undersides(seen, places, job.dates)
        document = judge(
            seen, job.claim, today=job.today, before=job.before, role=role, beside=beside, weights=self.weights
        )
        if role not in TOP_ROLES:
            return document
        texts = self._corrected(known)
        return with_corrections(document, texts, job.claim, today=job.today, before=job.before, weights=self.weights)

    def _photos(self) -> tuple[KeptPhoto, ...]:
        return (self.one.photo, *self.siblings)

    def _places(self, known: list[dict[int, int]]) -> Places:
        """Return the label of the piece by its place in the new look; this photo first, then the newest."""
        order = [0, *range(len(known) - 1, 0, -1)]
        photos = self._photos()
        return {
            (p, known[p][chip.index]): chip.piece for p in order for chip in photos[p].chips if chip.index in known[p]
        }

    def _corrected(self, known: list[dict[int, int]]) -> dict[tuple[int, int], tuple[str, ...]]:
        """Return what a person said of the chips in view, by their place in the new look."""
        return {
            (p, known[p][chip.index]): lines
            for p, photo in enumerate(self._photos())
            for chip in photo.chips
            if chip.index in known[p]
            and (lines := self.job.corrections.get((photo.photo_id, chip.index, chip.piece_id))) is not None
        }

    def _before_swab(self) -> list[EarlierPhoto]:
        there = [photo for photo in self.one.before_swab if self._there(photo.sha256, photo.name)]
        return [EarlierPhoto(photo.photo_id, photo.name, self.read(photo.sha256), photo.chips) for photo in there]

    def _answer(self, document: InspectionDocument, same: dict[int, int]) -> PhotoSeen:
        job, one = self.job, self.one
        photo = document.photos[0]
        method = {**document.method, LOOKED: one.looked}
        found = [chip for chip in one.photo.chips if chip.index in one.holding and chip.index in same]
        inside = {same[chip.index]: chip.piece for chip in one.photo.chips if chip.index in same}
        earlier = {chip.piece for sibling in self.siblings for chip in sibling.chips}
        beside = sorted({*inside.values(), *earlier})
        documents = tuple(
            (
                chip,
                PieceDocument(
                    photo=one.photo.name,
                    index=chip.index,
                    piece=photo.pieces[same[chip.index]],
                    warnings=photo.warnings,
                    compared_with=(
                        *(piece for piece in beside if piece != chip.piece),
                        *(f"exemplar {it.piece}" for it in self.exemplars),
                    ),
                    method=method,
                ),
            )
            for chip in found
        )
        return PhotoSeen(
            photo_id=one.photo.photo_id,
            documents=documents,
            gone=tuple(c.piece for c in one.photo.chips if c.index in one.holding and c.index not in same),
            strangers=len(photo.pieces) - len(inside),
            lost=tuple(dict.fromkeys(self.lost)),
            picture=annotate(photo, self.data, inside) if job.pictures else None,
        )


Look = Callable[[LotJob], LotSeen]
