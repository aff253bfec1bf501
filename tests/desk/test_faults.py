"""Killed in the middle: nothing acknowledged is lost, nothing doubled."""

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from sqlalchemy import select
from stock import a_lot

from tracker.desk.verify import tidy, verify
from tracker.desk.workspace import Workspace
from tracker.errors import BadRequest
from tracker.records.models import Lot

PREPARE = f"import sys; sys.path.insert(0, {str(Path(__file__).parents[1])!r})\n"
# Acknowledges one lot, then dies by SIGKILL at the point named on the command line.
DIE = (
    PREPARE
    + """
import os, signal
from stock import a_lot
from tracker import evidence, journal
from tracker.desk.workspace import Workspace
from tracker.records.models import Seller

def die(*_, **__):
    os.kill(os.getpid(), signal.SIGKILL)

place, when = sys.argv[1:]
workspace = Workspace.open(place, create=True)
print(a_lot(workspace).lot, flush=True)
os.mkdir(f"{place}/evidence")
if when == "while copying a file":
    evidence.os.fsync = die
if when == "before the entry":
    journal.append = die
with workspace.act("mira", "receive", "L0002") as act:
    act.add(Seller(name="Brightwell Brokerage"))
    act.keep(b"a file of the act that dies")
    if when == "with everything but the commit":
        journal.append(act.session, operator="mira", act="receive", subject="L0002", body={})
        act.session.flush()
        die()
die()
"""
)


def _python(code: str, *words: object) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-c", code, *map(str, words)], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )


@pytest.mark.parametrize("when", ["while copying a file", "before the entry", "with everything but the commit"])
def test_killed_in_the_middle(workspace_folder: Path, when: str) -> None:
    process = _python(DIE, workspace_folder, when)
    out, err = process.communicate(timeout=60)
    assert (process.returncode, out) == (-signal.SIGKILL, "L0001\n"), err
    with Workspace.open(workspace_folder) as workspace:
        report = verify(workspace)
        assert [fault.code for fault in report.faults] == ["file-orphaned"]
        assert report.head.entry == 1
        assert len(tidy(workspace, operator="mira").removed) == 1
        assert verify(workspace).sound
        assert a_lot(workspace).lot == "L0002"


def test_killed_after_the_commit_keeps_it(workspace_folder: Path) -> None:
    process = _python(DIE, workspace_folder, "after")
    process.communicate(timeout=60)
    with Workspace.open(workspace_folder) as workspace:
        report = verify(workspace)
        assert (report.sound, report.head.entry) == (True, 2)


def test_a_busy_workspace_says_so(workspace: Workspace, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tracker.records.session.LOCK_WAIT_S", 1.0)
    with Workspace.open(workspace.folder) as other, workspace.act("mira", "hold", "x"):
        with pytest.raises(BadRequest, match="is busy"), other.act("jonas", "try", "x"):
            pass
        with other.read() as session:  # reading goes on meanwhile
            assert session.scalars(select(Lot)).all() == []


def test_verify_does_not_take_the_file_of_an_act_under_way_for_an_orphan(
    workspace_folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with Workspace.open(workspace_folder, create=True) as workspace:
        a_lot(workspace)
        code = (
            PREPARE
            + """
import time
from tracker.desk.workspace import Workspace
workspace = Workspace.open(sys.argv[1])
with workspace.act("jonas", "note", "L0001") as act:
    act.keep(b"kept, and not yet committed")
    print("kept", flush=True)
    time.sleep(0.7)
"""
        )
        other = _python(code, workspace_folder)
        assert other.stdout is not None
        assert other.stdout.readline() == "kept\n"
        report = verify(workspace)
        other.communicate(timeout=30)
        assert report.sound


def test_read_only_disk(tmp_path: Path) -> None:
    if os.geteuid() == 0:
        pytest.skip("root writes where nobody may")
    tmp_path.chmod(0o500)
    with pytest.raises(BadRequest, match="cannot be made"):
        Workspace.open(tmp_path / "w", create=True)
