"""Provenance and tables on their own, outside a bag."""

import os
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from tracker import disk
from tracker.desk.export_bag import story_of
from tracker.desk.export_gather import gather
from tracker.desk.export_tables import TABLES
from tracker.desk.fields import one_line
from tracker.desk.pieces import find_lot
from tracker.desk.workspace import Workspace
from tracker.dossier import provenance, tables
from tracker.errors import BadRequest

ALL = "all"


@dataclass(frozen=True, slots=True)
class ProvenanceWritten:
    """A PROV-JSON file, and how much it tells."""

    lot: str
    file: Path
    entities: int
    activities: int
    agents: int


@dataclass(frozen=True, slots=True)
class TablesWritten:
    """A folder of CSV files, and how many rows each has."""

    subject: str
    folder: Path
    rows: dict[str, int]


def export_provenance(
    workspace: Workspace, label: str, to: Path, *, organization: str | None = None, now: datetime | None = None
) -> ProvenanceWritten:
    """Write who did what to which piece of a lot, as PROV-JSON.

    Raises
    ------
    BadRequest
        When there is no such lot, the file is there already, or it cannot be written.
    """
    ours = None if organization is None else one_line(organization, "organization")
    at = (now or datetime.now(UTC)).astimezone(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
    with workspace.read() as session:
        whole = gather(session, find_lot(session, label))
    told = provenance.document(story_of(whole, at, ours))
    target = to.expanduser().absolute()
    try:
        _refuse(target)
        disk.make_folder(target.parent)
        with disk.unfinished(target) as temporary:
            with temporary.open("x", encoding="utf-8") as file:
                file.write(provenance.as_json(told))
                file.flush()
                os.fsync(file.fileno())
            disk.put_in_place(temporary, target)
    except OSError as error:
        raise _unwritable(target, error) from None
    kinds = [record.get_type().localpart for record in told.get_records()]
    return ProvenanceWritten(whole.lot, target, kinds.count("Entity"), kinds.count("Activity"), kinds.count("Agent"))


def export_tables(workspace: Workspace, label: str, to: Path) -> TablesWritten:
    """Write pieces, readings, runs and samples of a lot, or of `all`, as CSV into a new folder.

    Raises
    ------
    BadRequest
        When there is no such lot, the folder is there already, or it cannot be written.
    """
    target = to.expanduser().absolute()
    with workspace.read() as session:
        lot = None if label.strip().lower() == ALL else find_lot(session, label)
        try:
            _refuse(target)
            disk.make_folder(target.parent)
            with disk.unfinished(target) as temporary:
                temporary.mkdir()
                rows = {}
                for name, (columns, of_lot) in TABLES.items():
                    with (temporary / f"{name}.csv").open("x", encoding="utf-8", newline="") as file:
                        rows[name] = tables.write(file, columns, of_lot(session, lot))
                        file.flush()
                        os.fsync(file.fileno())
                disk.sync_folder(temporary)
                disk.put_in_place(temporary, target)
        except OSError as error:
            raise _unwritable(target, error) from None
    return TablesWritten(ALL if lot is None else lot.label, target, rows)


def _refuse(target: Path) -> None:
    if os.path.lexists(target):
        raise BadRequest(f"{target} is there already.", "Name a new one with --to; nothing is written over.")


def _unwritable(target: Path, error: OSError) -> BadRequest:
    return BadRequest(f"{target} cannot be written ({error.strerror or error}).", "Name another with --to.")
