"""ZIP files made to hurt: paths outside, links, bombs (CWE-22, CWE-59, CWE-409), and plain damage."""

import contextlib
import io
import os
import stat
import struct
import zipfile
from pathlib import Path

import pytest
from bags import refused, zipped
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tracker.desk.bag_read import opened
from tracker.dossier.bag import source
from tracker.errors import BadRequest, Damaged, LotproofError


def _archive(to: Path, members: list[tuple[zipfile.ZipInfo | str, bytes]], **more: object) -> Path:
    with zipfile.ZipFile(to, "w", zipfile.ZIP_DEFLATED) as archive:
        for member, data in members:
            archive.writestr(member, data, **more)
    return to


def _member(name: str, mode: int = 0, flags: int = 0) -> zipfile.ZipInfo:
    info = zipfile.ZipInfo(name)
    info.external_attr = mode << 16
    info.flag_bits |= flags
    return info


@pytest.mark.parametrize(
    ("member", "match"),
    [
        ("bag/../../etc/cron.d/x", "it leaves its folder"),
        ("/etc/passwd", "not allowed|beside"),
        ("../x", "not allowed"),
        ("C:\\x", "beside|not allowed"),
        ("bag/C:/x", "absolute"),
        ("bag\\data\\x", "beside|not allowed"),
        ("bag/data/\u202ex", "other characters"),
        ("bag/data/NUL", "device"),
        ("other/data/x", "several folders"),
        ("x", "beside"),
        ("bag/data//x", "empty part"),
        ("bag/data/a\nb", "other characters"),
        ("bag/" + "d/" * 9 + "x", "too deep"),
        ("bag/data/" + "x" * 300, "too long"),
        (_member("bag/data/x", stat.S_IFLNK | 0o777), "symbolic link"),
        (_member("bag/data/x", stat.S_IFIFO | 0o600), "no plain file"),
        ("bag/bagit.txt/x", "a file and a folder"),
        ("bag/BAGIT.txt", "differ by case"),
    ],
)
def test_hostile_members(tmp_path: Path, member: zipfile.ZipInfo | str, match: str) -> None:
    path = _archive(tmp_path / "b.zip", [("bag/bagit.txt", b"x"), (member, b"/etc/hostname")])
    before = sorted(tmp_path.parent.iterdir())
    refused(path, BadRequest, match)
    assert sorted(tmp_path.parent.iterdir()) == before


def test_a_member_twice(sound: Path, tmp_path: Path) -> None:
    path = zipped(sound, tmp_path / "b.zip")
    with pytest.warns(UserWarning, match="Duplicate name"), zipfile.ZipFile(path, "a") as archive:
        archive.writestr("bag/bagit.txt", b"another")
    refused(path, BadRequest, "in the archive twice")


def test_a_bomb_is_refused_before_it_is_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Zeros deflate about a thousand to one."""
    monkeypatch.setattr(source, "FREE_BYTES", 1_000_000)
    path = _archive(tmp_path / "b.zip", [("bag/bagit.txt", b"x"), ("bag/data/x", b"\0" * 30_000_000)])
    written: list[int] = []
    monkeypatch.setattr(source, "_extract", lambda *_: written.append(1))
    refused(path, BadRequest, "would come out")
    assert written == []


def test_a_bomb_that_lies_about_its_size(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The directory says 10 bytes; what comes out is held against it, and nothing more is written."""
    monkeypatch.setattr(source, "FREE_BYTES", 1_000_000)
    path = _archive(tmp_path / "b.zip", [("bag/bagit.txt", b"x"), ("bag/data/x", b"\0" * 30_000_000)])
    data = bytearray(path.read_bytes())
    at = data.rfind(b"PK\x01\x02")
    data[at + 24 : at + 28] = struct.pack("<L", 10)
    path.write_bytes(data)
    refused(path, Damaged, "no sound ZIP file")


