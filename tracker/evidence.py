"""Content-addressed files: photos, documents, logs, each kept once under the SHA-256 of its bytes.

A file with digest `ab12...` lies at `ab/ab12...` below the store's address. In a folder it is written to a temporary
file, synced, made read-only and renamed, and the folders are synced, so a kept file survives a power cut whole or is
not there. A bucket (`s3://bucket/prefix`) is `tracker/bucket.py`; other addresses (`memory://name`) go through fsspec,
whose stores put an object whole or not at all.
"""

import contextlib
import errno
import hashlib
import os
import re
import secrets
import stat
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any
from urllib.parse import urlsplit

import fsspec

from tracker.bucket import Bucket, endpoint_in_use
from tracker.bucket_trouble import Trouble
from tracker.disk import make_folder, sync_folder
from tracker.errors import BadRequest, Damaged
from tracker.evidence_source import digest_of, opened

_NAME = re.compile(r"[0-9a-f]{64}")
_FURTHER_DOWN = re.compile(r".+/(?:([0-9a-f]{2})/\1[0-9a-f]{62}|unfinished-[0-9a-f]{16})")
"""Files of a store whose address lies below this one: `tidy` of the upper one must not take them for strays."""
_IN_MEMORY = 8 << 20  # of a file from a bucket; a longer one passes through the disk (our own choice)


class Unreachable(BadRequest):
    """The store as a whole cannot be asked: nothing is known of any file."""


@dataclass(frozen=True, slots=True)
class Kept:
    """One kept file; `new` is False when the same bytes were there already."""

    sha256: str
    size_bytes: int
    new: bool


