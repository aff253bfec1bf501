"""Writing a bag: payload streamed in with both digests taken, tag files last, the whole under its name at the end."""

import hashlib
import io
import os
import zipfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO

from tracker import disk
from tracker.dossier.bag import names
from tracker.errors import BadRequest

BLOCK = 1 << 20
DECLARED = b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
SHRUNK = (".json", ".jsonl", ".csv", ".txt")
"""Endings that are worth compressing in a ZIP file; photos and papers are compressed already."""


@dataclass(frozen=True, slots=True)
class Put:
    """One file now in the bag."""

    path: str
    sha256: str
    sha512: str
    size_bytes: int


@dataclass(slots=True)
class BagWriter:
    """A bag being written; see `writing`."""

    sink: "_Folder | _Zip"
    payload: list[Put] = field(default_factory=list)
    _taken: set[str] = field(default_factory=set)

    def add(self, path: str, data: bytes | IO[bytes]) -> Put:
        """Add a payload file; `path` begins with `data/`.

        Raises
        ------
        ValueError
            When the path is not a plain one, or one like it is in the bag already: a fault of ours.
        """
        wrong = names.why_not(path)
        if wrong or not path.startswith(f"{names.PAYLOAD}/") or path.casefold() in self._taken:
            raise ValueError(f"{path!r} cannot be in a bag: {wrong or 'not payload, or there twice'}")
        self._taken.add(path.casefold())
        put = self._copy(path, io.BytesIO(data) if isinstance(data, bytes) else data)
        self.payload.append(put)
        return put

    def finish(self, info: Mapping[str, str]) -> str:
        """Write the tag files and return the bag's digest (see `digest_of`)."""
        oxum = f"{sum(one.size_bytes for one in self.payload)}.{len(self.payload)}"
        tags = [self._copy(names.DECLARATION, io.BytesIO(DECLARED))]
        tags.append(self._copy(names.INFO, io.BytesIO(_info({**info, "Payload-Oxum": oxum}))))
        for algorithm in names.ALGORITHMS:
            tags.append(self._copy(f"manifest-{algorithm}.txt", io.BytesIO(_manifest(self.payload, algorithm))))
        for algorithm in names.ALGORITHMS:
            self._copy(f"tagmanifest-{algorithm}.txt", io.BytesIO(_manifest(tags, algorithm)))
        return digest_of({one.path: one.sha256 for one in self.payload})

    def _copy(self, path: str, source: IO[bytes]) -> Put:
        sha256, sha512, size = hashlib.sha256(), hashlib.sha512(), 0
        with self.sink.open(path) as file:
            while block := source.read(BLOCK):
                sha256.update(block)
                sha512.update(block)
                size += len(block)
                file.write(block)
        return Put(path, sha256.hexdigest(), sha512.hexdigest(), size)


def digest_of(payload: Mapping[str, str]) -> str:
    """Return the digest that names a bag's payload: SHA-256 of its sorted lines 'digest, two spaces, path'."""
    lines = "".join(f"{sha256}  {path}\n" for path, sha256 in sorted(payload.items()))
    return hashlib.sha256(lines.encode("utf-8")).hexdigest()


@contextmanager
def writing(target: Path, *, zipped: bool) -> Iterator[BagWriter]:
    """Write a bag beside `target`, as a folder or as one ZIP file; nothing stays unless `sink.place` is called.

    Raises
    ------
    BadRequest
        When something of this name is there, or it cannot be written.
    """
    if os.path.lexists(target):
        raise BadRequest(f"{target} is there already.", "Name a new one with --to; nothing is written over.")
    try:
        disk.make_folder(target.parent)
        with disk.unfinished(target) as temporary:
            sink = _Zip(temporary, target) if zipped else _Folder(temporary, target)
            try:
                yield BagWriter(sink)
            finally:
                sink.close()
    except OSError as error:
        raise BadRequest(
            f"{target} cannot be written ({error.strerror or error}).", "Nothing is left there. Name another with --to."
        ) from None


class _Folder:
    """A bag as a folder."""

    def __init__(self, temporary: Path, target: Path) -> None:
        self.temporary, self.target, self.placed = temporary, target, False
        self._folders = {temporary}
        temporary.mkdir()

    @contextmanager
    def open(self, path: str) -> Iterator[IO[bytes]]:
        """Open a new file of the bag; its bytes are safe when this returns."""
        whole = self.temporary / path
        if whole.parent not in self._folders:
            whole.parent.mkdir(parents=True, exist_ok=True)
            self._folders |= {whole.parent, whole.parent.parent}
        with whole.open("xb") as file:
            yield file
            file.flush()
            os.fsync(file.fileno())

    def place(self) -> None:
        """Give the bag its name; after this it survives a power cut."""
        for folder in sorted(self._folders, reverse=True):
            disk.sync_folder(folder)
        disk.put_in_place(self.temporary, self.target)
        self.placed = True

    def close(self) -> None:
        """Nothing is open between files."""


class _Zip:
    """A bag as one ZIP file, in a folder named as the file (RFC 8493, section 4)."""

    def __init__(self, temporary: Path, target: Path) -> None:
        self.temporary, self.target, self.placed = temporary, target, False
        self._base = names.plain_name(target.stem)
        self._file = temporary.open("xb")
        self._zip = zipfile.ZipFile(self._file, "w", zipfile.ZIP_DEFLATED)

    @contextmanager
    def open(self, path: str) -> Iterator[IO[bytes]]:
        """Open a new member."""
        # The earliest instant that ZIP knows, for all: when a file was made is in the records.
        member = zipfile.ZipInfo(f"{self._base}/{path}")
        member.compress_type = zipfile.ZIP_DEFLATED if path.lower().endswith(SHRUNK) else zipfile.ZIP_STORED
        member.external_attr = 0o644 << 16
        with self._zip.open(member, "w", force_zip64=True) as file:
            yield file

    def place(self) -> None:
        """Give the bag its name; after this it survives a power cut."""
        self._zip.close()
        self._file.flush()
        os.fsync(self._file.fileno())
        self._file.close()
        disk.put_in_place(self.temporary, self.target)
        self.placed = True

    def close(self) -> None:
        """Let go of the file."""
        if not self._file.closed:
            self._zip.fp = None  # a half-written archive needs no directory
            self._file.close()


def _info(info: Mapping[str, str]) -> bytes:
    """Return bag-info.txt; a value is one line, so that it can be read back as it was."""
    lines = [f"{name}: {' '.join(value.split())}\n" for name, value in info.items() if value.strip()]
    return "".join(lines).encode("utf-8")


def _manifest(files: list[Put], algorithm: str) -> bytes:
    lines = [f"{getattr(one, algorithm)}  {one.path}\n" for one in sorted(files, key=lambda one: one.path)]
    return "".join(lines).encode("utf-8")
