"""Is everything still as it was recorded? Checked in named rungs; every fault is collected, nothing is repaired.

The rungs, in order: *structure* (the database is sound and has our tables), *counts* (as many pieces as a lot received,
as many rows as the journal says), *completeness* (every file that was kept is there, and every file that is there was
kept), *hashes* (every file has the bytes it had), *chain* (the journal's entries follow from each other), *signatures*
(every entry is signed since the first that was), *rows* (every row is the one its entry wrote).

Readings in the spool and photos in the work folder are no fault but a notice: work on them may be going on at this
moment, nothing was recorded of them, and so nothing recorded can be wrong with them.
"""

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime

from sqlalchemy import func, inspect, select, text
from sqlalchemy.exc import DatabaseError
from sqlalchemy.orm import Session

from tracker import journal
from tracker.desk import keys, standing_check, task_leftovers
from tracker.desk import spool as spools
from tracker.desk.fault import Fault, Notice
from tracker.desk.moved import came_from
from tracker.desk.row_check import check_rows
from tracker.desk.signatures import Signatures
from tracker.desk.workspace import Workspace
from tracker.errors import BadRequest, Damaged
from tracker.evidence import EvidenceStore, Unreachable
from tracker.records.models import Base, Document, Inspection, JournalEntry, Lot, Photo, Piece

RUNGS = ("structure", "counts", "completeness", "hashes", "chain", "signatures", "rows")
MOST_FAULTS = 100
"""Faults kept in a report; the others are only counted."""


@dataclass(frozen=True, slots=True)
class Rung:
    """One rung: how many things were checked and how many faults were found."""

    name: str
    checked: int
    faults: int


@dataclass(frozen=True, slots=True)
class Tidied:
    """What `tidy` removed, and what it left though it was asked to remove its kind, each with the reason."""

    removed: tuple[str, ...]
    left: tuple[Notice, ...] = ()
    mended: int = 0
    """Rows kept beside the records that did not say what these do, before all of them were made anew."""


@dataclass(frozen=True, slots=True)
class Report:
    """What `verify` found. `reached` is the last rung that could be checked to its end."""

    rungs: tuple[Rung, ...]
    reached: str | None
    faults: tuple[Fault, ...]
    fault_count: int
    head: journal.Head
    notices: tuple[Notice, ...] = ()
    keys: tuple[journal.KeySeen, ...] = ()

    @property
    def sound(self) -> bool:
        """True when every rung was reached and nothing was found."""
        return self.reached == RUNGS[-1] and not self.fault_count


@dataclass(slots=True)
class _Tally:
    rungs: list[Rung] = field(default_factory=list)
    faults: list[Fault] = field(default_factory=list)
    count: int = 0
    notices: tuple[Notice, ...] = ()
    keys: tuple[journal.KeySeen, ...] = ()

    def climb(self, name: str, found: Iterator[Fault | int]) -> int:
        """Go through one rung: each item is a fault, or a number of things checked. Return how many faults it had."""
        checked = faults = 0
        for item in found:
            if isinstance(item, int):
                checked += item
                continue
            faults += 1
            self.count += 1
            if len(self.faults) < MOST_FAULTS:
                self.faults.append(item)
        self.rungs.append(Rung(name, checked, faults))
        return faults


