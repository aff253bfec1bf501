"""Is everything still as it was recorded? Checked in named rungs; every fault is collected, nothing is repaired.

The rungs, in order: *structure* (the database is sound and has our tables), *counts* (as many pieces as a lot received,
as many rows as the journal says), *completeness* (every file that was kept is there, and every file that is there was
kept), *hashes* (every file has the bytes it had), *chain* (the journal's entries follow from each other), *signatures*
(every entry is signed since the first that was), *rows* (every row is the one its entry wrote).

The journal is read once, for counts, files, chain, signatures and rows together (`tracker/desk/journal_walk.py`); the
report is in order of the rungs all the same. A check that is broken off can be gone on with
(`tracker/desk/verify_state.py`): what it then says of what came before the break was so at that moment.

Readings in the spool and photos in the work folder are no fault but a notice: work on them may be going on at this
moment, nothing was recorded of them, and so nothing recorded can be wrong with them.
"""

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from sqlalchemy import func, inspect, select, text
from sqlalchemy.exc import DatabaseError
from sqlalchemy.orm import Session

from tracker import journal, journal_check
from tracker.desk import keys, standing_check, task_leftovers, verify_state
from tracker.desk import spool as spools
from tracker.desk.evidence_check import Named, check_bytes, missing, name_from_entries, name_from_rows, named_files
from tracker.desk.fault import Fault, Notice
from tracker.desk.found import Found
from tracker.desk.journal_walk import MANY, walk
from tracker.desk.moved import came_from
from tracker.desk.workspace import Workspace
from tracker.errors import BadRequest, Damaged
from tracker.records.models import Base, JournalEntry, Lot, Piece

RUNGS = ("structure", "counts", "completeness", "hashes", "chain", "signatures", "rows")
FURTHER: tuple[Callable[[Session], Iterator[Fault | int]], ...] = (standing_check.check,)
"""Checks of what is made from the records, such as tables that only save time; they belong to the last rung."""
Progress = Callable[[int, int], None]
"""Hears how many entries and files are done, of how many."""


@dataclass(frozen=True, slots=True)
class Rung:
    """One rung: how many things were checked and how many faults were found."""

    name: str
    checked: int
    faults: int


@dataclass(frozen=True, slots=True)
class Report:
    """What `verify` found. `reached` is the last rung that could be checked to its end."""

    rungs: tuple[Rung, ...]
    reached: str | None
    faults: tuple[Fault, ...]
    fault_count: int
    head: journal.Head
    notices: tuple[Notice, ...] = ()
    keys: tuple[journal_check.KeySeen, ...] = ()

    @property
    def sound(self) -> bool:
        """True when every rung was reached and nothing was found."""
        return self.reached == RUNGS[-1] and not self.fault_count


@dataclass(slots=True)
class _Check:
    """One check under way: what it found, rung by rung, and whom it tells how far it came."""

    workspace: Workspace
    session: Session
    progress: Progress
    rungs: dict[str, Found] = field(default_factory=dict)
    notices: list[Notice] = field(default_factory=list)
    keys: tuple[journal_check.KeySeen, ...] = ()
    head: journal.Head = field(default_factory=lambda: journal.Head(0, journal.FIRST_PREVIOUS))

    def rung(self, name: str) -> Found:
        """Return what is found on a rung."""
        return self.rungs.setdefault(name, Found())

    def report(self, reached: str | None) -> Report:
        """Return all of it, the rungs in their order."""
        rungs = [(name, self.rungs[name]) for name in RUNGS if name in self.rungs]
        whole = Found()
        for _, found in rungs:
            whole.add(found)
        told = tuple(Rung(name, found.checked, found.count) for name, found in rungs)
        return Report(told, reached, tuple(whole.faults), whole.count, self.head, tuple(self.notices), self.keys)


def _quiet(done: int, total: int) -> None:
    """Tell nobody."""


