"""Other workshops' bags: the archive, its names and manifests, the records and journal in it, the provenance.

A case is one layer (a byte) and that layer's bytes, so that each is met with all before it right: an archive; the
manifests; records.json; journal.jsonl; provenance.json. What is accepted as a whole is taken in.
"""

import io
import json
import shutil
import struct
import zipfile
from typing import Any

import fuzz_workshop
from bags import reseal
from fuzz_choices import Choices
from fuzz_deliveries import TODAY, standing

from tracker.desk.bag_read import opened, understand
from tracker.desk.receive_bag import arrival_of, receive_bag
from tracker.desk.workspace import Workspace
from tracker.dossier.bag.check import Bag, check
from tracker.dossier.bag.source import list_folder, unpack
from tracker.errors import LotproofError

MODULES = ("tracker.dossier", "tracker.desk.bag_read", "tracker.desk.bag_rows", "tracker.desk.bag_chain",
           "tracker.desk.receive_bag", "prov", "bagit")  # fmt: skip
LAYERS = ("archive", "manifest", "records", "journal", "provenance", "whole")
_FILES = {"records": "data/records.json", "journal": "data/journal.jsonl", "provenance": "data/provenance.json"}
_TAGS = ("bagit.txt", "bag-info.txt", "manifest-sha256.txt", "manifest-sha512.txt", "tagmanifest-sha256.txt")
_PATHS = (
    "data/x",
    "../x",
    "/etc/x",
    "C:/x",
    "data/../x",
    "data/CON",
    "data/a/b/c/d/e/f",
    "DATA/README.txt",
    "fetch.txt",
    "data/.hidden",
    "data/x" * 60,
    "data/é",
    "data\\x",
    "data/README.txt/",
    "bagit.txt",
    "",
)


class _Yard:
    """One sound bag in a folder, its parts as bytes, and a workspace to take bags in."""

    def __init__(self) -> None:
        self.folder = fuzz_workshop.a_lots_bag("L0001")
        self.small = fuzz_workshop.a_lots_bag("L0002")
        self.scratch, self.understood = fuzz_workshop.scratch(), 0
        self.bag = check(self.folder, list_folder(self.folder))
        self.files = {
            str(one.relative_to(self.small)): one.read_bytes() for one in sorted(self.small.rglob("*")) if one.is_file()
        }
        self.parts = {name: (self.folder / path).read_bytes() for name, path in _FILES.items()}
        self.plain = {name: json.loads(data) for name, data in self.parts.items() if name != "journal"}
        self.mine = shutil.copytree(self.folder, self.scratch / "mine")
        self.renew()

    def renew(self) -> None:
        if hasattr(self, "workspace"):
            self.workspace.close()
        shutil.rmtree(self.scratch / "ours", ignore_errors=True)
        self.workspace = Workspace.open(self.scratch / "ours", create=True)

    def zipped(self) -> bytes:
        out = io.BytesIO()
        with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
            for name, data in self.files.items():
                archive.writestr(f"bag/{name}", data)
        return out.getvalue()


_built: list[_Yard] = []


def _yard() -> _Yard:
    if not _built:
        _built.append(_Yard())
    return _built[0]


def made(pick: Choices) -> bytes:
    """Return a layer and its bytes."""
    yard, layer = _yard(), pick.one((0, 0, 1, 2, 2, 2, 3, 3, 4, 4, 5))
    name = LAYERS[layer]
    if name == "archive":
        data = _archive(pick, yard)
    elif name == "manifest":
        tag = pick.one(_TAGS)
        text = yard.files[tag].decode()
        data = (
            tag.encode()
            + b"\0"
            + (pick.spoiled(text) if pick.often(75) else _lines(pick, text)).encode("utf-8", "replace")
        )
    elif name == "journal":
        data = _journal(pick, yard)
    elif name == "whole":
        data = json.dumps(_bent_value(pick, yard.plain["records"])).encode() if pick.often(50) else b""
    elif pick.often(6):
        data = pick.bent(yard.parts[name])
    else:
        data = json.dumps(_bent_value(pick, yard.plain[name])).encode()
    return bytes([layer]) + data