def test_one_heap_of_bytes_named_often(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Members that share their bytes (overlapping files): each small, together too much for the archive's size."""
    monkeypatch.setattr(source, "FREE_BYTES", 1_000_000)
    path = _archive(tmp_path / "b.zip", [("bag/x0000", b"\0" * 900_000)])
    data = path.read_bytes()
    at, end = data.rfind(b"PK\x01\x02"), data.rfind(b"PK\x05\x06")
    entry = data[at:end]
    entries = b"".join(entry.replace(b"bag/x0000", f"bag/x{number:04d}".encode()) for number in range(50))
    tail = bytearray(data[end:])
    tail[8:16] = struct.pack("<HHL", 50, 50, len(entries))
    path.write_bytes(data[:at] + entries + tail)
    refused(path, BadRequest, "would come out")


def test_too_many_members(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(source, "MOST_FILES", 10)
    path = _archive(tmp_path / "b.zip", [(f"bag/x{number}", b"") for number in range(11)])
    refused(path, BadRequest, "more than 10 files")
    folder = tmp_path / "bag"
    folder.mkdir()
    for name in ("bagit.txt", *(f"x{number}" for number in range(10))):
        (folder / name).write_text("")
    refused(folder, BadRequest, "more than 10 files")


def test_a_directory_that_claims_too_much_is_not_read(tmp_path: Path) -> None:
    path = _archive(tmp_path / "b.zip", [("bag/bagit.txt", b"x")])
    data = bytearray(path.read_bytes())
    at = data.rfind(b"PK\x05\x06")
    data[at + 8 : at + 12] = struct.pack("<HH", 65_000, 65_000)
    path.write_bytes(data)
    refused(path, BadRequest, "more than 20000 files")


def test_more_bytes_than_any_lot_has(sound: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = zipped(sound, tmp_path / "b.zip")
    monkeypatch.setattr(source, "MOST_BYTES", 1000)
    refused(path, BadRequest, "more than 1,000")
    refused(sound, BadRequest, "more than 1,000")


@pytest.mark.parametrize("cut", [0.001, 0.3, 0.9, 0.999])
def test_a_cut_off_archive(sound: Path, tmp_path: Path, cut: float) -> None:
    path = zipped(sound, tmp_path / "b.zip")
    path.write_bytes(path.read_bytes()[: int(path.stat().st_size * cut)])
    refused(path, Damaged, "no sound ZIP file")


def test_no_archive_at_all(tmp_path: Path) -> None:
    (tmp_path / "b.zip").write_bytes(b"PK\x05\x06 not really" * 9)
    refused(tmp_path / "b.zip", Damaged, "no sound ZIP file")
    (tmp_path / "b.txt").write_bytes(b"something else")
    refused(tmp_path / "b.txt", BadRequest, "neither the folder of a bag nor a ZIP")
    (tmp_path / "empty.zip").write_bytes(b"")
    refused(tmp_path / "empty.zip", BadRequest, "neither the folder of a bag nor a ZIP")
    os.mkfifo(tmp_path / "pipe")
    refused(tmp_path / "pipe", BadRequest, "There is no bag")


def test_encrypted_members_and_other_compressions(sound: Path, tmp_path: Path) -> None:
    path = _archive(tmp_path / "b.zip", [("bag/bagit.txt", b"x")])
    data = bytearray(path.read_bytes())
    data[data.rfind(b"PK\x01\x02") + 8] |= 1
    path.write_bytes(data)
    refused(path, BadRequest, "encrypted")
    with zipfile.ZipFile(tmp_path / "c.zip", "w", zipfile.ZIP_LZMA) as archive:
        archive.writestr("bag/bagit.txt", b"x")
    refused(tmp_path / "c.zip", BadRequest, "another way than deflate")


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(at=st.floats(0, 1, exclude_max=True), flip=st.integers(1, 255))
def test_any_changed_byte_of_an_archive(sound: Path, tmp_path: Path, at: float, flip: int) -> None:
    """One byte flipped anywhere: a clear refusal, or (in a field that carries nothing) the very same bag."""
    path = tmp_path / "b.zip"
    data = bytearray(_zip_of(sound))
    data[int(at * len(data))] ^= flip
    path.write_bytes(data)
    payload = None
    with contextlib.suppress(LotproofError), opened(path) as foreign:
        payload = foreign.bag.payload
    with opened(sound) as right:
        assert payload in (None, right.bag.payload)


_ZIPS: dict[Path, bytes] = {}


def _zip_of(bag: Path) -> bytes:
    if bag not in _ZIPS:
        out = io.BytesIO()
        with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
            for path in sorted(bag.rglob("*")):
                if path.is_file():
                    archive.write(path, f"bag/{path.relative_to(bag).as_posix()}")
        _ZIPS[bag] = out.getvalue()
    return _ZIPS[bag]