def verify(workspace: Workspace, *, against: str | None = None) -> Report:
    """Check the whole workspace.

    Parameters
    ----------
    against : str, optional
        A head's hash noted earlier (at least its first 12 characters): the journal must still contain it. Without it,
        the removal of the very last entries together with all they wrote cannot be seen.

    Raises
    ------
    BadRequest
        When `against` is no hash.
    """
    noted = _hash(against) if against is not None else None
    tally = _Tally()
    # Before the records are looked at: an act that ends meanwhile is remembered, and not among what we see.
    memories = keys.remembered()
    head = journal.Head(0, journal.FIRST_PREVIOUS)
    with workspace.read() as session:
        try:
            if tally.climb("structure", _structure(session)):
                return _report(tally, None, head)
            head = journal.head(session)
            tally.climb("counts", _counts(session))
            named = named_files(session)
            tally.notices = (*_spooled(workspace, named), *_work_left(workspace))
            tally.climb("completeness", _completeness(workspace, session, named))
            tally.climb("hashes", _hashes(workspace.store, named))
            tally.climb("chain", _chain(session, noted))
            signatures = Signatures(session, keys.concerning(memories, workspace.url, came_from(session)))
            tally.climb("signatures", signatures.faults())
            tally.keys, tally.notices = signatures.seen, (*tally.notices, *signatures.notices)
            tally.climb("rows", _rows(session))
        except DatabaseError as error:
            rung = RUNGS[len(tally.rungs)]
            said = str(error.orig).splitlines()[0]
            tally.climb(rung, iter([Fault(rung, "unreadable", "records", f"The records cannot be read ({said}).")]))
            return _report(tally, tally.rungs[-2].name if len(tally.rungs) > 1 else None, head)
    return _report(tally, RUNGS[-1], head)


def _report(tally: _Tally, reached: str | None, head: journal.Head) -> Report:
    return Report(tuple(tally.rungs), reached, tuple(tally.faults), tally.count, head, tally.notices, tally.keys)


def _hash(text: str) -> str:
    # Who noted the whole line as it was printed ('Head: entry 16, ...') need not take it apart.
    clean = re.sub(r"^(head:)?\s*(entry\s+[0-9]+,)?\s*", "", text.strip().lower())
    if not 12 <= len(clean) <= 64 or any(letter not in "0123456789abcdef" for letter in clean):
        raise BadRequest(
            f"'{text[:70]}' is not the hash of a journal's head.",
            "Give the line that `lotproof verify` printed as head, or the hash in it.",
        )
    return clean


def _structure(session: Session) -> Iterator[Fault | int]:
    """The database's own check of itself, and every table and column we know."""
    present = inspect(session.connection())
    tables = set(present.get_table_names())
    for table in Base.metadata.sorted_tables:
        yield 1
        if table.name not in tables:
            yield Fault("structure", "table-missing", table.name, f"The table {table.name} is missing.")
            continue
        columns = {column["name"] for column in present.get_columns(table.name)}
        for name in [column.name for column in table.columns if column.name not in columns]:
            message = f"The table {table.name} has no column {name}."
            yield Fault("structure", "column-missing", f"{table.name}.{name}", message)
    if session.connection().dialect.name == "sqlite":
        yield from _sqlite_check(session)


def _sqlite_check(session: Session) -> Iterator[Fault | int]:
    for (said,) in session.execute(text("PRAGMA integrity_check(20)")):
        yield 1
        if said != "ok":
            yield Fault("structure", "database-damaged", "records", f"SQLite's own check of the records says: {said}")


def _counts(session: Session) -> Iterator[Fault | int]:
    """Numbers that must agree with each other."""
    pieces = func.count(Piece.id)
    query = select(Lot.label, Lot.quantity_received, pieces, func.max(Piece.number)).outerjoin(Piece).group_by(Lot.id)
    for label, received, count, highest in session.execute(query.order_by(Lot.id)):
        yield 1
        if count != received or highest != received:
            message = f"Lot {label} was received with {received} pieces, and {count} are on record."
            yield Fault("counts", "piece-count", label, message)
    said: dict[str, int] = {}
    for entry in _entries(session):
        for name, rows in _said_rows(entry).items():
            said[name] = said.get(name, 0) + rows
    for table in journal.written_tables():
        yield 1
        count = session.scalar(select(func.count()).select_from(table)) or 0
        expected = said.get(table.name, 0)
        if count != expected:
            message = f"The table {table.name} has {count} rows, and the journal says {expected}."
            yield Fault("counts", "row-count", table.name, message)
    # PostgreSQL never lets a row point at nothing; SQLite does for whoever switches its check off.
    if session.connection().dialect.name == "sqlite":
        for table_name, row, parent, _ in session.execute(text("PRAGMA foreign_key_check")):
            message = f"The {table_name} row {row} belongs to a {parent} row that is not there."
            yield Fault("counts", "row-dangling", f"{table_name} row {row}", message)