def _lines(pick: Choices, text: str) -> str:
    lines = text.splitlines()
    at = pick.whole(0, len(lines) - 1)
    digest = lines[at].partition(" ")[0]
    lines[at : at + pick.whole(0, 1)] = pick.one(([], [lines[at]], [f"{digest}  {pick.one(_PATHS)}"], [digest]))
    return "\n".join(lines) + "\n"


def _journal(pick: Choices, yard: _Yard) -> bytes:
    lines = yard.parts["journal"].splitlines()
    at = pick.whole(0, len(lines) - 1)
    way = pick.whole(0, 5)
    if way == 0:
        del lines[at]
    elif way == 1:
        lines.insert(at, lines[pick.whole(0, len(lines) - 1)])
    elif way == 2:
        lines[at] = pick.bent(lines[at])
    else:
        lines[at] = json.dumps(_bent_value(pick, json.loads(lines[at]))).encode()
    return b"\n".join(lines) + b"\n"


def _bent_value(pick: Choices, value: Any) -> Any:
    """Return a document with one value in it changed, taken out, or put in; what is untouched is shared."""
    if isinstance(value, dict) and value and not pick.often(7):
        key = pick.one(sorted(value))
        way = pick.whole(0, 39)
        if way == 0:
            return {one: value[one] for one in value if one != key}
        if way == 1:
            return {**value, pick.text(8) or "x": value[key]}
        return {**value, key: _bent_value(pick, value[key])}
    if isinstance(value, list) and value and not pick.often(7):
        at = pick.whole(0, len(value) - 1)
        way = pick.whole(0, 19)
        changed = [] if way == 0 else [value[at], value[at]] if way == 1 else [_bent_value(pick, value[at])]
        return [*value[:at], *changed, *value[at + 1 :]]
    if isinstance(value, str) and pick.often(60):
        return pick.spoiled(value).encode("utf-8", "replace").decode()
    if isinstance(value, int) and pick.often(50):
        return value + pick.one((1, -1, 2**31, 2**53, 2**64, -(2**63)))
    return pick.one(
        (None, 0, -1, 1e308, True, False, "", "x", [], {}, [[]], {"a": []}, "9" * 50, 2**70, value, [value])
    )