def verify(
    workspace: Workspace, *, against: str | None = None, resume: bool = False, progress: Progress = _quiet
) -> Report:
    """Check the whole workspace.

    Parameters
    ----------
    against : str, optional
        A head's hash noted earlier (at least its first 12 characters): the journal must still contain it. Without it,
        the removal of the very last entries together with all they wrote cannot be seen.
    resume : bool
        Go on with a check that was broken off; a notice in the report says so.
    progress : callable
        Hears how many entries and files are done, of how many.

    Raises
    ------
    BadRequest
        When `against` is no hash, or there is nothing to go on with.
    """
    noted = _hash(against) if against is not None else None
    # Before the records are looked at: an act that ends meanwhile is remembered, and not among what we see.
    memories = keys.remembered()
    with workspace.read() as session:
        check = _Check(workspace, session, progress)
        try:
            check.rung("structure").take(_structure(session))
            if check.rungs["structure"].count:
                return check.report(None)
            check.head = journal.head(session)
            begin = verify_state.gone_on if resume else verify_state.begun
            state = begin(workspace, session, noted)
            _records_and_files(check, state, resume)
            _remembered(check, keys.concerning(memories, workspace.url, came_from(session)))
        except DatabaseError as error:
            return _unreadable(check, error)
    return check.report(RUNGS[-1])


def _unreadable(check: _Check, error: DatabaseError) -> Report:
    """Return what was found before the records could not be read any further: only what was checked to its end."""
    reached = "structure" if check.rungs.get("structure", Found()).checked and len(check.rungs) > 1 else None
    rung = "structure" if reached is None else "counts"
    check.rungs = {name: found for name, found in check.rungs.items() if name in ("structure", rung)}
    said = str(error.orig).splitlines()[0]
    check.rung(rung).take([Fault(rung, "unreadable", "records", f"The records cannot be read ({said}).")])
    return check.report(reached)


def _records_and_files(check: _Check, state: verify_state.State, resumed: bool) -> None:
    """Walk over the journal, then look at the files, from where `state` stands to the end."""
    session, workspace = check.session, check.workspace
    keeper, done = verify_state.Keeper(workspace), state.walk
    check.rung("counts").take(_lot_counts(session))
    entries = session.scalar(select(func.count()).select_from(JournalEntry)) or 0
    named = Named()
    if resumed:
        check.notices.append(_resumed(state))
        name_from_entries(session, named.first, done.chain.number)
    done.named = named.first

    def walked(_: object) -> None:
        check.progress(done.links.checked, entries + len(named))
        keeper.note(state)

    noted = None if state.against is None or set(state.against) == {"0"} else state.against
    rows = walk(session, done, noted, entries - done.links.checked > MANY, walked)
    name_from_rows(session, named.first)
    _after_the_walk(check, state, rows, noted)
    check.rung("counts").take(_row_counts(session, done.said))
    check.notices += (*_spooled(workspace, named), *_work_left(workspace))
    _files(check, state, named, keeper)
    keeper.over()


def _after_the_walk(check: _Check, state: verify_state.State, rows: Found, noted: str | None) -> None:
    done = state.walk
    check.rungs |= {"chain": done.links, "signatures": done.signed, "rows": rows}
    if noted is not None and not done.noted_seen:
        message = f"The journal does not contain the head {noted} any more: entries were removed or rewritten."
        done.links.take([Fault("chain", "head-missing", noted, message)])
    check.keys = tuple(done.signatures.keys.values())
    check.notices += done.notices
    if done.unsigned:
        what = "Journal entry 1 is" if done.unsigned == 1 else f"Journal entries 1 to {done.unsigned} are"
        said = f"{what} from before the journal was signed."
        check.notices.append(Notice("before-signing", f"entry {done.unsigned}", said))
    if not rows.count:  # what is made from records that were changed cannot be held against them
        for further in FURTHER:
            rows.take(further(check.session))


