"""Backups: whole or not at all, checked before they are put back, never written over, and no more than they say."""

import io
import json
import shutil
import subprocess
import tarfile
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path

import pytest
from conftest import Lotproof
from killing import killed_at
from older_records import rows_of, write_at
from sqlalchemy import create_engine, text
from sqlalchemy.orm import Session
from stock import a_lot, arrival

from tracker import journal
from tracker.desk import backup as backups
from tracker.desk import backup_manifest
from tracker.desk.arrival import Paper
from tracker.desk.backup import backup
from tracker.desk.backup_manifest import MANIFEST, RECORDS
from tracker.desk.receive import receive
from tracker.desk.restore import restore
from tracker.desk.verify import verify
from tracker.desk.workspace import Workspace
from tracker.errors import BadRequest, Damaged, LotproofError
from tracker.records.session import frozen_sqlite_engine, read_transaction, sqlite_engine


@pytest.fixture
def stocked(workspace: Workspace, tmp_path: Path) -> Workspace:
    """Give a workspace, once on SQLite and once on PostgreSQL, with lots and their papers."""
    for number in range(3):
        (tmp_path / "paper").write_text(f"Invoice {number}")
        receive(workspace, [arrival(order=f"Q-{number}", documents=(Paper("invoice", tmp_path / "paper"),))])
    return workspace


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory, sqlite_template: Path) -> Path:
    """Give a backup of a small workspace; it is not to be changed."""
    folder = tmp_path_factory.mktemp("made")
    shutil.copytree(sqlite_template, folder / "w")
    with pytest.MonkeyPatch.context() as patch, Workspace.open(folder / "w") as workspace:
        patch.setenv("LOTPROOF_KEYS", str(folder / "keys"))
        (folder / "paper").write_text("Invoice")
        receive(workspace, [arrival(documents=(Paper("invoice", folder / "paper"),))])
        return backup(workspace, folder / "backup").path


def test_there_and_back(stocked: Workspace, tmp_path: Path, lotproof: Lotproof) -> None:
    ran = lotproof("workspace", "backup", "--to", tmp_path / "b", "--workspace", stocked.folder, "--json")
    assert ran.code == 0, ran.err
    head = verify(stocked).head
    assert (ran.json["files"], ran.json["head"]["hash"], ran.json["tables"]["piece"]["rows"]) == (3, head.hash, 9)
    # Anybody can check the files without us.
    sums = subprocess.run(["sha256sum", "--check", "--strict", "--quiet", "evidence.sha256"], cwd=tmp_path / "b")
    assert sums.returncode == 0
    a_lot(stocked, order="later")  # not in the backup
    ran = lotproof("workspace", "restore", tmp_path / "b", "--to", tmp_path / "again", "--json")
    assert ran.code == 0, ran.err
    with Workspace.open(tmp_path / "again") as restored:
        report = verify(restored, against=head.hash)
        assert (report.sound, report.head) == (True, head)
        assert a_lot(restored, order="now").lot == "L0004"
    assert [path.name for path in tmp_path.iterdir() if path.name.startswith(".")] == []


