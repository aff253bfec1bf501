"""Moving a workspace: its records and its evidence to another place, nothing left out, the old place left whole.

1. Evidence is copied while everybody goes on working.
2. A journal entry 'move-out' closes the old place: from then on every act there is refused with the new address.
3. The rest is copied, all of it is held against the source, every file is hashed at the new place.
4. A journal entry 'move-in' at the new place says what came; only then can it be opened.

So both journals are the same up to 'move-out', and each says where the other is. Every step can be broken off and is
taken up again by the same command. 'reopen' at the old place takes the closing back.
"""

from dataclasses import asdict, dataclass
from pathlib import Path

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracker import journal
from tracker.desk import spool as spools
from tracker.desk import task_leftovers
from tracker.desk.carry import Carried, Target, target
from tracker.desk.carry_files import copy_files, files_on_record
from tracker.desk.carry_rows import TableSum, Tell, quietly
from tracker.desk.moved import MOVE_IN, MOVE_OUT, REOPEN, closed_by
from tracker.desk.workspace import Workspace, operator_name
from tracker.errors import BadRequest
from tracker.records.models import JournalEntry
from tracker.records.session import place_of, postgres_url, read_transaction


@dataclass(frozen=True, slots=True)
class Moved:
    """Where a workspace went.

    Attributes
    ----------
    folder : Path
    records, evidence : str
        The new addresses, without a password.
    endpoint : str or None
        Where the bucket's store answers, as the new settings say it.
    carried : Carried
    password : bool
        The database's address had a password, which the new settings do not hold.
    spooled : int
        Tables of readings that no run recorded, which stay in the old folder.
    """

    folder: Path
    records: str
    evidence: str
    endpoint: str | None
    carried: Carried
    password: bool
    spooled: int = 0


def move(
    workspace: Workspace,
    folder: Path,
    *,
    records: str | None = None,
    evidence: str | None = None,
    endpoint: str | None = None,
    operator: str | None = None,
    tell: Tell = quietly,
) -> Moved:
    """Carry a workspace to another place and close it here; or go on with a move that was broken off.

    Parameters
    ----------
    folder : Path
        The new workspace's: new, empty, or that of the same move, broken off.
    records : str, optional
        The address of a PostgreSQL database; None: a file in the folder.
    evidence : str, optional
        The address of a bucket or another store; None: in the folder.
    endpoint : str, optional
        Where the bucket's store answers; it is written into the new settings.
    tell : callable
        Is told how far it has come.

    Raises
    ------
    BadRequest
        When something else is there, photos still wait to be looked at, or a move to another place was begun.
    Damaged
        When a file of the source is missing or has changed, or the copy is not what it was made from.
    """
    who = operator_name(operator)
    if folder.expanduser().absolute() == workspace.folder.absolute():
        raise BadRequest(f"{folder} is this very workspace.", "Name another folder; it may be on the same disk.")
    with target(folder, records, evidence, endpoint) as there:
        to = {"folder": str(there.place.folder), "records": there.url, "evidence": there.place.evidence_url}
        if place_of(to["records"]) == place_of(workspace.url) or there.store.place == workspace.store.place:
            raise BadRequest("This workspace lies there already.", "Name a new database and a new place for evidence.")
        if there.finished:
            return _finished(workspace, there, to)
        begun = _begin(workspace, there, to)
        if not begun:
            _copy_ahead(workspace, there, tell)
            with workspace.act(who, MOVE_OUT, "workspace") as act:
                _nothing_waits(workspace)  # what was handed in meanwhile
                act.body["to"] = to
        with workspace.read() as session:
            carried = there.take(session.connection(), workspace.store, tell)
        _still_closed(workspace, to)
        came = {"folder": str(workspace.folder), "records": workspace.url, "evidence": workspace.store.url}
        there.put_to_use(who, {"from": came, "copied": asdict(carried), "rows": {}, "files": {}})
        there.describe()
        return _moved(workspace, there, carried)


def reopen(workspace: Workspace, *, operator: str | None = None) -> dict[str, str]:
    """Let a workspace that moved, or began to, be written to again; return where it went.

    What was recorded at the new place meanwhile is not here: from now on there are two workspaces.

    Raises
    ------
    BadRequest
        When it has not moved.
    """
    with workspace.act(operator, REOPEN, "workspace", closed=True) as act:
        went = closed_by(act.session)
        if went is None:
            raise BadRequest("This workspace has not moved; it can be written to.", "Nothing was changed.")
        act.body["went"] = went
    return went


def _begin(workspace: Workspace, there: Target, to: dict[str, str]) -> bool:
    """Make sure that this move may be begun, or gone on with; return whether the workspace is closed already."""
    with workspace.read() as session:
        begun = closed_by(session)
        if begun is None:
            _nothing_waits(workspace)
        elif begun != to:
            raise BadRequest(
                f"This workspace is on its way to {begun['folder']} (records in {begun['records']}, evidence in "
                f"{begun['evidence']}).",
                "Name that place again to go on; or run `lotproof workspace reopen` first.",
            )
        there.begin(session.connection())
    return begun is not None


def _still_closed(workspace: Workspace, to: dict[str, str]) -> None:
    with workspace.read() as session:
        if closed_by(session) != to:
            raise BadRequest(
                "This workspace was opened again while it was copied.", "Run the same command again to move it all."
            )


def _copy_ahead(workspace: Workspace, there: Target, tell: Tell) -> None:
    """Copy most of the evidence while others still work here; what is damaged comes to light before anything closes."""
    with workspace.read() as session:
        named = files_on_record(session)
    copy_files(workspace.store, there.store, named, tell)


def _nothing_waits(workspace: Workspace) -> None:
    waiting = [one.name for one in task_leftovers.look(workspace.folder) if one.wanted]
    if waiting:
        raise BadRequest(
            f"The work list of this workspace is not done ({waiting[0]}), and it stays in this folder.",
            "Let `lotproof serve` finish it, or give the work up on the page 'Work'; then move.",
        )


def _finished(workspace: Workspace, there: Target, to: dict[str, str]) -> Moved:
    """Take up a move that was broken off after its last entry; one that is done has nothing left to do."""
    newest = select(JournalEntry).where(JournalEntry.act == MOVE_IN).order_by(JournalEntry.id.desc()).limit(1)
    with workspace.read() as session, read_transaction(there.engine) as connection, Session(connection) as other:
        out, entry = journal.head(session), other.scalars(newest).first()
        if closed_by(session) != to or entry is None or entry.previous_hash != out.hash:
            raise BadRequest(
                f"There is a workspace in {to['records']} already.", "Name a new place. Nothing was changed there."
            )
        said = journal.body_of(entry)["copied"]
    there.describe()
    sums = {name: TableSum(one["rows"], one["sha256"]) for name, one in said["tables"].items()}
    return _moved(workspace, there, Carried(out, sums, said["files"], said["size_bytes"]))


def _moved(workspace: Workspace, there: Target, carried: Carried) -> Moved:
    place = there.place
    password = place.database is not None and bool(postgres_url(place.database).password)
    left = len(spools.left_over(workspace.folder))
    return Moved(place.folder, there.url, place.evidence_url, place.endpoint, carried, password, left)
