"""Readings that a broken-off run left: `verify` tells, the bench takes them, `tidy` spares them unless asked."""

import os
import shlex
import shutil
import subprocess
import sys
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from conftest import Lotproof
from scpi_server import scpi_server

from tracker.desk import spool
from tracker.desk.tidy import tidy
from tracker.desk.verify import verify
from tracker.desk.workspace import Workspace
from tracker.instruments.log import Log
from tracker.instruments.reading import Read
from tracker.instruments.scpi import QUANTITIES

RUN = "from tracker.cli.main import run; run()"


@pytest.fixture
def stocked(lotproof: Lotproof, sqlite_template: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Give a workspace, with a space in its name, that has one lot of two pieces."""
    folder = tmp_path / "work shop"
    shutil.copytree(sqlite_template, folder)
    monkeypatch.setenv("LOTPROOF_WORKSPACE", str(folder))
    monkeypatch.setenv("LOTPROOF_OPERATOR", "jonas")
    words = ("--seller", "Quayside Surplus", "--source", "marketplace", "--part", "CV6522AP", "--quantity", 2)
    assert lotproof("receive", *words).code == 0
    return folder


def left(folder: Path, what: str = "current", readings: int = 3, *, days: float = 0.0) -> Path:
    """Leave a table in the spool as a bench does that lost its power, last written so many days ago."""
    path = spool.spooled(folder)
    with Log(path, QUANTITIES[what], 2e6) as log:
        for number in range(readings):
            log.add(Read(0.5 * number, datetime.now(UTC), 0.096 + 0.0001 * number, 0.0001, ""))
    then = time.time() - timedelta(days=days).total_seconds()
    os.utime(path, (then, then))
    return path


def test_a_killed_bench_leaves_readings_that_verify_tells_how_to_record(lotproof: Lotproof, stocked: Path) -> None:
    with scpi_server(["0.0961", "0.0962", "0.0963"]) as server:
        words = ("bench", "current", "L0001-01", "--clock", "2 MHz", "--count", "9999", "--every", "20 ms")
        bench = subprocess.Popen(
            [sys.executable, "-c", RUN, *words, "--read", server.resource], stderr=subprocess.DEVNULL
        )
        try:
            until = time.monotonic() + 30.0
            while not any(path.read_bytes().count(b"\n") > 3 for path in spool.left_over(stocked)):
                assert time.monotonic() < until, "no readings came"
                time.sleep(0.02)
            at_work = lotproof("verify", "--json")
        finally:
            bench.kill()  # as a power cut: nothing is tidied up
            bench.wait()
    (path,) = spool.left_over(stocked)
    with path.open("ab") as table:
        table.write(b"9.9,0.09")  # half a line
    told = lotproof("verify")
    command = told.out.partition("`lotproof ")[2].partition("`")[0]
    assert (at_work.code, at_work.json["sound"], len(at_work.json["notices"])) == (0, True, 1)
    assert (told.code, "Everything is as it was recorded." in told.out) == (0, True)
    assert "Delete its last line, which is torn" in told.out
    path.write_bytes(path.read_bytes().rpartition(b"\n")[0] + b"\n")
    # What it says is what is typed, with the piece put in.
    ran = lotproof(*shlex.split(command.replace("...", "L0001-01")), "--json")
    assert (ran.code, ran.err) == (0, "")
    assert (ran.code, ran.json["verdict"]) == (0, "fail")
    again = lotproof("verify", "--json").json["notices"]
    assert ["is recorded" in notice["message"] for notice in again] == [True]
    assert lotproof("tidy", "--json").json["removed"] == []
    assert lotproof("tidy", "--spool", "--json").json == {
        "schema": "lotproof.tidy/1",
        "removed": [f"spool/{path.name}"],
        "left": [],
        "mended": 0,
    }
    assert not path.exists()
    assert lotproof("verify", "--json").json["notices"] == []


def test_tidy_removes_readings_only_when_asked_and_quiet(lotproof: Lotproof, stocked: Path) -> None:
    old, recent = left(stocked, days=2.1), left(stocked, "temperature", days=1.9)
    assert "No files removed." in lotproof("tidy").out
    assert (old.exists(), recent.exists()) == (True, True)
    ran = lotproof("tidy", "--spool", "--operator", "mira")
    assert f"removed spool/{old.name}\n" in ran.out
    assert f"left: spool/{recent.name} was written to in the last 2 days" in ran.out
    assert (old.exists(), recent.exists()) == (False, True)
    (entry,) = lotproof("log", "--limit", 1, "--json").json["entries"]
    assert (entry["act"], entry["operator"], entry["subject"]) == ("tidy", "mira", "spool")
    assert entry["said"]["removed"] == [f"spool/{old.name}"]
    assert lotproof("verify").code == 0


@pytest.mark.parametrize(
    ("what", "readings", "told"),
    [
        ("current", 2, "holds 2 readings of no recorded run"),
        ("current", 1, "lotproof bench current ... --from "),
        ("temperature", 3, "lotproof bench soak ... --from "),
        ("voltage", 3, "lotproof bench ... ... --from "),
        ("current", 0, "holds no reading."),
    ],
)
def test_a_notice_says_what_a_table_holds(stocked: Path, what: str, readings: int, told: str) -> None:
    path = left(stocked, what, readings)
    with Workspace.open(stocked) as workspace:
        report = verify(workspace)
    (notice,) = report.notices
    assert (report.sound, report.fault_count) == (True, 0)
    assert (notice.code, notice.subject) == ("readings-spooled", f"spool/{path.name}")
    assert told in notice.message


def test_other_files_in_the_spool_are_nobodys_business(stocked: Path) -> None:
    left(stocked, days=9)
    mine = stocked / "spool" / "notes.txt"
    mine.write_text("mine", encoding="utf-8")
    with Workspace.open(stocked) as workspace:
        assert len(tidy(workspace, spool=True).removed) == 1
        assert verify(workspace).notices == ()
    assert mine.exists()


def test_a_table_that_cannot_be_removed_is_told_and_not_journaled(
    stocked: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = left(stocked, days=9)

    def refuse(self: Path, missing_ok: bool = False) -> None:
        raise PermissionError(13, "Permission denied", str(self))

    with Workspace.open(stocked) as workspace:
        before = verify(workspace).head
        monkeypatch.setattr(Path, "unlink", refuse)
        tidied = tidy(workspace, spool=True)
        assert (tidied.removed, [one.code for one in tidied.left]) == ((), ["not-removed"])
        assert verify(workspace).head == before
    assert path.exists()
