"""Bags that are damaged or hostile: each is refused with a sentence, before anything of ours is changed.

The names are those that archives and bags are attacked with: RFC 8493 section 5.1 and 5.2 (paths outside, Windows
names, `~`), the zip bombs and symbolic links of CWE-409 and CWE-59.
"""

import contextlib
import hashlib
import io
import json
import os
import re
import shutil
import stat
import struct
import zipfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import bagit
import pytest
from bags import a_bag, copy, edited, full_lot, reseal, zipped
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from staged import Stage

from tracker.desk import photograph as photographing
from tracker.desk.bag_read import opened
from tracker.desk.workspace import Workspace
from tracker.dossier.bag import names, source
from tracker.errors import BadRequest, Damaged, ExitCode, LotproofError


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory, sqlite_template: Path) -> Path:
    folder = tmp_path_factory.mktemp("sound")
    copy(sqlite_template, folder / "A")
    with pytest.MonkeyPatch.context() as patch, Workspace.open(folder / "A") as theirs:
        stage = Stage({}, [])
        patch.setattr(photographing, "look", stage.look)
        full_lot(theirs, folder / "desk", stage)
        return a_bag(theirs, folder / "bag")


@pytest.fixture
def bag(sound: Path, tmp_path: Path) -> Path:
    return copy(sound, tmp_path / "bag")


def test_the_sound_bag_is_taken_in(sound: Path, tmp_path: Path) -> None:
    """That what is refused below is refused for what was done to it."""
    for path in (sound, zipped(sound, tmp_path / "b.zip"), reseal(copy(sound, tmp_path / "resealed"))):
        with opened(path) as foreign:
            assert foreign.records.lot == "L0001"


def _photo(bag: Path) -> Path:
    return next((bag / "data" / "photos").iterdir())


def _one_byte(bag: Path) -> None:
    data = _photo(bag).read_bytes()
    _photo(bag).write_bytes(data[:-1] + bytes([data[-1] ^ 0xFF]))


def _manifest_line(bag: Path, change: Callable[[str], str]) -> None:
    """Change one line of the payload manifests and make the tag manifests right again."""
    changed = {name: change((bag / name).read_text()) for name in names.MANIFESTS}
    reseal(bag)
    for name, text in changed.items():
        (bag / name).write_text(text)
    for algorithm in ("sha256", "sha512"):
        tags = (bag / name for name in names.TAG_FILES)
        lines = [f"{hashlib.new(algorithm, path.read_bytes()).hexdigest()}  {path.name}\n" for path in tags]
        (bag / f"tagmanifest-{algorithm}.txt").write_text("".join(lines))


def _twice(bag: Path) -> None:
    _manifest_line(bag, lambda text: text + text.splitlines()[0] + "\n")


def _named(path: str) -> Callable[[Path], None]:
    return lambda bag: _manifest_line(bag, lambda text: text.replace("data/README.txt", path))


def _only_in_one(bag: Path) -> None:
    (bag / "data" / "more.txt").write_text("x")
    reseal(bag)
    lines = (bag / "manifest-sha512.txt").read_text().splitlines(keepends=True)
    (bag / "manifest-sha512.txt").write_text("".join(line for line in lines if "more.txt" not in line))


def _info(old: str, new: str) -> Callable[[Path], None]:
    def change(bag: Path) -> None:
        path = bag / "bag-info.txt"
        path.write_text(path.read_text().replace(old, new))
        for algorithm in ("sha256", "sha512"):
            tags = (bag / name for name in names.TAG_FILES)
            lines = [f"{hashlib.new(algorithm, path.read_bytes()).hexdigest()}  {path.name}\n" for path in tags]
            (bag / f"tagmanifest-{algorithm}.txt").write_text("".join(lines))

    return change


def _write(name: str, data: bytes = b"x", *, sealed: bool = False) -> Callable[[Path], None]:
    def change(bag: Path) -> None:
        (bag / name).parent.mkdir(parents=True, exist_ok=True)
        (bag / name).write_bytes(data)
        if sealed:
            reseal(bag)

    return change