def _archive(pick: Choices, yard: _Yard) -> bytes:
    """Return an archive with entries added, renamed, doubled, or its own structures bent."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        for name, data in yard.files.items():
            called = f"bag/{name}"
            if pick.often(2):
                called = pick.one((f"bag/{pick.one(_PATHS)}", pick.one(_PATHS), pick.spoiled(called), f"other/{name}"))
            entry = zipfile.ZipInfo(called.encode("utf-8", "replace").decode() or "x", (2031, 4, 2, 9, 15, 0))
            entry.compress_type = zipfile.ZIP_DEFLATED if pick.often(20) else zipfile.ZIP_STORED
            if pick.often(1):
                entry.external_attr = pick.one((0o120777, 0o040755, 0o010644, 0o060644)) << 16
            archive.writestr(entry, data)
        if pick.whole(0, 299) == 299:
            archive.writestr("bag/data/zeros", b"\0" * 40_000_000, zipfile.ZIP_DEFLATED)
    data = bytearray(out.getvalue())
    if pick.often(45):
        mark, fields = pick.one(
            (
                (b"PK\x01\x02", (4, 6, 8, 10, 16, 20, 24, 28, 30, 32, 34, 36, 38, 42)),
                (b"PK\x03\x04", (4, 6, 8, 14, 18, 22, 26, 28)),
                (b"PK\x05\x06", (4, 6, 8, 10, 12, 16, 20)),
            )
        )
        places = (
            [at for at in range(len(data)) if data[at : at + 4] == mark]
            if mark == b"PK\x05\x06"
            else _found(data, mark)
        )
        if places:
            at = pick.one(places) + pick.one(fields)
            if at + 4 <= len(data):
                struct.pack_into("<H" if pick.often(50) else "<I", data, at, pick.one((0, 1, 8, 255, 0xFFFF)))
    return pick.bent(bytes(data)) if pick.often(15) else bytes(data)


def _found(data: bytearray, mark: bytes) -> list[int]:
    places, at = [], data.find(mark)
    while at >= 0:
        places.append(at)
        at = data.find(mark, at + 4)
    return places


def one_case(data: bytes) -> str:
    """Meet one layer of a bag."""
    yard, name = _yard(), LAYERS[data[0] % len(LAYERS)] if data else "archive"
    try:
        return READ[name](yard, data[1:])
    except LotproofError as error:
        if not str(error).isprintable():
            raise RuntimeError(f"{error!r} does not print") from error
        raise


def _of_archive(yard: _Yard, data: bytes) -> str:
    path, into = yard.scratch / "sent.zip", yard.scratch / "unpacked"
    path.write_bytes(data)
    shutil.rmtree(into, ignore_errors=True)
    into.mkdir()
    around = sorted(one.name for one in yard.scratch.iterdir())
    try:
        folder, files = unpack(path, into)
        assert all((folder / one.path).resolve().is_relative_to(into.resolve()) for one in files)
        assert all((folder / one.path).stat().st_size == one.size_bytes for one in files)
        check(folder, files)
    finally:
        assert sorted(one.name for one in yard.scratch.iterdir()) == around, "something came out beside the folder"
    return "an archive in order"


def _of_manifest(yard: _Yard, data: bytes) -> str:
    tag, _, text = data.partition(b"\0")
    name = tag.decode("utf-8", "replace")
    if name not in _TAGS:
        return "no tag file"
    folder = yard.scratch / "tagged"
    if not folder.exists():
        shutil.copytree(yard.small, folder)
    (folder / name).write_bytes(text)
    try:
        check(folder, list_folder(folder))
    finally:
        (folder / name).write_bytes(yard.files[name])
    return "manifests in order"


def _of_part(part: str, yard: _Yard, data: bytes) -> str:
    path = yard.mine / _FILES[part]
    path.write_bytes(data)
    bag = Bag(yard.mine, yard.bag.payload, yard.bag.sizes, yard.bag.info, yard.bag.digest)
    try:
        foreign = understand(bag)
        _take_in(yard, foreign)
    finally:
        path.write_bytes(yard.parts[part])
    return f"understood with other {part}"


def _take_in(yard: _Yard, foreign: Any) -> None:
    arrival = arrival_of(foreign, {}, today=TODAY)
    yard.understood += 1
    if yard.understood % 4 and foreign.bag.folder == yard.mine:
        return  # recording is the slow part
    before = standing(yard.workspace)
    try:
        receive_bag(yard.workspace, foreign, arrival, again=True, operator="mira")
    except LotproofError:
        after = standing(yard.workspace)
        assert after[:3] == before[:3], "a refused bag left rows"
        raise
    if standing(yard.workspace)[0] > 30:
        yard.renew()


def _of_whole(yard: _Yard, data: bytes) -> str:
    folder = yard.scratch / "whole"
    if not folder.exists():
        shutil.copytree(yard.folder, folder)
    (folder / _FILES["records"]).write_bytes(data or yard.parts["records"])
    reseal(folder)
    with opened(folder) as foreign:
        _take_in(yard, foreign)
    return "taken in"


READ = {
    "archive": _of_archive,
    "manifest": _of_manifest,
    "records": lambda yard, data: _of_part("records", yard, data),
    "journal": lambda yard, data: _of_part("journal", yard, data),
    "provenance": lambda yard, data: _of_part("provenance", yard, data),
    "whole": _of_whole,
}


def close() -> None:
    """Remove what was written."""
    fuzz_workshop.remove()
