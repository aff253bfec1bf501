"""Files for the user are written whole or not at all, whichever verb writes them."""

import errno
import os
import shutil
import stat
import subprocess
import sys
import tempfile
import threading
from pathlib import Path

import pytest
from conftest import Lotproof

from tracker.desk.whole_file import put_whole


def full_disk(handle: int) -> None:
    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def test_an_earlier_file_is_replaced_and_keeps_its_mode(tmp_path: Path) -> None:
    path = tmp_path / "card.pdf"
    put_whole(path, b"first")
    path.chmod(0o640)
    put_whole(path, b"second")
    assert (path.read_bytes(), stat.S_IMODE(path.stat().st_mode)) == (b"second", 0o640)
    assert list(tmp_path.iterdir()) == [path]


def test_a_link_stays_and_what_it_names_is_replaced(tmp_path: Path) -> None:
    (tmp_path / "there").mkdir()
    target, link = tmp_path / "there" / "card.pdf", tmp_path / "card.pdf"
    target.write_bytes(b"first")
    link.symlink_to(target)
    put_whole(link, b"second")
    assert (link.is_symlink(), target.read_bytes()) == (True, b"second")


def test_a_pipe_is_written_to_and_stays_a_pipe(tmp_path: Path) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    came: list[bytes] = []
    reader = threading.Thread(target=lambda: came.append(pipe.read_bytes()), daemon=True)
    reader.start()
    put_whole(pipe, b"rows")
    reader.join(10)
    assert (came, pipe.is_fifo()) == ([b"rows"], True)


def test_standard_output_is_written_to_where_it_goes(tmp_path: Path) -> None:
    program = "import pathlib, tracker.desk.whole_file as w; w.put_whole(pathlib.Path('/dev/stdout'), b'rows\\n')"
    with (tmp_path / "out").open("wb") as out:
        for _ in range(2):
            subprocess.run([sys.executable, "-c", program], stdout=out, check=True)
    assert (tmp_path / "out").read_bytes() == b"rows\nrows\n"
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


IN_MEMORY = Path("/dev/shm")


@pytest.mark.skipif(not os.access(IN_MEMORY, os.W_OK), reason="this machine has no file system in memory below /dev")
def test_a_file_below_dev_is_a_file_like_any_other() -> None:
    with tempfile.TemporaryDirectory(dir=IN_MEMORY) as folder:
        path = Path(folder) / "list.csv"
        for data in (b"rows, and more of them", b"rows"):
            put_whole(path, data)
        assert path.read_bytes() == b"rows"


def test_the_longest_name_a_file_system_takes(tmp_path: Path) -> None:
    path = tmp_path / ("a" * 251 + ".csv")
    put_whole(path, b"rows")
    assert path.read_bytes() == b"rows"


@pytest.mark.parametrize(
    ("name", "told"),
    [
        (".", "Is a directory"),
        ("none/card.pdf", "No such file"),
        ("card\0.pdf", "null byte"),
        ("circle", "[Ss]ymlink loop|symbolic links"),
        ("a" * 256, "File name too long"),
    ],
)
def test_what_cannot_be_written_is_an_oserror(tmp_path: Path, name: str, told: str) -> None:
    (tmp_path / "circle").symlink_to(tmp_path / "circle")
    with pytest.raises(OSError, match=told):
        put_whole(tmp_path / name, b"")
    assert [path.name for path in tmp_path.iterdir()] == ["circle"]


@pytest.mark.parametrize(
    ("words", "names"),
    [
        (("card", "L0001", "--to"), ("L0001-card.pdf",)),
        (("label", "L0001", "--to"), ("L0001.png", "L0001-01.png", "L0001-labels.pdf")),
        (("dossier", "L0001", "--to"), ("L0001.html",)),
        (("dossier", "L0001", "--to", "L0001.pdf"), ("L0001.pdf",)),
        (("list", "lots", "--csv", "lots.csv"), ("lots.csv",)),
        (("calc", "soak", "soak.csv", "--plot", "plot.svg"), ("plot.svg",)),
    ],
    ids=lambda value: value[0],
)
def test_a_full_disk_leaves_what_was_there(
    lotproof: Lotproof,
    sqlite_template: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    words: tuple[str, ...],
    names: tuple[str, ...],
) -> None:
    shutil.copytree(sqlite_template, tmp_path / "workspace")
    monkeypatch.setenv("LOTPROOF_WORKSPACE", str(tmp_path / "workspace"))
    receive = ("--seller", "Quayside Surplus", "--source", "marketplace", "--part", "CV6522AP", "--quantity", 1)
    assert lotproof("receive", *receive).code == 0
    out = tmp_path / "out"
    out.mkdir()
    monkeypatch.chdir(out)
    rows = "".join(f"{60 * i},{temp}\n" for i, temp in enumerate((22, 29, 34, 38, 41, 43)))
    (out / "soak.csv").write_text(f"time_s,temp_c\n{rows}", encoding="utf-8")
    words = (*words, ".") if words[-1] == "--to" else words
    for name in names:
        (out / name).write_bytes(b"earlier")
    before = {path.name: path.read_bytes() for path in out.iterdir()}
    with monkeypatch.context() as patched:
        patched.setattr(os, "fsync", full_disk)
        failed = lotproof(*words)
    assert (failed.code, "No space left on device" in failed.err, "Traceback" in failed.err) == (2, True, False)
    assert {path.name: path.read_bytes() for path in out.iterdir()} == before
    assert lotproof(*words).code == 0
    after = {path.name: path.read_bytes() for path in out.iterdir()}
    assert set(before) <= set(after)
    assert all(after[name] != b"earlier" and len(after[name]) > 20 for name in names)
    assert not any(name.startswith(".") for name in after)