def _said_rows(entry: JournalEntry) -> dict[str, int]:
    rows = journal.body_of(entry).get("rows")
    if not isinstance(rows, dict):
        return {}
    counts = {table: said.get("count") if isinstance(said, dict) else None for table, said in rows.items()}
    return {table: count for table, count in counts.items() if isinstance(count, int)}


def _entries(session: Session) -> Iterator[JournalEntry]:
    yield from session.scalars(select(JournalEntry).order_by(JournalEntry.id).execution_options(yield_per=500))


def named_files(session: Session) -> dict[str, str]:
    """Return every evidence file that the journal or a row names: its digest, and who names it."""
    named: dict[str, str] = {}
    for entry in _entries(session):
        files = journal.body_of(entry).get("files")
        for sha256 in files if isinstance(files, dict) else ():
            named.setdefault(str(sha256), f"journal entry {entry.id}")
    lots = select(Document.sha256, Document.name, Lot.label).join(Lot, Lot.id == Document.lot_id)
    photos = select(Photo.sha256, Photo.name, Lot.label).join(Lot, Lot.id == Photo.lot_id)
    for query, kind in ((lots, "document"), (photos, "photo")):
        for sha256, name, label in session.execute(query):
            named[sha256] = f"{kind} {name} of {label}"
    overlays = select(Inspection.overlay_sha256, Piece.label).join(Piece, Piece.id == Inspection.piece_id)
    for overlay, label in session.execute(overlays.where(Inspection.overlay_sha256.is_not(None))):
        named[str(overlay)] = f"annotated picture of {label}"
    return named


def _completeness(workspace: Workspace, session: Session, named: dict[str, str]) -> Iterator[Fault | int]:
    there = set(workspace.store.all())
    for sha256, who in sorted(named.items()):
        yield 1
        if sha256 not in there and not workspace.store.has(sha256):
            yield Fault("completeness", "file-missing", sha256, _missing(who, sha256))
    suspects = sorted(there - named.keys()) + sorted(workspace.store.strays())
    for name in orphans(workspace, suspects):
        yield Fault(
            "completeness",
            "file-orphaned",
            name,
            f"The evidence file {name} belongs to no entry; an interrupted act may have left it. "
            "`lotproof tidy` removes it.",
        )


def _spooled(workspace: Workspace, named: dict[str, str]) -> tuple[Notice, ...]:
    return tuple(Notice("readings-spooled", one.name, one.sentence) for one in spools.look(workspace.folder, named))


def _work_left(workspace: Workspace) -> tuple[Notice, ...]:
    try:
        return tuple(Notice("work-left", one.name, one.sentence) for one in task_leftovers.look(workspace.folder))
    except Damaged as error:  # the list is no part of the records
        return (Notice("work-list-damaged", "work", str(error)),)


def _missing(who: str, sha256: str) -> str:
    return f"The file of {who} ({sha256[:16]}...) is missing from the evidence."


def orphans(workspace: Workspace, suspects: Sequence[str]) -> list[str]:
    """Return those of `suspects` that no entry names, once every act under way has ended."""
    if not suspects:
        return []
    # An act keeps its files before it commits: only while nobody else writes is a nameless file an orphan.
    with workspace.act("verify", "verify", "", closed=True) as act:
        named = named_files(act.session)
        there = {*workspace.store.all(), *workspace.store.strays()}
        return [name for name in suspects if name in there and name not in named]