def _remove(name: str) -> Callable[[Path], None]:
    return lambda bag: (bag / name).unlink()


def _link(bag: Path) -> None:
    _photo(bag).unlink()
    (bag / "data" / "photos" / "x.png").symlink_to("/etc/hostname")


def _folder_link(bag: Path) -> None:
    (bag / "data" / "linked").symlink_to(bag.parent)


def _hard_link(bag: Path) -> None:
    os.link(_photo(bag), bag.parent / "the same file")


def _pipe(bag: Path) -> None:
    os.mkfifo(bag / "data" / "pipe")


DAMAGED = {
    "one changed byte": (_one_byte, "validation failed"),
    "a missing payload file": (_remove("data/README.txt"), "does not name|is missing"),
    "a missing manifest": (_remove("manifest-sha512.txt"), "no manifest-sha512.txt"),
    "a missing tag manifest": (_remove("tagmanifest-sha256.txt"), "no tagmanifest-sha256.txt"),
    "no bag-info": (_remove("bag-info.txt"), "no bag-info.txt"),
    "an extra payload file": (_write("data/extra.txt"), "manifest-sha256.txt does not name it"),
    "an extra file beside the payload": (_write("extra.txt"), "no manifest names it"),
    "a payload file in one manifest only": (_only_in_one, "manifest-sha512.txt does not name it"),
    "a manifest that names a file twice": (_twice, "twice"),
    "a payload oxum that is wrong": (_info("Payload-Oxum: ", "Payload-Oxum: 1"), "Payload-Oxum"),
    "a payload oxum twice": (_info("Payload-Oxum: ", "Payload-Oxum: 1.1\nPayload-Oxum: "), "Payload-Oxum"),
    "a payload file that no record knows": (_write("data/tables/more.csv", sealed=True), "records know nothing"),
    "a manifest of another kind": (_write("manifest-md5.txt"), "no manifest names it"),
    "a manifest that is no text": (_write("manifest-sha256.txt", b"\xff\xfe"), "not UTF-8"),
    "a line that is no entry": (lambda bag: _manifest_line(bag, lambda text: f"{text}nonsense\n"), "no digest"),
}
REFUSED = {
    "fetch.txt": (_write("fetch.txt", b"http://example.invalid/x 1 data/x\n"), "nothing is ever fetched"),
    "a path that leaves": (_named("data/../../../etc/passwd"), "it leaves its folder"),
    "an absolute path": (_named("/etc/passwd"), "absolute"),
    "a drive letter": (_named("C:/x"), "absolute"),
    "a backslash": (_named("data\\..\\x"), "backslash"),
    "a home": (_named("~/x"), "other characters"),
    "a device": (_named("data/NUL.txt"), "device"),
    "a combining letter": (_named("data/e\u0301.txt"), "other characters"),
    "letters written right to left": (_named("data/\u202etxt.exe"), "other characters"),
    "a percent sign": (_named("data/a%0Ab"), "other characters"),
    "a symbolic link": (_link, "symbolic link"),
    "a symbolic link to a folder": (_folder_link, "symbolic link"),
    "a hard link": (_hard_link, "hard link"),
    "a pipe": (_pipe, "no plain file"),
    "a file with an odd name": (_write("data/e\u0301.txt"), "other characters"),
    "a hidden file": (_write("data/.hidden"), "point"),
    "two names that differ by case": (_write("data/readme.TXT", sealed=True), "differ by case only"),
    "no oxum": (_info("Payload-Oxum", "Something-Else"), "no Payload-Oxum"),
    "an older BagIt": (_write("bagit.txt", b"BagIt-Version: 0.97\nTag-File-Character-Encoding: UTF-8\n"), "BagIt 1.0"),
    "another encoding": (_write("bagit.txt", b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-7\n"), "in UTF-8"),
    "no bag": (_remove("bagit.txt"), "is no bag"),
    "no records": (lambda bag: (_remove("data/records.json")(bag), reseal(bag)), "no data/records.json"),
}


def _refused(path: Path, kind: type[LotproofError], match: str) -> None:
    with pytest.raises(LotproofError, match=match) as caught, opened(path):
        pass
    assert isinstance(caught.value, kind), caught.value
    assert caught.value.exit_code is (ExitCode.DAMAGED if kind is Damaged else ExitCode.BAD_REQUEST)


@pytest.mark.parametrize("what", DAMAGED)
def test_damaged(bag: Path, what: str) -> None:
    change, match = DAMAGED[what]
    change(bag)
    _refused(bag, Damaged, match)


@pytest.mark.parametrize("what", REFUSED)
def test_refused(bag: Path, what: str) -> None:
    change, match = REFUSED[what]
    change(bag)
    _refused(bag, BadRequest, match)


def test_a_refused_bag_changes_nothing(bag: Path, workspace: Workspace, tmp_path: Path, lotproof) -> None:
    _one_byte(bag)
    before = sorted(path for path in workspace.folder.rglob("*") if path.is_file() and "sqlite-" not in path.name)
    ran = lotproof("receive", "--bag", bag, "--workspace", workspace.folder)
    assert (ran.code, ran.out, "Nothing was changed" in ran.err) == (3, "", True), ran.err
    assert ran.err.count("\n") == 2  # the library's own log stays off the screen
    after = sorted(path for path in workspace.folder.rglob("*") if path.is_file() and "sqlite-" not in path.name)
    assert (after, list(workspace.store.all())) == (before, [])
    # A bag that is refused does not start a workspace either.
    assert lotproof("receive", "--bag", bag, "--workspace", tmp_path / "new").code == 3
    assert not (tmp_path / "new").exists()
    for path, said in ((tmp_path / "none", "There is no bag"), (tmp_path, "is no bag")):
        ran = lotproof("receive", "--bag", path, "--workspace", tmp_path / "new")
        assert (ran.code, said in ran.err) == (2, True), ran.err


# --- records that are sealed and yet wrong ----------------------------------------------------------------------------


def _set(value, *path):
    *most, last, new = path
    for key in most:
        value = value[key]
    value[last] = new


CONTRADICTIONS = {
    "a newer schema": (BadRequest, lambda v: _set(v, "schema", "lotproof.bag/2"), "newer Lotproof"),
    "a newer migration": (BadRequest, lambda v: _set(v, "records", "v9999"), "newer Lotproof"),
    "a field of no schema": (BadRequest, lambda v: _set(v, "extra", 1), "not as it must be"),
    "a column of no table": (BadRequest, lambda v: _set(v, "tables", "piece", 0, "colour", "x"), "rows of piece"),
    "a table of ours that is not for bags": (BadRequest, lambda v: _set(v, "tables", "journal_entry", []), "unknown"),
    "a missing table": (BadRequest, lambda v: v["tables"].pop("photo") and None, "no table 'photo'"),
    "a text where a number must be": (BadRequest, lambda v: _set(v, "tables", "piece", 0, "number", "1"), "piece"),
    "a number beyond all": (BadRequest, lambda v: _set(v, "tables", "piece", 0, "number", 10**40), "piece"),
    "a row twice": (BadRequest, lambda v: v["tables"]["piece"].append(v["tables"]["piece"][0]), "twice"),
    "a row of another lot": (BadRequest, lambda v: _set(v, "tables", "photo", 0, "lot_id", 77), "not there"),
    "another lot": (BadRequest, lambda v: _set(v, "lot", "L0099"), "not those of the one lot"),
    "a piece too few": (BadRequest, lambda v: v["tables"]["piece"].pop() and None, "has not the pieces"),
    "an edited reading": (Damaged, lambda v: _set(v, "tables", "inspection", 0, "suspicion", 0.01), "not those that"),
    "an edited verdict": (Damaged, lambda v: _set(v, "tables", "bench_run", 0, "verdict", "pass"), "not those that"),
    "an added decision": (
        Damaged,
        lambda v: v["tables"]["decision"].append({**v["tables"]["decision"][0], "id": 9}),
        "not those that",
    ),
    "another digest of a file": (Damaged, lambda v: _set(v, "files", 0, "sha256", "0" * 64), "contradict"),
    "another size of a file": (Damaged, lambda v: _set(v, "files", 0, "size_bytes", 1), "contradict"),
    "a file outside": (Damaged, lambda v: _set(v, "files", 0, "path", "../x"), "contradict"),
    "a file that is not named": (Damaged, lambda v: v["files"].pop() and None, "know nothing"),
    "another head": (Damaged, lambda v: _set(v, "head", "hash", "0" * 64), "does not end at the head"),
    "another workshop": (Damaged, lambda v: _set(v, "workshop_id", "0" * 64), "does not begin"),
    "no object": (BadRequest, lambda _: [1], "not as it must be"),
}


@pytest.mark.parametrize("what", CONTRADICTIONS)
def test_records_that_contradict(bag: Path, what: str) -> None:
    kind, change, match = CONTRADICTIONS[what]
    edited(bag, "records.json", change)
    assert bagit.Bag(str(bag)).is_valid()  # so nothing but the records can be what is wrong
    _refused(bag, kind, match)


def _journal(bag: Path, change: Callable[[list], object]) -> None:
    path = bag / "data" / "journal.jsonl"
    entries = [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]
    change(entries)
    path.write_text("".join(f"{json.dumps(entry)}\n" for entry in entries), encoding="utf-8")
    reseal(bag)


@pytest.mark.parametrize(
    ("change", "match"),
    [
        (lambda e: e[2].update(operator="somebody else"), "journal entry 3 was changed"),
        (lambda e: e[2].update(signature="0" * 128), "signature of journal entry 3 does not fit"),
        (lambda e: e[2].update(signature=None), "journal entry 3 is not signed"),
        (lambda e: e[2].update(signing_key="0" * 32), "key that signed journal entry 3 is not there"),
        (lambda e: e[2].update(body=e[2]["body"].replace("top", "bot")), "journal entry 3 was changed"),
        (lambda e: e.insert(0, e.pop(3)), "not in its place"),
        (lambda e: e.append(e[-1]), "not in its place"),
        (lambda e: e.pop(), "wrote|head"),
        (lambda e: e.clear(), "does not end at the head"),
        (lambda e: e.pop(0), "are not those that it wrote"),
    ],
)
def test_a_journal_that_was_changed(bag: Path, change: Callable[[list], object], match: str) -> None:
    _journal(bag, change)
    _refused(bag, Damaged, match)


@pytest.mark.parametrize(
    ("name", "data", "match"),
    [
        ("records.json", b"{", "Invalid JSON"),
        ("records.json", b"[" * 100_000, "Invalid JSON"),
        ("records.json", b'{"schema": NaN}', "not as it must be"),
        ("records.json", b"\xff", "Invalid JSON"),
        ("records.json", b"1" * 10_000, "not as it must be"),
        ("journal.jsonl", b"[" * 100_000, "line 1"),
        ("provenance.json", b"[" * 100_000, "no PROV-JSON"),
        ("provenance.json", b"[]", "no PROV-JSON"),
        ("provenance.json", b"{}", "tells nothing of L0001"),
        ("provenance.json", b'{"entity": {"nowhere:x": {}}}', "no PROV-JSON"),
        ("provenance.json", b"\xff\xfe", "no PROV-JSON"),
    ],
)
def test_json_that_cannot_be_read(bag: Path, name: str, data: bytes, match: str) -> None:
    (bag / "data" / name).write_bytes(data)
    reseal(bag)
    _refused(bag, BadRequest, match)


@pytest.mark.parametrize("name", ["LARGEST_RECORDS", "LARGEST_JOURNAL", "LARGEST_PROVENANCE"])
def test_huge_json_is_not_read(sound: Path, name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(f"tracker.dossier.bag.records.{name}", 100)
    _refused(sound, BadRequest, "has more than 100 bytes")


@pytest.mark.parametrize("cells", [[[]] * 1000, [0] * 1000, [{}] * 1000, [{"id": []}] * 1000])
def test_the_first_of_many_faults_is_enough(bag: Path, cells: list[object]) -> None:
    """A fault kept for each of millions of rows would fill the memory."""
    edited(bag, "records.json", lambda value: _set(value, "tables", "piece", cells))
    with pytest.raises(BadRequest, match=r"not as (it|they) must be") as caught, opened(bag):
        pass
    more = re.search(r"and (\d+) more", caught.value.what)
    assert more is None or int(more[1]) < 10


def test_a_document_of_too_many_values_is_not_read(sound: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tracker.desk.bag_read.MOST_VALUES", 100)
    _refused(sound, BadRequest, "more than 100 values")


# --- archives ---------------------------------------------------------------------------------------------------------


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
    _refused(path, BadRequest, match)
    assert sorted(tmp_path.parent.iterdir()) == before


def test_a_member_twice(sound: Path, tmp_path: Path) -> None:
    path = zipped(sound, tmp_path / "b.zip")
    with pytest.warns(UserWarning, match="Duplicate name"), zipfile.ZipFile(path, "a") as archive:
        archive.writestr("bag/bagit.txt", b"another")
    _refused(path, BadRequest, "in the archive twice")


def test_a_bomb_is_refused_before_it_is_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Zeros deflate about a thousand to one."""
    monkeypatch.setattr(source, "FREE_BYTES", 1_000_000)
    path = _archive(tmp_path / "b.zip", [("bag/bagit.txt", b"x"), ("bag/data/x", b"\0" * 30_000_000)])
    written: list[int] = []
    monkeypatch.setattr(source, "_extract", lambda *_: written.append(1))
    _refused(path, BadRequest, "would come out")
    assert written == []


def test_a_bomb_that_lies_about_its_size(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The directory says 10 bytes; what comes out is held against it, and nothing more is written."""
    monkeypatch.setattr(source, "FREE_BYTES", 1_000_000)
    path = _archive(tmp_path / "b.zip", [("bag/bagit.txt", b"x"), ("bag/data/x", b"\0" * 30_000_000)])
    data = bytearray(path.read_bytes())
    at = data.rfind(b"PK\x01\x02")
    data[at + 24 : at + 28] = struct.pack("<L", 10)
    path.write_bytes(data)
    _refused(path, Damaged, "no sound ZIP file")


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
    _refused(path, BadRequest, "would come out")


def test_too_many_members(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(source, "MOST_FILES", 10)
    path = _archive(tmp_path / "b.zip", [(f"bag/x{number}", b"") for number in range(11)])
    _refused(path, BadRequest, "more than 10 files")
    folder = tmp_path / "bag"
    folder.mkdir()
    for name in ("bagit.txt", *(f"x{number}" for number in range(10))):
        (folder / name).write_text("")
    _refused(folder, BadRequest, "more than 10 files")


def test_a_directory_that_claims_too_much_is_not_read(tmp_path: Path) -> None:
    path = _archive(tmp_path / "b.zip", [("bag/bagit.txt", b"x")])
    data = bytearray(path.read_bytes())
    at = data.rfind(b"PK\x05\x06")
    data[at + 8 : at + 12] = struct.pack("<HH", 65_000, 65_000)
    path.write_bytes(data)
    _refused(path, BadRequest, "more than 20000 files")


def test_more_bytes_than_any_lot_has(sound: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = zipped(sound, tmp_path / "b.zip")
    monkeypatch.setattr(source, "MOST_BYTES", 1000)
    _refused(path, BadRequest, "more than 1,000")
    _refused(sound, BadRequest, "more than 1,000")


@pytest.mark.parametrize("cut", [0.001, 0.3, 0.9, 0.999])
def test_a_cut_off_archive(sound: Path, tmp_path: Path, cut: float) -> None:
    path = zipped(sound, tmp_path / "b.zip")
    path.write_bytes(path.read_bytes()[: int(path.stat().st_size * cut)])
    _refused(path, Damaged, "no sound ZIP file")


def test_no_archive_at_all(tmp_path: Path) -> None:
    (tmp_path / "b.zip").write_bytes(b"PK\x05\x06 not really" * 9)
    _refused(tmp_path / "b.zip", Damaged, "no sound ZIP file")
    (tmp_path / "b.txt").write_bytes(b"something else")
    _refused(tmp_path / "b.txt", BadRequest, "neither the folder of a bag nor a ZIP")
    (tmp_path / "empty.zip").write_bytes(b"")
    _refused(tmp_path / "empty.zip", BadRequest, "neither the folder of a bag nor a ZIP")
    os.mkfifo(tmp_path / "pipe")
    _refused(tmp_path / "pipe", BadRequest, "There is no bag")


def test_encrypted_members_and_other_compressions(sound: Path, tmp_path: Path) -> None:
    path = _archive(tmp_path / "b.zip", [("bag/bagit.txt", b"x")])
    data = bytearray(path.read_bytes())
    data[data.rfind(b"PK\x01\x02") + 8] |= 1
    path.write_bytes(data)
    _refused(path, BadRequest, "encrypted")
    with zipfile.ZipFile(tmp_path / "c.zip", "w", zipfile.ZIP_LZMA) as archive:
        archive.writestr("bag/bagit.txt", b"x")
    _refused(tmp_path / "c.zip", BadRequest, "another way than deflate")


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


ODD = [
    None,
    True,
    0,
    -1,
    10**30,
    1e308,
    "",
    "x",
    "\u202e",
    "../x",
    [],
    {},
    [1],
    {"a": 1},
    "L0001",
    "0" * 64,
    "2031-02-30",
]


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(name=st.sampled_from(["records.json", "provenance.json"]), data=st.data())
def test_any_changed_value_gets_a_sentence(sound: Path, tmp_path: Path, name: str, data: st.DataObject) -> None:
    """One value anywhere exchanged or left out, all manifests right: taken in or refused, never a fault of ours."""
    bag = tmp_path / "changed"
    shutil.rmtree(bag, ignore_errors=True)
    copy(sound, bag)
    value = json.loads((bag / "data" / name).read_text(encoding="utf-8"))
    here, key = data.draw(st.sampled_from(list(_places(value))))
    if data.draw(st.booleans()):
        here[key] = data.draw(st.sampled_from(ODD))
    else:
        del here[key]
    (bag / "data" / name).write_text(json.dumps(value), encoding="utf-8")
    reseal(bag)
    with contextlib.suppress(LotproofError), opened(bag) as foreign:
        assert foreign.records.lot == "L0001"


def _places(value: Any) -> Iterator[tuple[Any, Any]]:
    for key in list(value) if isinstance(value, dict) else range(len(value)) if isinstance(value, list) else ():
        yield value, key
        yield from _places(value[key])


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


@settings(max_examples=300)
@given(st.text(max_size=40) | st.from_regex(r"[A-Za-z0-9._/\\:~%-]{0,40}", fullmatch=True))
def test_a_name_that_is_allowed_stays_in_the_bag(text: str) -> None:
    """Held against what the system makes of it."""
    if names.why_not(text) is None:
        whole = os.path.normpath(f"/bag/{text}")
        assert whole == f"/bag/{text}"
        assert text.isascii()
        assert text.isprintable()
        assert Path(text).expanduser() == Path(text)
        assert not set(text) & set('\\:*?"<>| %')


@settings(max_examples=300)
@given(st.text(max_size=400))
def test_any_file_name_becomes_an_allowed_one(text: str) -> None:
    plain = names.plain_name(text)
    assert names.why_not(f"data/photos/0001-{plain}") is None
    assert "/" not in plain


def test_a_folder_that_changes_while_it_is_taken_in(bag: Path, workspace: Workspace) -> None:
    """A file is exchanged between the check and the copy; what is kept is held against the manifest once more."""
    from datetime import date

    from tracker.desk.receive_bag import arrival_of, receive_bag

    with opened(bag) as foreign:
        arrival = arrival_of(foreign, {}, today=date.today())
        shutil.copy("/etc/hostname", _photo(bag))
        with pytest.raises(BadRequest, match="changed while it was taken in"):
            receive_bag(workspace, foreign, arrival, operator="ada")
    assert list(workspace.store.all()) == []
