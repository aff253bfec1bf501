"""A backup put back: everything in it is hashed before anything is written, and once more where it then lies."""

import shutil
import tarfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import Connection, Engine

from tracker.desk import backup_manifest
from tracker.desk.backup_manifest import EVIDENCE, LIST, MANIFEST, RECORDS, Manifest
from tracker.desk.carry import Carried, target
from tracker.desk.carry_rows import Tell, quietly, same
from tracker.disk import make_folder, unfinished
from tracker.errors import BadRequest, Damaged
from tracker.evidence import EvidenceStore
from tracker.records import schema
from tracker.records.session import explained, frozen_sqlite_engine, read_transaction, sqlite_engine


@dataclass(frozen=True, slots=True)
class Restored:
    """Where a backup was put; `records` is without a password."""

    folder: Path
    records: str
    evidence: str
    manifest: Manifest
    carried: Carried


def restore(
    backup: Path,
    folder: Path,
    *,
    records: str | None = None,
    evidence: str | None = None,
    endpoint: str | None = None,
    tell: Tell = quietly,
) -> Restored:
    """Make a workspace of a backup; or go on where that was broken off.

    Parameters are those of `tracker.desk.move.move`.

    Raises
    ------
    BadRequest
        When it is no backup, or there is something else at the new place.
    Damaged
        When the backup is not as it was made.
    """
    with _unpacked(backup.expanduser().absolute(), folder.expanduser().absolute()) as there:
        manifest = backup_manifest.read(there)
        if not manifest.revision <= schema.HEAD:
            raise BadRequest(
                f"This backup was made by a newer Lotproof (records at {manifest.revision}, known here up to "
                f"{schema.HEAD}).",
                "Update Lotproof: pip install --upgrade lotproof",
            )
        backup_manifest.check(there, manifest, tell)
        with target(folder, records, evidence, endpoint) as to:
            if to.finished:
                raise BadRequest(f"There is a workspace in {to.url} already.", "Name a new place. Nothing was changed.")
            with explained(str(there)), _opened(there / RECORDS, manifest, to.place.folder) as connection:
                to.begin(connection)
                carried = to.take(connection, EvidenceStore(str(there / EVIDENCE)), tell)
            if manifest.revision == schema.HEAD:
                same(manifest.tables, carried.tables, str(there / RECORDS))
            if carried.head != manifest.head:
                raise Damaged(f"{there} does not hold the journal that it names.", "It was not put to use.")
            to.put_to_use("", None)
            to.describe()
            return Restored(to.place.folder, to.url, to.place.evidence_url, manifest, carried)


@contextmanager
def _opened(records: Path, manifest: Manifest, beside: Path) -> Iterator[Connection]:
    """Give the records of a backup for reading, as the schema of today has them; the backup stays as it is.

    Older ones are brought up to date in a copy beside where they are to go: there is room for them, unlike in a folder
    for temporary files.
    """
    if manifest.revision == schema.HEAD:
        with _reading(frozen_sqlite_engine(records)) as connection:
            yield connection
        return
    make_folder(beside.parent)
    with unfinished(beside) as work:
        work.mkdir()
        shutil.copyfile(records, work / RECORDS)
        engine = sqlite_engine(work / RECORDS)
        schema.bring_up_to_date(engine)
        with _reading(engine) as connection:
            yield connection


@contextmanager
def _reading(engine: Engine) -> Iterator[Connection]:
    try:
        with read_transaction(engine) as connection:
            yield connection
    finally:
        engine.dispose()


@contextmanager
def _unpacked(backup: Path, beside: Path) -> Iterator[Path]:
    """Give a backup as a folder; one file is unpacked beside where it is to go, and what was unpacked goes again."""
    if not backup.exists():
        raise BadRequest(f"There is no backup {backup}.", "Check its path.")
    if backup.is_dir():
        yield backup
        return
    try:
        beside.parent.mkdir(parents=True, exist_ok=True)
        with unfinished(beside) as folder:
            folder.mkdir()
            with tarfile.open(backup, "r:") as tar:
                tar.extractall(folder, members=_ours(tar, backup), filter="data")
            yield folder
    except tarfile.TarError as error:
        raise Damaged(f"{backup} cannot be unpacked ({error}).", "Take another backup.") from None
    except OSError as error:
        raise BadRequest(
            f"The backup {backup} cannot be restored ({error.strerror or error}).", "It was not put to use."
        ) from None


def _ours(tar: tarfile.TarFile, backup: Path) -> Iterator[tarfile.TarInfo]:
    for one in tar:
        if not one.isfile() or not (one.name in (MANIFEST, LIST, RECORDS) or one.name.startswith(f"{EVIDENCE}/")):
            raise BadRequest(f"{backup} is no backup: it holds {one.name[:100]!r}.", "Name the backup itself.")
        yield one
