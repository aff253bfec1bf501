"""What `doctor` says of this computer and the workshop's folder, and of parts that are not there."""

import json
import os
import shutil
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from tracker.desk import doctor_place
from tracker.desk.doctor_check import FAILS, UNUSED, WORKS
from tracker.desk.workspace import Workspace

HIDDEN = (
    "numpy",
    "PIL",
    "matplotlib",
    "sqlalchemy",
    "typst",
    "pillow_heif",
    "serial",
    "psycopg",
    "s3fs",
    "distributed",
)


def test_hidden_libraries_are_lines_and_not_the_end() -> None:
    program = (
        "import sys\n"
        f"for name in {HIDDEN!r}: sys.modules[name] = None\n"
        "sys.argv = ['lotproof', 'doctor', '--json']\n"
        "from tracker.cli.main import run\n"
        "run()"
    )
    ran = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=False)
    assert ran.returncode == 1, ran.stderr
    document = json.loads(ran.stdout)
    assert document["works"] is False
    checks = {one["name"]: one for one in document["checks"]}
    bad = {name for name, one in checks.items() if one["state"] == "missing"}
    assert {"Neural reader", "Fonts", "Records", "PDF", "HEIC photos", "Serial ports"} <= bad
    assert checks["Python"]["state"] == "works"
    assert {"Folder", "Disk space", "Clock", "Camera"} <= set(checks)
    assert all(one["advice"] for name, one in checks.items() if name in bad)


def test_a_workspace_in_memory_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for kind, state in (("tmpfs", FAILS), ("nfs4", FAILS), ("ext4", WORKS)):
        monkeypatch.setattr(doctor_place, "file_system", lambda _, kind=kind: kind)
        found = doctor_place.kept_on(tmp_path / "not" / "yet")
        assert (found.state, found.bad) == (state, False)
        assert kind in found.detail


def test_records_on_a_server_may_have_their_folder_anywhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("LOTPROOF_DATABASE", "postgresql://server/lotproof")
    monkeypatch.setattr(doctor_place, "file_system", lambda _: "nfs4")
    assert doctor_place.kept_on(tmp_path).state == WORKS


def test_the_file_system_is_the_one_that_df_names(tmp_path: Path) -> None:
    if shutil.which("df") is None:
        pytest.skip("this machine has no df")
    said = subprocess.run(["df", "--output=fstype", str(tmp_path)], capture_output=True, text=True, check=True).stdout
    assert doctor_place.file_system(tmp_path) == said.split()[-1]


@pytest.mark.parametrize(
    ("free", "state", "bad"), [(1 << 20, FAILS, True), (1 << 30, FAILS, False), (9 << 30, WORKS, False)]
)
def test_little_room_is_said(free: int, state: str, bad: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    usage = shutil.disk_usage(tmp_path)
    monkeypatch.setattr(doctor_place.shutil, "disk_usage", lambda _: usage._replace(free=free))
    found = doctor_place.room(tmp_path)
    assert (found.state, found.bad) == (state, bad)


def test_a_clock_before_the_newest_entry_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with Workspace.open(tmp_path / "w", create=True) as opened, opened.act("mira", "test", "clock"):
        pass
    assert doctor_place.clock(tmp_path / "w").state == WORKS

    class Earlier(datetime):
        @classmethod
        def now(cls, tz: object = None) -> datetime:
            return datetime.now(UTC) - timedelta(days=400)

    monkeypatch.setattr(doctor_place, "datetime", Earlier)
    found = doctor_place.clock(tmp_path / "w")
    assert found.state == FAILS
    assert "the newest journal entry" in found.detail or "installed" in found.detail
    assert not found.bad


@pytest.mark.skipif(os.geteuid() == 0, reason="root may use every device")
def test_a_port_that_is_shut_says_which_group_opens_it(tmp_path: Path) -> None:
    port = tmp_path / "ttyUSB0"
    port.touch(mode=0)
    found = doctor_place._devices("Serial ports", [port], "a serial port", "dialout", "")
    assert found.state == FAILS
    assert "-G dialout" in found.advice


def test_no_device_is_not_set_up() -> None:
    found = doctor_place._devices("Camera", [], "a camera", "video", "A phone is one.")
    assert (found.state, found.advice) == (UNUSED, "A phone is one.")
