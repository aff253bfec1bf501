"""A busy workspace, an act under way, a disk that is read-only. (Killed: `test_killed.py`.)"""

import os
import subprocess
import sys
from pathlib import Path

import pytest
from sqlalchemy import select
from stock import a_lot

from tracker.desk.verify import verify
from tracker.desk.workspace import Workspace
from tracker.errors import BadRequest
from tracker.records.models import Lot

PREPARE = f"import sys; sys.path.insert(0, {str(Path(__file__).parents[1])!r})\n"


def _python(code: str, *words: object) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-c", code, *map(str, words)], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )


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