def _hashes(store: EvidenceStore, named: dict[str, str]) -> Iterator[Fault | int]:
    for sha256, who in sorted(named.items()):
        try:
            found, size = store.digest(sha256)
        except Unreachable:
            raise  # no file of the store can be had: nothing is known of any
        except (Damaged, BadRequest):
            continue  # named as missing on the rung before
        except OSError as error:
            message = f"The file of {who} cannot be read ({error.strerror or error})."
            yield Fault("hashes", "file-unreadable", sha256, message)
            continue
        yield 1
        if found != sha256:
            message = f"The file of {who} ({sha256[:16]}...) has changed: it now has {size} bytes and another SHA-256."
            yield Fault("hashes", "file-changed", sha256, message)


def _chain(session: Session, noted: str | None) -> Iterator[Fault | int]:
    seen = noted is None or set(noted) == {"0"}

    def entries() -> Iterator[JournalEntry]:
        nonlocal seen
        for entry in _entries(session):
            seen = seen or (noted is not None and entry.hash.startswith(noted))
            yield entry

    for broken in journal.verify_chain(entries()):
        yield Fault("chain", broken.code, f"entry {broken.entry}", broken.message)
    yield session.scalar(select(func.count()).select_from(JournalEntry)) or 0
    if not seen and noted is not None:
        message = f"The journal does not contain the head {noted} any more: entries were removed or rewritten."
        yield Fault("chain", "head-missing", noted, message)


def _rows(session: Session) -> Iterator[Fault | int]:
    for found in check_rows(session):
        yield found if isinstance(found, int) else Fault("rows", found.code, found.subject, found.message)
    yield from standing_check.check(session)


def tidy(workspace: Workspace, *, spool: bool = False, work: bool = False, operator: str | None = None) -> Tidied:
    """Remove evidence files that belong to no entry; the removal is journaled.

    What is kept beside the records for lists is made anew where it differs from them. Nothing else is touched.

    Parameters
    ----------
    spool : bool
        Also remove readings of runs that were never recorded, where no bench can still be at work on them.
    work : bool
        Also remove photos that were handed in and not recorded, and files that were made, where nobody can still need
        them.
    """
    with workspace.act(operator, "tidy", "") as act:
        named = named_files(act.session)
        there = [*(name for name in workspace.store.all() if name not in named), *workspace.store.strays()]
        for name in there:
            workspace.store.remove(name)
        cleared = _clear_spool(workspace, named) if spool else Tidied(())
        worked = _clear_work(workspace) if work else Tidied(())
        removed = (*there, *cleared.removed, *worked.removed)
        if removed:
            act.subject = "evidence" if there else removed[0].partition("/")[0]
            act.body["removed"] = list(removed)
        return Tidied(removed, (*cleared.left, *worked.left), standing_check.mend(act.session))


def _clear_spool(workspace: Workspace, named: dict[str, str]) -> Tidied:
    removed, left = [], []
    now = datetime.now(UTC)
    for one in spools.look(workspace.folder, named):
        if not one.removable(now):
            why = f"{one.name} was written to in the last {spools.QUIET.days} days: a bench may be at work on it."
            left.append(Notice("readings-recent", one.name, why))
        elif spools.discard(one.path):
            removed.append(one.name)
        else:
            left.append(Notice("not-removed", one.name, f"{one.name} cannot be removed; check the permissions."))
    return Tidied(tuple(removed), tuple(left))


def _clear_work(workspace: Workspace) -> Tidied:
    removed, left = [], []
    now = datetime.now(UTC)
    for one in task_leftovers.look(workspace.folder):
        if one.wanted:
            left.append(Notice("work-wanted", one.name, one.sentence))
        elif not one.removable(now):
            why = f"{one.name} was written to in the last {task_leftovers.QUIET.days} days: somebody may need it."
            left.append(Notice("work-recent", one.name, why))
        elif task_leftovers.discard(one):
            removed.append(one.name)
        else:
            left.append(Notice("not-removed", one.name, f"{one.name} cannot be removed; check the permissions."))
    return Tidied(tuple(removed), tuple(left))