def test_nothing_passes_through_the_folder_for_temporary_files(
    made: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where a workspace fits, it may not fit into that folder, too."""
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path / "none"))
    before = {path: path.stat().st_mtime_ns for path in made.rglob("*")}
    restore(made, tmp_path / "w")
    assert {path: path.stat().st_mtime_ns for path in made.rglob("*")} == before
    assert sorted(path.name for path in tmp_path.iterdir()) == ["w"]


def test_a_backup_of_an_older_schema_is_brought_up_to_date_beside_the_target(
    made: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    old = Path(shutil.copytree(made, tmp_path / "old"))
    frozen = frozen_sqlite_engine(made / RECORDS)
    rows = rows_of(frozen)
    frozen.dispose()
    (old / RECORDS).unlink()
    engine = sqlite_engine(old / RECORDS, create=True)
    write_at(engine, "v0005", rows)
    with read_transaction(engine) as connection, Session(bind=connection) as session:
        head = journal.head(session)
    engine.dispose()
    backups._settle(old / RECORDS)
    was = json.loads((old / MANIFEST).read_text())
    of_then = {"revision": "v0005", "records_sha256": backup_manifest.digest(old / RECORDS), "head": asdict(head)}
    (old / MANIFEST).write_text(json.dumps({**was, **of_then}))
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path / "none"))
    restore(old, tmp_path / "w")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["old", "w"]
    assert backup_manifest.digest(old / RECORDS) == of_then["records_sha256"]
    assert sorted(path.name for path in old.iterdir()) == sorted(path.name for path in made.iterdir())
    with Workspace.open(tmp_path / "w") as workspace:
        report = verify(workspace)
        assert (report.sound, report.head) == (True, head)


@pytest.mark.sweep
def test_into_postgres_and_a_bucket_and_from_there(
    made: Path, tmp_path: Path, postgres_database: str, bucket: str
) -> None:
    restore(made, tmp_path / "shared", records=postgres_database, evidence=bucket)
    with Workspace.open(tmp_path / "shared") as shared:
        assert verify(shared).sound
        assert a_lot(shared).lot == "L0002"
        backup(shared, tmp_path / "b.tar")
        with pytest.raises(BadRequest, match="a workspace in"):
            restore(tmp_path / "b.tar", tmp_path / "other", records=postgres_database, evidence=bucket)
    done = restore(tmp_path / "b.tar", tmp_path / "back")
    with Workspace.open(tmp_path / "back") as back:
        assert verify(back).sound
    assert (done.carried.head.entry, done.carried.files) == (2, 1)


def test_a_backup_says_what_it_lacks_and_holds_no_password_or_key(
    made: Path, lotproof: Lotproof, tmp_path: Path
) -> None:
    names = {str(one.relative_to(made)) for one in made.rglob("*") if one.is_file()}
    evidence = {name for name in names if name.startswith("evidence/")}
    assert names - evidence == {"backup.json", "evidence.sha256", "records.sqlite"}
    assert len(evidence) == 1
    restore(made, tmp_path / "w")
    ran = lotproof("workspace", "backup", "--to", tmp_path / "b", "--workspace", tmp_path / "w")
    for said in ("keys that sign", "work list", "made pictures", "workspace.toml"):
        assert said in ran.out
        assert said in " ".join(json.loads((tmp_path / "b" / "backup.json").read_text())["left_out"])


@pytest.mark.sweep
def test_files_of_an_earlier_backup_are_linked(stocked: Workspace, tmp_path: Path) -> None:
    backup(stocked, tmp_path / "first")
    (tmp_path / "paper").write_text("a new one")
    receive(stocked, [arrival(order="more", documents=(Paper("invoice", tmp_path / "paper"),))])
    second = backup(stocked, tmp_path / "second", since=tmp_path / "first")
    assert (second.linked, second.manifest.files) == (3, 4)
    for one in (tmp_path / "first" / "evidence").glob("*/*"):
        assert (tmp_path / "second" / one.relative_to(tmp_path / "first")).samefile(one)
    shutil.rmtree(tmp_path / "first")
    restore(tmp_path / "second", tmp_path / "w")
    # A damaged file of the earlier one is never taken over.
    victim = next((tmp_path / "second" / "evidence").glob("*/*"))
    victim.chmod(0o600)
    victim.write_bytes(b"other bytes")
    with pytest.raises(Damaged):
        backup(stocked, tmp_path / "third", since=tmp_path / "second")
    assert not (tmp_path / "third").exists()


def test_nothing_is_written_over(made: Path, tmp_path: Path) -> None:
    (tmp_path / "there").mkdir()
    restore(made, tmp_path / "w")
    with Workspace.open(tmp_path / "w") as workspace:
        with pytest.raises(BadRequest, match="is there already"):
            backup(workspace, tmp_path / "there")
        a_lot(workspace)
    with pytest.raises(BadRequest, match="a workspace in"):
        restore(made, tmp_path / "w")
    (tmp_path / "there" / "letter.txt").write_text("mine")
    with pytest.raises(BadRequest, match="holds other files"):
        restore(made, tmp_path / "there")


def test_a_backup_that_fails_leaves_nothing(made: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    restore(made, tmp_path / "w")
    with Workspace.open(tmp_path / "w") as workspace:
        monkeypatch.setattr(backups, "check_files", _no_room)
        with pytest.raises(BadRequest, match="No space left"):
            backup(workspace, tmp_path / "b")
        assert [path.name for path in tmp_path.iterdir()] == ["w"]
        monkeypatch.undo()
        next((tmp_path / "w" / "evidence").glob("*/*")).unlink()
        with pytest.raises(Damaged, match="is missing"):
            backup(workspace, tmp_path / "b")
        assert [path.name for path in tmp_path.iterdir()] == ["w"]


def _no_room(*_: object) -> None:
    raise OSError(28, "No space left on device")


@pytest.mark.sweep
def test_a_broken_chain_is_not_backed_up(made: Path, tmp_path: Path) -> None:
    restore(made, tmp_path / "w")
    engine = create_engine(f"sqlite:///{tmp_path / 'w' / 'records.sqlite'}")
    with engine.begin() as connection:
        connection.execute(text("UPDATE journal_entry SET operator = 'somebody' WHERE id = 1"))
    engine.dispose()
    with Workspace.open(tmp_path / "w") as workspace, pytest.raises(Damaged, match="was changed after it was written"):
        backup(workspace, tmp_path / "b")


def _flip(name: str) -> Callable[[Path], None]:
    def do(folder: Path) -> None:
        path = next(folder.glob(name))
        path.chmod(0o600)
        path.write_bytes(bytes(byte ^ 0xFF for byte in path.read_bytes()))

    return do


def _drop(name: str) -> Callable[[Path], None]:
    return lambda folder: next(folder.glob(name)).unlink()


def _say(**changes: object) -> Callable[[Path], None]:
    def do(folder: Path) -> None:
        said = json.loads((folder / "backup.json").read_text())
        (folder / "backup.json").write_text(json.dumps({**said, **changes}))

    return do


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (_flip("evidence/*/*"), "has changed since the backup"),
        (_drop("evidence/*/*"), "cannot be read"),
        (_flip("records.sqlite"), "has changed since the backup"),
        (_drop("records.sqlite"), "cannot be read"),
        (_flip("evidence.sha256"), "has changed since the backup"),
        (_flip("backup.json"), "cannot be read"),
        (_drop("backup.json"), "is no backup"),
        (_say(schema="lotproof.backup/9"), "no backup that this version knows"),
        (_say(revision="v9999"), "newer Lotproof"),
        (_say(tables={}), "The table .* is not what it should be"),
        (_say(tables=[]), "not whole"),
        (_say(files=7), "names 1 files"),
        (_say(head={"entry": 3, "hash": "0" * 64}), "does not hold the journal"),
    ],
)
def test_what_is_not_as_it_was_made_is_not_restored(
    made: Path, tmp_path: Path, change: Callable[[Path], None], said: str
) -> None:
    broken = Path(shutil.copytree(made, tmp_path / "broken"))
    change(broken)
    with pytest.raises(LotproofError, match=said):
        restore(broken, tmp_path / "w")
    with pytest.raises(BadRequest):
        Workspace.open(tmp_path / "w")


def test_hostile_files(made: Path, tmp_path: Path) -> None:
    for name, kind in (("../outside", tarfile.REGTYPE), ("evidence/x", tarfile.SYMTYPE), ("other", tarfile.REGTYPE)):
        with tarfile.open(tmp_path / "b.tar", "w") as tar:
            one = tarfile.TarInfo(name)
            one.type, one.linkname, one.size = kind, "/etc/passwd", 4 if kind == tarfile.REGTYPE else 0
            tar.addfile(one, io.BytesIO(b"evil"))
        with pytest.raises(BadRequest, match="is no backup"):
            restore(tmp_path / "b.tar", tmp_path / "w")
    with tarfile.open(tmp_path / "b.tar", "w") as tar:
        one = tarfile.TarInfo("evidence/../../outside")
        one.size = 4
        tar.addfile(one, io.BytesIO(b"evil"))
    with pytest.raises(LotproofError):
        restore(tmp_path / "b.tar", tmp_path / "w")
    (tmp_path / "b.tar").write_bytes(b"no archive at all" * 100)
    with pytest.raises(Damaged, match="cannot be unpacked"):
        restore(tmp_path / "b.tar", tmp_path / "w")
    assert [path.name for path in tmp_path.iterdir()] == ["b.tar"]
    with pytest.raises(BadRequest, match="no backup"):
        restore(tmp_path / "none", tmp_path / "w")


@pytest.mark.sweep
@pytest.mark.parametrize("step", [1, 4, 9, 14])
def test_a_restore_that_was_killed_is_taken_up_again(made: Path, tmp_path: Path, step: int) -> None:
    assert not killed_at(step, lambda: restore(made, tmp_path / "w"))
    done = restore(made, tmp_path / "w")
    with Workspace.open(tmp_path / "w") as workspace:
        report = verify(workspace)
        assert (report.sound, report.head) == (True, done.manifest.head)


@pytest.mark.sweep
def test_a_backup_that_was_killed_is_not_taken_for_one(made: Path, tmp_path: Path) -> None:
    restore(made, tmp_path / "w")

    def do() -> None:
        with Workspace.open(tmp_path / "w") as workspace:
            backup(workspace, tmp_path / "b")

    assert not killed_at(1, do)
    assert not (tmp_path / "b").exists()
    do()
    restore(tmp_path / "b", tmp_path / "again")
