"""Bags that are damaged or hostile: each is refused with a sentence, before anything of ours is changed.

The names are those that bags are attacked with: RFC 8493 sections 5.1 and 5.2 (paths outside, Windows names, `~`), and
links (CWE-59).
"""

import hashlib
import os
import shutil
from collections.abc import Callable
from datetime import date
from pathlib import Path

import pytest
from bags import copy, refused, reseal, zipped

from tracker.desk.bag_read import opened
from tracker.desk.receive_bag import arrival_of, receive_bag
from tracker.desk.workspace import Workspace
from tracker.dossier.bag import names
from tracker.errors import BadRequest, Damaged


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
    "one changed byte": (_one_byte, "is not as it was packed"),
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


@pytest.mark.parametrize("what", DAMAGED)
def test_damaged(bag: Path, what: str) -> None:
    change, match = DAMAGED[what]
    change(bag)
    refused(bag, Damaged, match)


@pytest.mark.parametrize("what", REFUSED)
def testrefused(bag: Path, what: str) -> None:
    change, match = REFUSED[what]
    change(bag)
    refused(bag, BadRequest, match)


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


def test_a_folder_that_changes_while_it_is_taken_in(bag: Path, workspace: Workspace) -> None:
    """A file is exchanged between the check and the copy; what is kept is held against the manifest once more."""
    with opened(bag) as foreign:
        arrival = arrival_of(foreign, {}, today=date.today())
        shutil.copy("/etc/hostname", _photo(bag))
        with pytest.raises(BadRequest, match="changed while it was taken in"):
            receive_bag(workspace, foreign, arrival, operator="ada")
    assert list(workspace.store.all()) == []
