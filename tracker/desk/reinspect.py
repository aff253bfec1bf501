"""A whole archive of photos looked at again: by a new reader, with new thresholds or new facts of the trade.

Workers look (`tracker.desk.reinspect_look`), this process alone plans and records, each photo in one act of its own.
"""

import heapq
import json
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime
from statistics import median

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from tracker.desk.learned import learned
from tracker.desk.method import program_method
from tracker.desk.pieces import find_lot
from tracker.desk.reinspect_document import Cost, ReinspectDocument, SetAside
from tracker.desk.reinspect_hands import Hands
from tracker.desk.reinspect_job import LotSeen, PhotoJob, PhotoSeen
from tracker.desk.reinspect_look import program
from tracker.desk.reinspect_plan import ACT, Count, Plan, Planned
from tracker.desk.reinspect_queue import Queue
from tracker.desk.reinspect_write import Meanwhile, Moved, write
from tracker.desk.workspace import Workspace
from tracker.records.models import JournalEntry, Lot, Photo

MOST_SAID = 1000
"""Of what is said piece by piece; keeps the answer bounded (our own choice)."""
MOST_TIMES = 3
"""How often a lot is planned that others work on meanwhile (our own choice)."""
LATEST = 50
"""New looks on record from which the cost of the next ones is taken."""
SECONDS_A_LOOK = 2.0
"""Processor time of a photo of a lot of eight chips, one core of 2.5 GHz, where none is on record: measured on the
sample pictures."""
_LOTS_AT_ONCE = 500

Progress = Callable[[int, int], None]
Wanted = Callable[[], bool]


@dataclass
class _Tally:
    """What was done so far, bounded whatever the size of the archive."""

    done: int = 0
    pieces: int = 0
    changed: int = 0
    cpu_s: float = 0.0
    bytes_read: int = 0
    aside: int = 0
    set_aside: list[SetAside] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    _furthest: list[tuple[float, int, Moved]] = field(default_factory=list)

    def add(self, moved: tuple[Moved, ...]) -> None:
        for one in moved:
            if one.much:
                self.changed += 1
                item = (abs(one.moved_db), -self.changed, one)
                (heapq.heappush if len(self._furthest) < MOST_SAID else heapq.heappushpop)(self._furthest, item)

    @property
    def furthest(self) -> tuple[Moved, ...]:
        return tuple(one for _, _, one in sorted(self._furthest, key=lambda item: (-item[0], -item[1])))


def dry_run(
    workspace: Workspace, *, lot: str | None = None, pictures: bool = True, today: date | None = None
) -> ReinspectDocument:
    """Return how many photos would be looked at again and what that would cost; nothing is written.

    Parameters
    ----------
    lot : str, optional
        Label; all lots where not given.
    """
    begun = time.monotonic()
    plan = _plan(workspace, pictures, today)
    lots = 0
    for number in _lots(workspace, lot):
        lots += 1
        with workspace.read() as session:
            plan.of_lot(session, session.get_one(Lot, number))
    seconds, source = _seconds_a_look(workspace)
    cost = Cost(plan.count.looks, plan.count.bytes_to_read, round(seconds * plan.count.looks, 1), source)
    return _document(plan.count, _Tally(), cost, lots, time.monotonic() - begun, dry=True)


def reinspect(
    workspace: Workspace,
    hands: Hands,
    *,
    lot: str | None = None,
    pictures: bool = True,
    operator: str | None = None,
    today: date | None = None,
    progress: Progress | None = None,
    wanted: Wanted = lambda: True,
) -> ReinspectDocument:
    """Look at every photo again that was not looked at with the same already, and record what it shows.

    Parameters
    ----------
    workspace : Workspace
    hands : Hands
        Who looks.
    lot : str, optional
        Label; all lots where not given.
    pictures : bool
        Whether annotated pictures are drawn and kept.
    operator : str, optional
    today : date, optional
        The current day where not given.
    progress : callable, optional
        Told (photos done, photos in all).
    wanted : callable, optional
        Asked between two photos; once it says no, what was done stays and the rest is left for another time.

    Returns
    -------
    ReinspectDocument

    Raises
    ------
    BadRequest
        There is no such lot, the workspace has moved, or the workers cannot do it.
    """
    workspace.refuse_if_moved()
    return _Run(workspace, hands, _plan(workspace, pictures, today), operator, progress, wanted).run(lot)


def _plan(workspace: Workspace, pictures: bool, today: date | None) -> Plan:
    with workspace.read() as session:
        known = learned(session)
    day = today or datetime.now(UTC).date()
    return Plan(known, workspace.store, program_method(), program(), day, pictures)


def _lots(workspace: Workspace, label: str | None) -> Iterator[int]:
    """Yield the ids of lots, some at a time: there may be millions."""
    if label is not None:
        with workspace.read() as session:
            lot = find_lot(session, label).id
        yield lot
        return
    last = 0
    while True:
        with workspace.read() as session:
            query = select(Lot.id).where(Lot.id > last).order_by(Lot.id).limit(_LOTS_AT_ONCE)
            some = session.scalars(query).all()
        if not some:
            return
        yield from some
        last = some[-1]


