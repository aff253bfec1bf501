"""One S3-compatible bucket: objects that are put whole or not at all, and read whole or not at all.

s3fs finds the credentials (environment, configuration files, the machine's role; never ours to keep) and opens the
connection. What is asked is asked here, one request after the other, since the promises are ours:

- A put is one request. The SHA-256 goes along, so a store that knows checksums refuses other bytes; `If-None-Match`
  keeps what is there already. Afterwards size and checksum are asked for; a store that keeps no checksum is read back.
- Nothing of a listing is remembered: another bench may have written since.
- Every request ends: it is tried `TRIES` times, each try within `ANSWER_S` for the answer and `SLOWEST` for the bytes.
"""

import asyncio
import base64
import functools
import hashlib
import os
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

from tracker.bucket_trouble import TELL_ITS_KEEPER, Broken, NotKnown, Trouble, judged, no_bucket
from tracker.errors import BadRequest

CONNECT_S = 5.0
"""How long a connection may take; what s3fs has by itself."""
ANSWER_S = 15.0
"""How long the store may say nothing; what s3fs has by itself."""
TRIES = 3
"""How often a request is made before it is given up; common practice, no source (botocore's standard mode has 3)."""
PAUSES_S = (0.2, 1.0)
"""What is waited before the second and the third try; common practice, no source."""
SLOWEST = 50_000
"""Bytes a second below which a transfer is given up; our own choice: a photo of 5 MB within two minutes."""
LARGEST = 5 * 1024**3
"""Bytes one request may put; Amazon S3 User Guide, 'Uploading objects' (from memory)."""
PAGE = 1000
"""Names one answer of a listing holds at most; Amazon S3 API Reference, ListObjectsV2 (from memory)."""
IN_A_ROW = 5
"""After so many objects in a row that could not be had the store as a whole is said to be at fault; our own choice."""
_BLOCK = 1 << 20


@dataclass(frozen=True, slots=True)
class Stored:
    """What the store says of an object; `sha256` is None where it keeps no checksum of the whole object."""

    size_bytes: int
    sha256: str | None


class Bucket:
    """The objects below one address.

    Parameters
    ----------
    url : str
        `s3://bucket` or `s3://bucket/prefix`.
    endpoint : str, optional
        Where the store answers; None: as botocore finds it (AWS_ENDPOINT_URL_S3, AWS_ENDPOINT_URL, its configuration).

    Raises
    ------
    BadRequest
        When the address holds credentials or no bucket, or s3fs is not installed.
    """

    def __init__(self, url: str, endpoint: str | None = None) -> None:
        _, _, rest = url.partition("://")
        self.name, _, prefix = rest.strip("/").partition("/")
        self._prefix = f"{prefix}/" if prefix else ""
        self.url, self._endpoint = url, endpoint
        self._fs: Any = None
        self._failed = 0
        if "@" in self.name or ":" in self.name or "@" in (endpoint or ""):
            raise BadRequest(
                "The address of the evidence holds credentials; they have no place in it.",
                "Put them into AWS_ACCESS_KEY_ID and AWS_SECRET_ACCESS_KEY, or into ~/.aws/credentials.",
            )
        if not self.name:
            raise BadRequest(f"The evidence address {url} names no bucket.", "Write it like s3://bucket/workshop.")
        _installed()

    @property
    def place(self) -> str:
        """The address, the same for every spelling of it."""
        return f"s3://{self.name}/{self._prefix}"

    def look(self, name: str) -> Stored | None:
        """Return what the store says of an object, or None where there is none."""
        try:
            said = self._ask("head_object", Key=self._key(name), ChecksumMode="ENABLED")
        except FileNotFoundError:
            return None
        return Stored(int(said["ContentLength"]), _whole_checksum(said))

    def put(self, name: str, path: Path, sha256: str, size: int) -> bool:
        """Put a file under a name that is not taken yet; return False where it was taken.

        Raises
        ------
        Trouble
            When it could not be put, or the store does not hold these bytes afterwards; then nothing is left there.
        """
        if size > LARGEST:
            what = f"The file has {size:,} bytes, and a bucket takes {LARGEST:,} at once."
            raise Trouble(what, "Keep it elsewhere, and log a shorter file.", lasting=False)
        try:
            self._put(name, path, sha256, size)
        except FileExistsError:
            return False
        if not self._holds(name, sha256, size):
            self.remove(name)
            raise Trouble(f"The bucket {self.name} did not keep the bytes it was given.", TELL_ITS_KEEPER, lasting=True)
        return True

    def _put(self, name: str, path: Path, sha256: str, size: int) -> None:
        checksum = base64.b64encode(bytes.fromhex(sha256)).decode()
        wanted: dict[str, Any] = {"Key": self._key(name), "ContentLength": size, "ChecksumSHA256": checksum}
        try:
            self._ask("put_object", body=path, size=size, IfNoneMatch="*", **wanted)
        except NotKnown:  # a store without conditional puts; the caller holds the write lock, so nobody else puts it
            self._ask("put_object", body=path, size=size, **wanted)

    def fetch(self, name: str, into: "Sink") -> tuple[str, int]:
        """Write an object into a file from its beginning, whole; return its SHA-256 and size.

        Raises
        ------
        FileNotFoundError
            When there is none.
        Trouble
            When it could not be had whole.
        """
        found: list[tuple[str, int]] = []

        async def get() -> None:
            into.seek(0)
            into.truncate()
            async with asyncio.timeout(CONNECT_S + ANSWER_S):
                said = await self._fs._call_s3("get_object", Bucket=self.name, Key=self._key(name))
            async with asyncio.timeout(ANSWER_S + int(said["ContentLength"]) / SLOWEST):
                found[:] = [await _take(said, into)]

        self._try(get, limit=None)
        into.seek(0)
        return found[0]

    def names(self) -> Iterator[str]:
        """Yield the names of all objects in order, asking for them page by page."""
        more: dict[str, Any] = {}
        while True:
            try:
                said = self._ask("list_objects_v2", Prefix=self._prefix, MaxKeys=PAGE, **more)
            except FileNotFoundError:
                raise no_bucket(self.name) from None
            for one in said.get("Contents", ()):
                yield str(one["Key"]).removeprefix(self._prefix)
            if not said.get("IsTruncated"):
                return
            more = {"ContinuationToken": said["NextContinuationToken"]}

    def remove(self, name: str) -> None:
        """Remove an object; that it is gone already is no fault."""
        self._ask("delete_object", Key=self._key(name))

    def _holds(self, name: str, sha256: str, size: int) -> bool:
        stored = self.look(name)
        if stored is None or stored.size_bytes != size:
            return False
        return stored.sha256 == sha256 if stored.sha256 else self.digest(name) == (sha256, size)

    def digest(self, name: str) -> tuple[str, int]:
        """Return the SHA-256 and the size of the bytes that lie under a name now; as `fetch`, keeping nothing."""
        return self.fetch(name, _Nowhere())

    def _key(self, name: str) -> str:
        return f"{self._prefix}{name}"

    def _ask(self, method: str, *, body: Path | None = None, size: int = 0, **values: Any) -> Any:
        async def ask() -> Any:
            if body is None:
                return await self._fs._call_s3(method, Bucket=self.name, **values)
            with body.open("rb") as file:  # anew for each try: the one before read it to some point
                return await self._fs._call_s3(method, Bucket=self.name, Body=file, **values)

        return self._try(ask, limit=CONNECT_S + ANSWER_S + size / SLOWEST)

    def _try(self, ask: Callable[[], Any], limit: float | None) -> Any:
        """Carry out a request, again where that is safe and may help; all our requests may be repeated."""
        from fsspec.asyn import sync

        self._fs = _filesystem(endpoint_in_use(self._endpoint), os.getpid(), CONNECT_S, ANSWER_S)
        trouble: Trouble | None = None
        for number in range(TRIES):
            if number:
                time.sleep(PAUSES_S[min(number, len(PAUSES_S)) - 1])
            try:
                answer = sync(self._fs.loop, ask, timeout=limit)
            except Exception as error:
                trouble = judged(self.name, error)
                continue
            self._failed = 0
            return answer
        assert trouble is not None
        self._failed += 1
        if self._failed >= IN_A_ROW:
            trouble.lasting = True
        raise trouble