class EvidenceStore:
    """The files of one workspace.

    Parameters
    ----------
    url : str
        A folder, `file://...`, `s3://...`, or any other address fsspec knows.
    endpoint : str, optional
        Where a bucket's store answers; None: as the environment says.

    Raises
    ------
    BadRequest
        When fsspec does not know the kind of address, or lacks the package for it.
    """

    def __init__(self, url: str, endpoint: str | None = None) -> None:
        self.url, self.endpoint = url, endpoint
        self._bucket: Bucket | None = None
        self._local = False
        if url.startswith("s3://"):
            self._bucket = Bucket(url, endpoint)
            return
        if "://" in url and urlsplit(url).password is not None:
            raise BadRequest(
                "The address of the evidence holds a password; it has no place in it.", "Use a folder or a bucket."
            )
        try:
            # What was listed a moment ago says nothing now: another bench may have written.
            self._fs, self._root = fsspec.core.url_to_fs(url, use_listings_cache=False)
        except (ImportError, ValueError) as error:
            raise BadRequest(
                f"The evidence address {url} cannot be used ({error}).",
                "For buckets run: pip install 'lotproof[buckets]'; otherwise use a folder.",
            ) from None
        self._local = "file" in _protocols(self._fs)

    @property
    def local(self) -> bool:
        """Whether the files lie in a folder here, so that more than one reader for each processor is of no use."""
        return self._local

    @property
    def place(self) -> tuple[str | None, str]:
        """Where it is, the same for every spelling of its address: the endpoint of a bucket, and the address."""
        if self._bucket is not None:
            return endpoint_in_use(self.endpoint), self._bucket.place
        root = str(Path(self._root).resolve()) if self._local else self._root.rstrip("/")
        return None, f"{_protocols(self._fs)[0]}:{root}"

    def keep(self, data: bytes | Path | IO[bytes]) -> Kept:
        """Keep `data` (bytes, the file at a path, or what an open file gives) and return its digest and size.

        Returns only after the bytes are safe. Call it inside an act, so that `tidy` cannot take the file for an orphan.

        Raises
        ------
        BadRequest
            When the path is missing, not a plain file, or cannot be read, or the store cannot be written.
        Damaged
            When the store has a file under this digest whose bytes are not these.
        """
        with opened(data) as source:
            try:
                if self._bucket is not None:
                    return self._keep_in_bucket(self._bucket, source)
                return self._keep_local(source) if self._local else self._keep_remote(source)
            except Trouble as trouble:
                raise BadRequest(trouble.what, f"Nothing was recorded. {trouble.advice}") from trouble
            except OSError as error:
                raise BadRequest(
                    f"The evidence store {self.url} cannot be written ({error.strerror or error}).",
                    "Nothing was recorded. Make room or check its permissions, and try again.",
                ) from error

    def read(self, sha256: str) -> bytes:
        """Return the bytes kept under `sha256`, checked against it.

        Raises
        ------
        Damaged
            When the file is missing or its bytes have changed.
        """
        with self.open(sha256) as file:
            data: bytes = file.read()
        if hashlib.sha256(data).hexdigest() != sha256:
            raise Damaged(
                f"The evidence file {sha256} has changed since it was kept.",
                "Run `lotproof verify` for the whole list.",
            )
        return data

    def open(self, sha256: str) -> IO[bytes]:
        """Open the file kept under `sha256` for reading, unchecked.

        Raises
        ------
        Damaged
            When it is missing.
        BadRequest
            When a bucket does not hand it out; nothing is said of the file then.
        """
        path = self._path(sha256)
        try:
            if self._bucket is None:
                file: IO[bytes] = self._fs.open(path, "rb")
                return file
            with _told():
                return _fetched(self._bucket, path)
        except FileNotFoundError:
            raise Damaged(
                f"The evidence file {sha256} is missing.", "Run `lotproof verify` for the whole list."
            ) from None

    def has(self, sha256: str) -> bool:
        """Tell whether a file is kept under `sha256`."""
        path = self._path(sha256)
        if self._bucket is None:
            return bool(self._fs.isfile(path))
        with _told():
            return self._bucket.look(path) is not None

    def digest(self, sha256: str) -> tuple[str, int]:
        """Return the SHA-256 and size of the bytes that now lie under `sha256`.

        Raises
        ------
        Damaged
            When it is missing.
        OSError
            When this file cannot be read.
        Unreachable
            When no file of the store can be.
        """
        if self._bucket is None:
            with self.open(sha256) as file:
                return digest_of(file)
        try:
            return self._bucket.digest(self._path(sha256))
        except FileNotFoundError:
            raise Damaged(
                f"The evidence file {sha256} is missing.", "Run `lotproof verify` for the whole list."
            ) from None
        except Trouble as trouble:
            if trouble.lasting:
                raise Unreachable(trouble.what, trouble.advice) from trouble
            raise OSError(errno.EIO, trouble.what.rstrip(".")) from trouble

    def all(self) -> Iterator[str]:
        """Yield the digest of every kept file, in order."""
        return (name.rsplit("/", 1)[1] for name in self._names() if self._is_kept(name))

    def strays(self) -> Iterator[str]:
        """Yield the names, relative to the store, of files that are not evidence: what an interrupted act left.

        Files of another store whose address lies below this one are none of ours.
        """
        return (name for name in self._names() if not self._is_kept(name) and not _FURTHER_DOWN.fullmatch(name))

    def remove(self, name: str) -> None:
        """Remove an orphan (its digest) or a stray (its name). Only `tidy` and a failed act do this."""
        if self._bucket is not None:
            with _told():
                self._bucket.remove(self._path(name) if _NAME.fullmatch(name) else name)
            return
        path = self._path(name) if _NAME.fullmatch(name) else f"{self._root}/{name}"
        if not self._local:
            self._fs.rm_file(path)
            return
        Path(path).unlink(missing_ok=True)
        sync_folder(Path(path).parent)

    def _path(self, sha256: str) -> str:
        if not _NAME.fullmatch(sha256):
            raise BadRequest(f"'{sha256}' is not a SHA-256 digest.", "It has 64 characters, 0-9 and a-f.")
        name = f"{sha256[:2]}/{sha256}"
        return name if self._bucket is not None else f"{self._root}/{name}"

    def _names(self) -> Iterator[str]:
        if self._bucket is not None:
            with _told():
                yield from self._bucket.names()
            return
        with contextlib.suppress(FileNotFoundError):
            found = self._fs.find(self._root)
            yield from sorted(str(path).removeprefix(self._root).lstrip("/") for path in found)

    def _is_kept(self, name: str) -> bool:
        folder, _, last = name.rpartition("/")
        return bool(_NAME.fullmatch(last)) and folder == last[:2]

    def _keep_local(self, source: IO[bytes]) -> Kept:
        root = Path(self._root)
        make_folder(root)
        temporary = root / f"unfinished-{secrets.token_hex(8)}"
        try:
            with temporary.open("xb") as file:
                sha256, size = digest_of(source, file)
                file.flush()
                os.fsync(file.fileno())
            target = Path(self._path(sha256))
            if target.exists():
                self._check_same(sha256)
                # Whoever put it there may have been killed before its name was safe.
                sync_folder(target.parent)
                sync_folder(root)
                return Kept(sha256, size, new=False)
            make_folder(target.parent)
            temporary.chmod(stat.S_IRUSR | stat.S_IRGRP | stat.S_IROTH)
            temporary.replace(target)
            sync_folder(target.parent)
            return Kept(sha256, size, new=True)
        finally:
            temporary.unlink(missing_ok=True)

    def _keep_remote(self, source: IO[bytes]) -> Kept:
        # The digest is the name: copied beside us first, a source that changes meanwhile cannot make it lie.
        with tempfile.TemporaryDirectory(prefix="lotproof-") as folder:
            copy = Path(folder) / "copy"
            with copy.open("wb") as file:
                sha256, size = digest_of(source, file)
            if self.has(sha256):
                self._check_same(sha256)
                return Kept(sha256, size, new=False)
            self._fs.makedirs(f"{self._root}/{sha256[:2]}", exist_ok=True)
            self._fs.put_file(str(copy), self._path(sha256))
        return Kept(sha256, size, new=True)

    def _keep_in_bucket(self, bucket: Bucket, source: IO[bytes]) -> Kept:
        # Copied first: the digest must be known before the first byte is sent.
        with tempfile.TemporaryDirectory(prefix="lotproof-") as folder:
            copy = Path(folder) / "copy"
            with copy.open("wb") as file:
                sha256, size = digest_of(source, file)
            path = self._path(sha256)
            stored = bucket.look(path)
            if stored is None and bucket.put(path, copy, sha256, size):
                return Kept(sha256, size, new=True)
            stored = stored or bucket.look(path)
            # A checksum that the store keeps stands for the bytes; without one they are read.
            if stored is None or stored.size_bytes != size or (stored.sha256 or bucket.digest(path)[0]) != sha256:
                raise _changed(sha256)
        return Kept(sha256, size, new=False)

    def _check_same(self, sha256: str) -> None:
        if self.digest(sha256)[0] != sha256:
            raise _changed(sha256)


def _changed(sha256: str) -> Damaged:
    return Damaged(
        f"The evidence file {sha256} has changed since it was kept.",
        "Run `lotproof verify`, and bring the file back from a backup.",
    )


@contextlib.contextmanager
def _told() -> Iterator[None]:
    """Turn what a bucket did not do into what a person reads."""
    try:
        yield
    except Trouble as trouble:
        raise Unreachable(trouble.what, trouble.advice) from trouble


def _fetched(bucket: Bucket, path: str) -> IO[bytes]:
    """Return a file that holds an object, whole; it goes when it is closed."""
    # Whole before the first byte is handed out: whoever reads cannot take a part for the file.
    with contextlib.ExitStack() as stack:
        file = stack.enter_context(tempfile.SpooledTemporaryFile(max_size=_IN_MEMORY, prefix="lotproof-"))
        bucket.fetch(path, file)
        stack.pop_all()
    return file


def _protocols(filesystem: Any) -> tuple[str, ...]:
    protocol = filesystem.protocol
    return (protocol,) if isinstance(protocol, str) else tuple(protocol)