class _Run:
    """One run under way."""

    def __init__(
        self,
        workspace: Workspace,
        hands: Hands,
        plan: Plan,
        operator: str | None,
        progress: Progress | None,
        wanted: Wanted,
    ) -> None:
        self._workspace, self._hands, self._plan = workspace, hands, plan
        self._operator, self._progress, self._wanted = operator, progress, wanted
        self._tally = _Tally()
        self._lots = 0
        self._queue = Queue(hands, iter(()))

    def run(self, label: str | None) -> ReinspectDocument:
        begun = time.monotonic()
        with self._workspace.read() as session:
            self._all = _photos(session, label)
        self._queue = Queue(self._hands, self._jobs(label), self._wanted)
        for planned, seen in self._queue.answers():
            self._record(planned, seen)
            self._tell()
        stopped = not self._wanted()
        tally, count = self._tally, self._plan.count
        cost = Cost(count.looks, tally.bytes_read, round(tally.cpu_s, 2), "measured in this run")
        return _document(count, tally, cost, self._lots, time.monotonic() - begun, stopped=stopped)

    def _jobs(self, label: str | None) -> Iterator[Planned]:
        for number in _lots(self._workspace, label):
            self._lots += 1
            with self._workspace.read() as session:
                jobs = self._plan.of_lot(session, session.get_one(Lot, number))
            self._tell()
            yield from jobs

    def _tell(self) -> None:
        if self._progress is not None:
            count = self._plan.count
            past = count.photos - count.to_do
            self._progress(past + self._tally.done + self._tally.aside, max(self._all, count.photos))

    def _record(self, planned: Planned, seen: LotSeen) -> None:
        for number, (one, photo) in enumerate(zip(planned.job.photos, seen.photos, strict=True)):
            self._tally.cpu_s += photo.cpu_s
            self._tally.bytes_read += photo.bytes_read
            if photo.error is not None:
                self._set_aside(planned, one, self._why(photo, one))
                continue
            try:
                written = write(self._workspace, planned, one, photo, self._operator)
            except Meanwhile:
                self._again(planned, planned.job.photos[number:])
                return
            self._tally.done += 1
            self._tally.pieces += written.pieces
            self._tally.add(written.moved)
            self._tally.notes += written.notes[: MOST_SAID - len(self._tally.notes)]

    def _again(self, planned: Planned, left: tuple[PhotoJob, ...]) -> None:
        """Plan the photos of a job anew that somebody else's act made stale."""
        if planned.lot.times >= MOST_TIMES:
            for one in left:
                self._set_aside(planned, one, "others work on its lot; run it again later")
            return
        with self._workspace.read() as session:
            lot = session.get_one(Lot, planned.lot.lot_id)
            jobs = self._plan.of_lot(session, lot, times=planned.lot.times + 1)
        wanted = {one.photo.photo_id for one in left}
        kept = [_only(job, wanted) for job in jobs]
        for job in kept:
            if job.job.photos:
                self._queue.again(job)
        # What was done by others, or is told by a later photo now.
        planned_anew = {one.photo.photo_id for job in kept for one in job.job.photos}
        self._plan.count.already += len(wanted - planned_anew)
        self._plan.count.to_do -= len(wanted - planned_anew)

    def _set_aside(self, planned: Planned, one: PhotoJob, reason: str) -> None:
        self._tally.aside += 1
        if len(self._tally.set_aside) < MOST_SAID:
            self._tally.set_aside.append(SetAside(planned.lot.label, one.photo.name, reason))

    def _why(self, photo: PhotoSeen, one: PhotoJob) -> str:
        if photo.missing and self._workspace.store.has(one.photo.sha256):
            where = self._workspace.store.url
            return f"the worker does not have its file, and this computer does: {where} must be the same place for both"
        return photo.error or ""


def _only(planned: Planned, wanted: set[int]) -> Planned:
    photos = tuple(one for one in planned.job.photos if one.photo.photo_id in wanted)
    return replace(planned, job=replace(planned.job, photos=photos))


def _photos(session: Session, label: str | None) -> int:
    query = select(func.count()).select_from(Photo)
    if label is not None:
        query = query.where(Photo.lot_id == find_lot(session, label).id)
    return session.scalar(query) or 0


def _seconds_a_look(workspace: Workspace) -> tuple[float, str]:
    """Return what looking at a photo takes, by the newest looks on record where there are any."""
    query = select(JournalEntry.body).where(JournalEntry.act == ACT).order_by(JournalEntry.id.desc()).limit(LATEST)
    with workspace.read() as session:
        took = [json.loads(body).get("cpu_s", 0.0) for body in session.scalars(query)]
    if took:
        return float(median(took)), f"the median of the newest {len(took)} on record"
    return SECONDS_A_LOOK, "measured on the sample pictures; this workshop has looked at none again yet"


def _document(
    count: Count, tally: _Tally, cost: Cost, lots: int, seconds: float, *, dry: bool = False, stopped: bool = False
) -> ReinspectDocument:
    return ReinspectDocument(
        dry_run=dry,
        lots=lots,
        photos=count.photos,
        to_do=count.to_do,
        already=count.already,
        superseded=count.superseded,
        of_nobody=count.nobody,
        listing=count.listing,
        done=tally.done,
        pieces=tally.pieces,
        aside=tally.aside,
        set_aside=tuple(tally.set_aside),
        changed=tally.changed,
        moved=tally.furthest,
        notes=tuple(tally.notes),
        cost=cost,
        seconds=round(seconds, 3),
        stopped=stopped,
    )