def _files(check: _Check, state: verify_state.State, named: Named, keeper: verify_state.Keeper) -> None:
    """Look whether each file is there and what it was; files that an earlier part hashed are not hashed again."""
    store = check.workspace.store
    there = set(store.all())
    complete = check.rung("completeness")
    complete.add(missing(check.session, store, named, there))
    suspects = sorted(one for one in there if one not in named) + sorted(store.strays())
    del there
    complete.take(_orphaned(name) for name in orphans(check.workspace, suspects))
    fresh = sorted(
        one.hex() for one, entry in named.first.items() if one.hex() > state.upto or not 0 < entry <= state.known
    )
    check.rungs["hashes"] = state.hashes
    entries, hashed = state.walk.links.checked, len(named) - len(fresh)
    state.known = state.known or state.walk.chain.number

    def looked(sha256: str) -> None:
        nonlocal hashed
        hashed += 1
        state.upto = max(state.upto, sha256)
        check.progress(entries + hashed, entries + len(named))
        keeper.note(state)

    check_bytes(check.session, store, named, fresh, state.hashes, looked)


def _resumed(state: verify_state.State) -> Notice:
    message = (
        f"This check went on with one begun at {state.began}: entries 1 to {state.walk.chain.number} and "
        f"{state.hashes.checked} files were looked at before the break, and what was changed there since is not seen."
    )
    return Notice("resumed", "check", message)


def _remembered(check: _Check, memories: Sequence[keys.Memory]) -> None:
    """Hold the journal against what this bench remembers of it."""
    found = check.rung("signatures")
    for memory in memories:
        found.checked += 1
        entry = memory.head.entry
        if not journal.holds(check.session, memory.head):
            message = (
                f"This bench signed entry {entry} ({memory.head.hash[:16]}...) here, and the journal does not hold it "
                "any more: entries were removed or written anew, or an older backup was put back."
            )
            found.take([Fault("signatures", "signed-entry-missing", f"entry {entry}", message)])


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


def _lot_counts(session: Session) -> Iterator[Fault | int]:
    """As many pieces as a lot received."""
    pieces = func.count(Piece.id)
    query = select(Lot.label, Lot.quantity_received, pieces, func.max(Piece.number)).outerjoin(Piece).group_by(Lot.id)
    for label, received, count, highest in session.execute(query.order_by(Lot.id)):
        yield 1
        if count != received or highest != received:
            message = f"Lot {label} was received with {received} pieces, and {count} are on record."
            yield Fault("counts", "piece-count", label, message)


def _row_counts(session: Session, said: Mapping[str, int]) -> Iterator[Fault | int]:
    """As many rows as the journal says, and none that belongs to nothing."""
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


def _orphaned(name: str) -> Fault:
    message = (
        f"The evidence file {name} belongs to no entry; an interrupted act may have left it. "
        "`lotproof tidy` removes it."
    )
    return Fault("completeness", "file-orphaned", name, message)


def _spooled(workspace: Workspace, named: Named) -> tuple[Notice, ...]:
    return tuple(Notice("readings-spooled", one.name, one.sentence) for one in spools.look(workspace.folder, named))


def _work_left(workspace: Workspace) -> tuple[Notice, ...]:
    try:
        return tuple(Notice("work-left", one.name, one.sentence) for one in task_leftovers.look(workspace.folder))
    except Damaged as error:  # the list is no part of the records
        return (Notice("work-list-damaged", "work", str(error)),)


def orphans(workspace: Workspace, suspects: Sequence[str]) -> list[str]:
    """Return those of `suspects` that no entry names, once every act under way has ended."""
    if not suspects:
        return []
    # An act keeps its files before it commits: only while nobody else writes is a nameless file an orphan.
    with workspace.act("verify", "verify", "", closed=True) as act:
        named = named_files(act.session)
        there = {*workspace.store.all(), *workspace.store.strays()}
        return [name for name in suspects if name in there and name not in named]
