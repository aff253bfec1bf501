"""Killed in the middle of handing out or taking in a bag: nothing half-written, what was acknowledged is there."""

import shutil
import signal
import subprocess
import sys
from pathlib import Path

import bagit
import pytest
from bags import a_bag
from sqlalchemy import func, select
from stock import a_lot

from tracker.desk.bag_read import opened
from tracker.desk.receive_bag import arrival_of, receive_bag
from tracker.desk.verify import tidy, verify
from tracker.desk.workspace import Workspace
from tracker.records.models import JournalEntry, Lot, LotOrigin

PREPARE = f"""
import os, signal, sys
sys.path.insert(0, {str(Path(__file__).parents[1])!r})

def die(*_, **__):
    os.kill(os.getpid(), signal.SIGKILL)

def after(calls, function):
    left = [calls]
    def wrapped(*words, **more):
        left[0] -= 1
        if left[0] < 0:
            die()
        return function(*words, **more)
    return wrapped

"""
EXPORT = (
    PREPARE
    + """
from pathlib import Path
from tracker import disk, journal
from tracker.desk.export_bag import export_bag
from tracker.desk.workspace import Workspace
from tracker.dossier.bag import writer

place, to, when, zipped = sys.argv[1:]
with Workspace.open(place) as workspace:
    if when == "while copying":
        writer.hashlib.sha512 = after(1, writer.hashlib.sha512)
    if when == "before the manifests":
        writer._manifest = die
    if when == "before the name":
        disk.put_in_place = die
    if when == "with the name, before the entry":
        journal.append = die
    export_bag(workspace, "L0001", Path(to), zipped=zipped == "zip", operator="mira")
    print("exported", flush=True)
    die()
"""
)
RECEIVE = (
    PREPARE
    + """
from datetime import date
from pathlib import Path
from tracker import evidence, journal
from tracker.desk.bag_read import opened
from tracker.desk.receive_bag import arrival_of, receive_bag
from tracker.desk.workspace import Workspace

place, bag, when = sys.argv[1:]
with opened(Path(bag)) as foreign, Workspace.open(place) as workspace:
    arrival = arrival_of(foreign, {}, today=date.today())
    if when == "while keeping files":
        evidence.os.fsync = after(7, os.fsync)
    if when == "before the entry":
        journal.append = die
    print(receive_bag(workspace, foreign, arrival, operator="ada").received.lot, flush=True)
    die()
"""
)


def _killed(code: str, *words: object) -> str:
    ran = subprocess.run(
        [sys.executable, "-c", code, *map(str, words)], capture_output=True, text=True, check=False, timeout=60
    )
    assert ran.returncode == -signal.SIGKILL, ran.stderr
    return ran.stdout.strip()


def _entries(workspace: Workspace) -> int:
    with workspace.read() as session:
        return session.scalar(select(func.count()).select_from(JournalEntry)) or 0


@pytest.mark.parametrize("form", ["folder", "zip"])
@pytest.mark.parametrize("when", ["while copying", "before the manifests", "before the name"])
def test_an_export_that_is_killed_leaves_no_bag(workspace: Workspace, tmp_path: Path, when: str, form: str) -> None:
    a_lot(workspace)
    target = tmp_path / "out" / "bag.zip"
    assert _killed(EXPORT, workspace.folder, target, when, form) == ""
    assert not target.exists()
    # What is left cannot be taken for a bag, and does not stand in the way.
    assert all(path.name.startswith(".bag.zip.unfinished-") for path in target.parent.iterdir())
    assert _entries(workspace) == 1
    assert verify(workspace).sound
    assert a_bag(workspace, target, zipped=form == "zip").exists()


def test_an_export_that_is_killed_between_name_and_entry_is_whole(workspace: Workspace, tmp_path: Path) -> None:
    """It was not acknowledged; what stands there is a sound bag all the same."""
    a_lot(workspace)
    assert _killed(EXPORT, workspace.folder, tmp_path / "bag", "with the name, before the entry", "folder") == ""
    assert bagit.Bag(str(tmp_path / "bag")).validate()
    assert _entries(workspace) == 1


def test_an_export_that_was_acknowledged_stays(workspace: Workspace, tmp_path: Path) -> None:
    a_lot(workspace)
    assert _killed(EXPORT, workspace.folder, tmp_path / "bag", "after", "folder") == "exported"
    assert bagit.Bag(str(tmp_path / "bag")).validate()
    assert (_entries(workspace), verify(workspace).sound) == (2, True)


@pytest.fixture
def bag(sqlite_template: Path, tmp_path: Path) -> Path:
    shutil.copytree(sqlite_template, tmp_path / "A")
    with Workspace.open(tmp_path / "A") as theirs:
        a_lot(theirs)
        return a_bag(theirs, tmp_path / "bag")


@pytest.mark.parametrize("when", ["while keeping files", "before the entry"])
def test_taking_in_that_is_killed_leaves_nothing(workspace: Workspace, bag: Path, when: str) -> None:
    a_lot(workspace, order="Q-1")
    assert _killed(RECEIVE, workspace.folder, bag, when) == ""
    with workspace.read() as session:
        assert session.scalars(select(Lot.label)).all() == ["L0001"]
        assert session.scalars(select(LotOrigin)).all() == []
    report = verify(workspace)
    assert {fault.code for fault in report.faults} == {"file-orphaned"}
    tidy(workspace, operator="ada")
    assert verify(workspace).sound
    from datetime import date

    with opened(bag) as foreign:
        arrival = arrival_of(foreign, {}, today=date.today())
        assert receive_bag(workspace, foreign, arrival, operator="ada").received.lot == "L0002"
    assert verify(workspace).sound


def test_taking_in_that_was_acknowledged_stays(workspace: Workspace, bag: Path) -> None:
    assert _killed(RECEIVE, workspace.folder, bag, "after") == "L0001"
    assert verify(workspace).sound
