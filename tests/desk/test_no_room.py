"""A full disk, what may only be read, no files left to open, a clock that jumps, a closed pipe, Ctrl-C at any point.

Each time: one sentence and the right exit code, nothing half-written, and the next command works.
"""

import datetime as clock
import errno
import os
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from fault_cases import BY_NAME, CASES, Case, build, carry_out, count, mended, state
from fault_points import Kill, Ran, Refuse, can_break, one_of_each_kind, strikes
from sqlalchemy import Engine, event

from tracker.cli import main
from tracker.desk.verify import verify
from tracker.desk.workspace import Workspace

pytestmark = can_break
ORPHANS = {"file-orphaned"}
NOBODY = 65534
DOCUMENT = BY_NAME["document"]
thorough = pytest.mark.sweep


@pytest.fixture(scope="module")
def shop(sqlite_template: Path, small_bag: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give the shop that every case gets a copy of."""
    return build(tmp_path_factory.mktemp("shop") / "s", sqlite_template, small_bag)


@pytest.fixture
def copied(shop: Path, tmp_path: Path) -> Path:
    """Give a copy of it."""
    return Path(shutil.copytree(shop, tmp_path / "c"))


def _in_a_sentence(ran: Ran, codes: tuple[int, ...] = (2,)) -> None:
    assert ran.code in codes, (ran.code, ran.out, ran.err)
    if ran.code:
        said = [line for line in ran.err.splitlines() if line.strip()]
        assert any(line.startswith("lotproof: ") for line in said), ran.err
    assert "Traceback" not in ran.err
    assert "a fault in Lotproof itself" not in ran.err


def _works_again(case: Case, shop: Path) -> None:
    place = shop / ("none" if case.empty else "w")
    if (place / "records.sqlite").exists():
        with Workspace.open(place, create=True) as workspace:
            assert {fault.code for fault in verify(workspace).faults} <= ORPHANS
    before = count(state(place).acts, case.act) if case.act and not case.empty else 0
    shutil.rmtree(shop / "desk" / "out", ignore_errors=True)
    again = carry_out(case, shop)
    assert again.code in (0, 2), again.err
    after = mended(place)
    assert after.report.sound
    if case.act and case.act != "tidy":
        assert count(after.acts, case.act) in (before, before + 1)


def _without_room(case: Case, shop: Path, tmp_path: Path, some: Callable[..., Iterator[Kill]], number: int) -> None:
    whole = shutil.copytree(shop, tmp_path / "whole")
    case.prepare(whole)
    points = carry_out(case, whole).points
    for at in sorted({kill.at for kill in some(points)}):
        folder = shutil.copytree(shop, tmp_path / "c")
        case.prepare(folder)
        # What only helps (what the bench remembers, the pages' cache) may fail without a word.
        _in_a_sentence(carry_out(case, folder, Refuse(at, number)), (0, 2))
        _works_again(case, folder)
        shutil.rmtree(folder)


@pytest.mark.parametrize("case", [BY_NAME["export a file"]], ids=str)
def test_the_disk_is_full_at_a_point_of_each_kind(case: Case, shop: Path, tmp_path: Path) -> None:
    _without_room(case, shop, tmp_path, one_of_each_kind, errno.ENOSPC)


@thorough
@pytest.mark.parametrize("case", [case for case in CASES if case.words], ids=str)
def test_the_disk_is_full_at_a_point(case: Case, shop: Path, tmp_path: Path) -> None:
    _without_room(case, shop, tmp_path, one_of_each_kind, errno.ENOSPC)


@thorough
@pytest.mark.parametrize(
    "number", [errno.EROFS, errno.EIO, errno.EDQUOT, errno.EMFILE], ids=lambda n: errno.errorcode[n]
)
def test_the_disk_refuses_for_another_reason(shop: Path, tmp_path: Path, number: int) -> None:
    _without_room(DOCUMENT, shop, tmp_path, one_of_each_kind, number)


@pytest.mark.parametrize("free", [0, *(pytest.param(room, marks=thorough) for room in (20_000, 60_000, 100_000))])
def test_a_real_disk_that_is_full(shop: Path, tmp_path: Path, free: int) -> None:
    with _small_disk(tmp_path / "disk") as disk:
        folder = shutil.copytree(shop, disk / "c")
        (folder / "desk" / "letter.txt").write_bytes(os.urandom(150_000))
        filler = disk / "filler"
        filler.write_bytes(b"x" * (shutil.disk_usage(disk).free - free))
        ran = carry_out(DOCUMENT, folder)
        _in_a_sentence(ran, (2,))
        assert "full" in ran.err or "No space left" in ran.err
        filler.unlink()
        _works_again(DOCUMENT, folder)


@contextmanager
def _small_disk(folder: Path) -> Iterator[Path]:
    folder.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=4m", "none", folder], check=False, capture_output=True
    )
    if mounted.returncode:
        pytest.skip("only root may make a small disk")
    try:
        yield folder
    finally:
        subprocess.run(["umount", "-l", folder], check=False)


def test_the_records_can_grow_no_more(copied: Path) -> None:
    def work(shop: Path) -> None:
        @event.listens_for(Engine, "connect")
        def _limit(connection: Any, _: object) -> None:
            pages = connection.execute("PRAGMA page_count").fetchone()[0]
            connection.execute(f"PRAGMA max_page_count={pages}")

        for number in range(40):
            _lotproof("machine", f"Machine number {number} {'with a long name ' * 8}")

    ran = carry_out(Case("grow", work=work), copied)
    _in_a_sentence(ran)
    assert "is full" in ran.err
    assert state(copied / "w").report.sound
    _works_again(DOCUMENT, copied)


def _lotproof(*words: str) -> None:
    sys.argv = ["lotproof", *words]
    try:
        main.run()
    except SystemExit as stopped:
        if stopped.code:
            raise


@pytest.mark.parametrize("words", [("list", "lots"), DOCUMENT.words, ("tidy",), ("verify",)], ids=" ".join)
def test_a_workspace_that_may_only_be_read(copied: Path, words: tuple[str, ...]) -> None:
    def work(shop: Path) -> None:
        if os.geteuid() == 0:
            os.setgid(NOBODY)
            os.setuid(NOBODY)
        _lotproof(*words)

    for path in [*copied.rglob("*"), copied]:
        path.chmod(0o555 if path.is_dir() else 0o444)
    for above in copied.parents:
        if os.geteuid() == 0 and above.stat().st_uid == 0 and "pytest" in str(above):
            above.chmod(0o755)
    ran = carry_out(Case("read", work=work), copied)
    for path in [copied, *copied.rglob("*")]:
        path.chmod(0o755 if path.is_dir() else 0o644)
    _in_a_sentence(ran, (0, 2))
    assert words[0] == "list" or ran.code == 2 or words[0] == "verify"
    _works_again(DOCUMENT, copied)


def test_evidence_swapped_between_two_digests_is_named(copied: Path) -> None:
    one, other = sorted(path for path in (copied / "w" / "evidence").rglob("*") if path.is_file())[:2]
    held = one.read_bytes()
    for path, data in ((one, other.read_bytes()), (other, held)):
        path.chmod(0o644)
        path.write_bytes(data)
    assert {fault.subject for fault in state(copied / "w").report.faults} == {one.name, other.name}
    assert carry_out(Case("verify", ("verify",)), copied).code == 1
    assert carry_out(BY_NAME["export a file"], copied).code == 3


@pytest.mark.parametrize("most", [8, *(pytest.param(some, marks=thorough) for some in (3, 4, 6, 10, 11, 12, 14, 16))])
def test_too_many_files_are_open(copied: Path, most: int) -> None:
    def work(shop: Path) -> None:
        resource.setrlimit(resource.RLIMIT_NOFILE, (most, most))
        _lotproof(*DOCUMENT.words)

    _in_a_sentence(carry_out(Case("open", work=work), copied), (0, 2))
    _works_again(DOCUMENT, copied)


@pytest.mark.parametrize(
    "words",
    [
        ("receive", "--bag", "b.zip"),
        pytest.param(("dossier", "L0001", "--to", "out/d.pdf"), marks=thorough),
        pytest.param(("doctor",), marks=thorough),
    ],
    ids=lambda words: words[0],
)
def test_there_is_no_temporary_folder(copied: Path, words: tuple[str, ...]) -> None:
    def none() -> str:
        raise FileNotFoundError(errno.ENOENT, "No usable temporary directory found in ['/tmp']")

    def work(shop: Path) -> None:
        tempfile.gettempdir = none
        tempfile.mkdtemp.__globals__["gettempdir"] = none
        _lotproof(*words)

    assert carry_out(Case("zip", ("export", "bag", "L0002", "--to", "b.zip")), copied).code == 0
    ran = carry_out(Case("temp", work=work), copied)
    assert "Traceback" not in ran.err + ran.out
    _in_a_sentence(ran, (2,)) if words != ("doctor",) else None


@pytest.mark.parametrize("home", ["/proc/none", pytest.param("", marks=thorough), "desk/letter.txt"])
def test_there_is_no_home(copied: Path, home: str) -> None:
    def work(shop: Path) -> None:
        for name in ("LOTPROOF_KEYS", "XDG_CONFIG_HOME", "XDG_DATA_HOME", "XDG_CACHE_HOME"):
            os.environ.pop(name, None)
        os.environ["HOME"] = str(shop / home) if home.startswith("desk") else home
        _lotproof(*DOCUMENT.words)

    _in_a_sentence(carry_out(Case("home", work=work), copied), (0, 2))
    _works_again(DOCUMENT, copied)


JUMPS = {"hours back": -7200, "a year back": -365 * 86400, "hours on": 7200, "years on": 20 * 365 * 86400, "1969": None}


def test_the_clock_goes_back(copied: Path) -> None:
    _with_the_clock(copied, "a year back", ("receive", "document"))


@thorough
@pytest.mark.parametrize("jump", JUMPS, ids=str)
def test_the_clock_jumps(copied: Path, jump: str) -> None:
    _with_the_clock(
        copied,
        jump,
        (
            "receive",
            "document",
            "photograph",
            "bench current",
            "unfit",
            "hand in",
            "work off",
            "settle",
            "export a file",
        ),
    )


def _with_the_clock(copied: Path, jump: str, names: tuple[str, ...]) -> None:
    """Every act is recorded, and one that goes back says so: `verify` takes no battery for a forgery."""
    seconds = JUMPS[jump]
    now = clock.datetime.now(clock.UTC)
    then = (
        clock.datetime(1969, 12, 31, 23, tzinfo=clock.UTC)
        if seconds is None
        else now + clock.timedelta(seconds=seconds)
    )

    def work(case: Case, shop: Path) -> int | None:
        _set_clock(then - now)
        if case.work is not None:
            return case.work(shop)
        return _lotproof(*case.words)

    for name in names:
        case = BY_NAME[name]
        ran = carry_out(Case(name, work=partial(work, case)), copied)
        _in_a_sentence(ran, (0,) if name != "hand in" else (0, 2))
        assert state(copied / "w").report.sound, name
    assert carry_out(DOCUMENT, copied).code == 0  # and back to what it is
    assert state(copied / "w").report.sound
    assert carry_out(Case("due", ("due",)), copied).code == 0


def _set_clock(by: clock.timedelta) -> None:
    """Let this process take another instant for now."""
    real, today = clock.datetime, clock.date

    class As(type):
        def __instancecheck__(cls, value: object) -> bool:
            return isinstance(value, cls.__mro__[1])

    class Shifted(real, metaclass=As):  # type: ignore[misc, valid-type]
        @classmethod
        def now(cls, tz: Any = None) -> Any:
            return real.now(tz) + by

    class Day(today, metaclass=As):  # type: ignore[misc, valid-type]
        @classmethod
        def today(cls) -> Any:
            return (real.now() + by).date()

    for name, module in list(sys.modules.items()):
        if name.startswith("tracker"):
            for key, value in list(vars(module).items()):
                if value is real:
                    setattr(module, key, Shifted)
                elif value is today:
                    setattr(module, key, Day)


@pytest.mark.parametrize(
    ("words", "to"),
    [
        (DOCUMENT.words, "/dev/full"),
        (("list", "lots"), "closed"),
        *(
            pytest.param(words, to, marks=thorough)
            for words, to in (
                (DOCUMENT.words, "closed"),
                (DOCUMENT.words, "none"),
                (("list", "lots"), "/dev/full"),
                (("log", "--json"), "none"),
            )
        ),
    ],
)
def test_nobody_takes_what_is_printed(copied: Path, words: tuple[str, ...], to: str) -> None:
    """What an act recorded stays recorded; a reader who has gone is no fault, a full disk is one."""
    code = f"import os, sys; sys.argv = ['lotproof', *{list(words)!r}]\n"
    code += "from tracker.cli.main import run; run()"
    places = {"LOTPROOF_WORKSPACE": str(copied / "w"), "LOTPROOF_KEYS": str(copied / "keys")}
    shell = {
        "/dev/full": '"$0" -c "$1" > /dev/full',
        "closed": '"$0" -c "$1" | true; exit ${PIPESTATUS[0]}',
        "none": '"$0" -c "$1" >&-',
    }[to]
    ran = subprocess.run(
        ["bash", "-c", shell, sys.executable, code],
        env={**os.environ, **places, "PYTHONPATH": str(Path(main.__file__).parents[2])},
        cwd=copied / "desk",
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert "Traceback" not in ran.stderr
    assert "Exception ignored" not in ran.stderr
    assert ran.returncode == (2 if to == "/dev/full" else 0), ran.stderr
    assert count(state(copied / "w").acts, "document") == 1 + (words[0] == "document")


@pytest.mark.parametrize("name", [pytest.param("document", marks=thorough), "export a file"])
def test_ctrl_c_at_any_point(shop: Path, tmp_path: Path, name: str) -> None:
    case = BY_NAME[name]
    points = carry_out(case, shutil.copytree(shop, tmp_path / "whole")).points
    kills = strikes(points) if name == "document" else one_of_each_kind(points)
    for kill in kills:
        folder = shutil.copytree(shop, tmp_path / "c")
        ran = carry_out(case, folder, Kill(kill.at, kill.after, by=signal.SIGINT))
        assert ran.code in (2, 130), (kill, ran)
        assert "Stopped" in ran.err
        assert "Traceback" not in ran.err
        _works_again(case, folder)
        shutil.rmtree(folder)