@functools.cache
def _filesystem(endpoint: str | None, _process: int, connect_s: float, answer_s: float) -> Any:
    """Return the connection to a store, one for all threads of a process: making one takes a third of a second."""
    import s3fs

    config = {
        "connect_timeout": connect_s,
        "read_timeout": answer_s,
        # We try again ourselves: then it is known how often, and a file is sent from its beginning.
        "retries": {"total_max_attempts": 1, "mode": "standard"},
        "user_agent_appid": "lotproof",
    }
    filesystem = s3fs.S3FileSystem(
        endpoint_url=endpoint, config_kwargs=config, use_listings_cache=False, skip_instance_cache=True
    )
    filesystem.retries = 1
    return filesystem


class Sink(Protocol):
    """Where the bytes of an object go."""

    def seek(self, to: int, /) -> Any:
        """Go to a place in bytes from the beginning."""

    def truncate(self) -> Any:
        """Leave out what comes after this place."""

    def write(self, block: bytes, /) -> Any:
        """Take bytes."""


class _Nowhere:
    """Keeps nothing."""

    def seek(self, _to: int, /) -> None: ...

    def truncate(self) -> None: ...

    def write(self, _block: bytes, /) -> None: ...


async def _take(said: Any, into: Sink) -> tuple[str, int]:
    """Write the body of an answer into a file and return its SHA-256 and size; it must be as long as announced."""
    seen, size = hashlib.sha256(), 0
    async with said["Body"] as body:
        while block := await body.read(_BLOCK):
            seen.update(block)
            into.write(block)
            size += len(block)
    if size != int(said["ContentLength"]):
        raise Broken
    return seen.hexdigest(), size


def _whole_checksum(said: Any) -> str | None:
    """Return the SHA-256 the store keeps of the whole object; one made of parts has another form."""
    text = said.get("ChecksumSHA256")
    if not text or said.get("ChecksumType", "FULL_OBJECT") != "FULL_OBJECT" or "-" in text:
        return None
    return base64.b64decode(text).hex()


def _installed() -> None:
    from importlib.util import find_spec

    if find_spec("s3fs") is None:
        raise BadRequest(
            "The evidence is in a bucket, and s3fs is not installed.", "Run: pip install 'lotproof[buckets]'"
        )


def endpoint_in_use(endpoint: str | None) -> str | None:
    """Return the endpoint that will be asked, from the settings or the environment; None for the default of S3."""
    return endpoint or os.environ.get("AWS_ENDPOINT_URL_S3") or os.environ.get("AWS_ENDPOINT_URL")
