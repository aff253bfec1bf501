"""A backup: one moment of the records, every file they name, and a manifest with the digest of each.

The records are copied first and tell which files belong to them. Evidence is never changed and only removed where no
entry names it, so nobody needs to wait while it is copied.
"""

import os
import sqlite3
import tarfile
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import chain
from pathlib import Path

from sqlalchemy import Engine
from sqlalchemy.orm import Session

from tracker import __version__, journal, journal_check
from tracker.desk import backup_manifest
from tracker.desk.backup_manifest import EVIDENCE, LIST, MANIFEST, RECORDS, Manifest
from tracker.desk.carry_files import check_files, copy_files, files_on_record
from tracker.desk.carry_rows import Tell, copy_rows, quietly, same, table_sums
from tracker.desk.journal_walk import blocks
from tracker.desk.workspace import Workspace
from tracker.disk import put_in_place, sync_folder, unfinished
from tracker.errors import BadRequest, Damaged
from tracker.evidence import EvidenceStore
from tracker.records import schema
from tracker.records.session import read_transaction, sqlite_engine, write_transaction

TAR = ".tar"


@dataclass(frozen=True, slots=True)
class BackedUp:
    """A backup that was made; `linked` counts files shared with an earlier one, `left_out` says what it lacks."""

    path: Path
    manifest: Manifest
    linked: int
    left_out: tuple[str, ...]


def backup(workspace: Workspace, to: Path, *, since: Path | None = None, tell: Tell = quietly) -> BackedUp:
    """Write a backup into a new folder, or a new file in .tar.

    Parameters
    ----------
    since : Path, optional
        An earlier backup (a folder): files it holds are linked where the disk allows it, or copied from there.

    Raises
    ------
    BadRequest
        When something of that name is there, or it cannot be written.
    Damaged
        When the workspace is not as it was recorded; `verify` gives the whole list.
    """
    to = to.expanduser().absolute()
    if os.path.lexists(to):
        raise BadRequest(f"{to} is there already.", "A backup is never written over; name a new one.")
    if since is not None and since.is_file():
        raise BadRequest(f"{since} is one file, whose parts cannot be linked.", "Name a backup that is a folder.")
    if since is not None:
        backup_manifest.read(since)
    try:
        to.parent.mkdir(parents=True, exist_ok=True)
        with unfinished(to) as making:
            making.mkdir()
            manifest, linked = _fill(workspace, making, since, tell)
            if to.suffix == TAR:
                _pack(making, to, tell, manifest.files)
            else:
                put_in_place(making, to)
    except OSError as error:
        raise BadRequest(
            f"The backup {to} cannot be written ({error.strerror or error}).", "No backup was made."
        ) from None
    return BackedUp(to, manifest, linked, backup_manifest.LEFT_OUT)


def _fill(workspace: Workspace, folder: Path, since: Path | None, tell: Tell) -> tuple[Manifest, int]:
    records = folder / RECORDS
    with workspace.read() as session:
        tell("Copying records", 0, 1)
        copy = _records(session, records, tell)
        try:
            with read_transaction(copy) as connection, Session(bind=connection) as copied:
                head, named, revision = journal.head(copied), files_on_record(copied), schema.revision(connection)
                _chain_holds(copied)
                sums = table_sums(connection, "Checking records", tell)
            if session.connection().dialect.name != "sqlite":  # a copy of the file itself needs no second look
                same(table_sums(session.connection(), "Reading records", tell), sums, str(records))
        finally:
            copy.dispose()
    _settle(records)
    store = EvidenceStore(str(folder / EVIDENCE))
    linked = 0 if since is None else _link(since, folder, named)
    copy_files(workspace.store, store, named, tell)
    check_files(store, named, tell, "" if since is None else f"Where it came from {since}: leave --since out.")
    (folder / LIST).write_text(backup_manifest.listed(named), encoding="utf-8")
    made_at = datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
    manifest = Manifest(
        made_at,
        __version__,
        str(revision),
        workspace.url,
        head,
        sums,
        backup_manifest.digest(records),
        backup_manifest.digest(folder / LIST),
        len(named),
        sum(named.values()),
    )
    (folder / MANIFEST).write_text(manifest.text(), encoding="utf-8")
    for name in (RECORDS, LIST, MANIFEST):
        _sync(folder / name)
    sync_folder(folder)
    return manifest, linked


def _records(session: Session, path: Path, tell: Tell) -> Engine:
    """Copy the records as this session sees them into a SQLite file."""
    source = session.connection()
    if source.dialect.name == "sqlite":
        raw = source.connection.driver_connection
        assert isinstance(raw, sqlite3.Connection)
        with sqlite3.connect(path) as copy:
            raw.backup(copy)
        copy.close()
        return sqlite_engine(path)
    engine = sqlite_engine(path, create=True)
    try:
        schema.begin_unfinished(engine)
        copy_rows(source, engine, tell)
        with write_transaction(engine) as connection:
            schema.end_unfinished(connection)
    except BaseException:
        engine.dispose()
        raise
    return engine


def _chain_holds(session: Session) -> None:
    for broken in journal_check.verify_chain(chain.from_iterable(blocks(session))):
        raise Damaged(broken.message, "No backup was made. `lotproof verify` gives the whole list.")


def _settle(path: Path) -> None:
    """Let the file stand alone: without a write-ahead log beside it."""
    connection = sqlite3.connect(path)
    try:
        connection.execute("PRAGMA journal_mode=DELETE")
    finally:
        connection.close()


def _link(since: Path, folder: Path, named: dict[str, int]) -> int:
    """Take over files from an earlier backup without copying them; what cannot be linked is copied later."""
    linked = 0
    for sha256 in named:
        there, here = (one / EVIDENCE / sha256[:2] / sha256 for one in (since, folder))
        if there.is_file() and not there.is_symlink():
            here.parent.mkdir(parents=True, exist_ok=True)
            with suppress(OSError):
                os.link(there, here)
                linked += 1
    return linked


def _pack(folder: Path, to: Path, tell: Tell, files: int) -> None:
    """Write a folder as one file; the manifest comes first, so that it can be looked at quickly."""
    with unfinished(to) as making:
        names = [
            MANIFEST,
            LIST,
            RECORDS,
            *sorted(str(one.relative_to(folder)) for one in folder.glob(f"{EVIDENCE}/*/*")),
        ]
        with tarfile.open(making, "x", format=tarfile.PAX_FORMAT) as tar:
            for done, name in enumerate(names):
                tar.add(folder / name, arcname=name)
                tell("Packing", done, files)
        _sync(making)
        put_in_place(making, to)


def _sync(path: Path) -> None:
    with path.open("rb") as file:
        os.fsync(file.fileno())
