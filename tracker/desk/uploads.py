"""Photos handed in from elsewhere: received whole, looked at quickly, safe on the disk before anybody is told so.

They lie in `work/incoming/TOKEN/`, each under its number, until they are evidence. The name a photo came with is never
the name of a file here.
"""

import hashlib
import os
import secrets
import shutil
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import IO

from tracker.desk.fields import file_name
from tracker.desk.quick_look import quick_look
from tracker.desk.task import PhotoRow, Refused
from tracker.disk import sync_folder
from tracker.errors import BadRequest
from vision.photo import MOST_BYTES

INCOMING = "incoming"
MOST_PHOTOS = 30
"""In one request; more than anybody chooses on a phone at once (common practice, no source)."""
_BLOCK = 1 << 20


@dataclass(frozen=True, slots=True)
class Upload:
    """One file as it comes in: the name it was given and a stream of its bytes."""

    name: str
    stream: IO[bytes]


@dataclass(frozen=True, slots=True)
class Received:
    """What came in: photos now on the disk below `token`, and files that were refused."""

    token: str
    taken: tuple[PhotoRow, ...]
    refused: tuple[Refused, ...]


def photo_file(work: Path, token: str, number: int) -> Path:
    """Return where a photo lies that is not evidence yet; `work` is the work folder of the workspace."""
    return work / INCOMING / token / f"{number:03d}"


def plain_name(name: str) -> str:
    """Return a file's own name without the folders some programs send along; fit to be stored and shown."""
    last = name.replace("\\", "/").rstrip("/").rpartition("/")[2].strip()
    return file_name(last) if last not in ("", ".", "..") else "photo"


def receive(work: Path, uploads: Iterable[Upload], lot: str) -> Received:
    """Take in photos of a lot; what cannot be used is refused one by one, and the others are taken all the same.

    Every photo that is named as taken is whole and on the disk when this returns.

    Raises
    ------
    BadRequest
        When the disk refuses; nothing is left then.
    """
    token = secrets.token_hex(8)
    folder = work / INCOMING / token
    taken: list[PhotoRow] = []
    refused: list[Refused] = []
    try:
        folder.mkdir(parents=True)
        for upload in uploads:
            name = plain_name(upload.name)
            try:
                taken.append(_take(work, token, len(taken) + 1, name, upload.stream, taken, lot))
            except BadRequest as error:
                refused.append(Refused(name, error.what, error.advice))
        for one in (folder, folder.parent, work, work.parent) if taken else ():
            sync_folder(one)
    except OSError as error:
        drop(work, token)
        raise BadRequest(
            f"The photos cannot be kept ({error.strerror or error}).",
            "Nothing was taken. Make room and send them again.",
        ) from None
    except BaseException:
        drop(work, token)
        raise
    if not taken:
        drop(work, token)
    return Received(token, tuple(taken), tuple(refused))


def drop(work: Path, token: str) -> None:
    """Remove what came in under a token."""
    shutil.rmtree(work / INCOMING / token, ignore_errors=True)


def drop_photo(work: Path, token: str, number: int) -> None:
    """Remove one photo that is evidence now, and its folder with the last one."""
    path = photo_file(work, token, number)
    with suppress(OSError):
        path.unlink(missing_ok=True)
        path.parent.rmdir()


def _take(
    work: Path, token: str, number: int, name: str, stream: IO[bytes], before: list[PhotoRow], lot: str
) -> PhotoRow:
    if len(before) >= MOST_PHOTOS:
        raise BadRequest(f"'{name}' is one too many.", f"{MOST_PHOTOS} photos are taken at once; send it after them.")
    path = photo_file(work, token, number)
    try:
        sha256, size = _copy(stream, path, name)
        other = next((one for one in before if one.sha256 == sha256), None)
        if other is not None:
            raise BadRequest(f"'{name}' is the same picture as '{other.name}'.", "It is taken once.")
        seen = quick_look(name, path)
        if seen.card_of not in (None, lot):
            raise BadRequest(
                f"The card in '{name}' is of {seen.card_of}, not of {lot}.",
                f"Photograph {seen.card_of} with it, or lay the chips of {lot} on their own card.",
            )
    except BaseException:
        path.unlink(missing_ok=True)
        raise
    return PhotoRow(number, name, sha256, size, seen.warnings)


def _copy(stream: IO[bytes], path: Path, name: str) -> tuple[str, int]:
    """Write a stream to a new file and sync it; return its SHA-256 and size."""
    digest, size = hashlib.sha256(), 0
    with path.open("xb") as file:
        while block := stream.read(_BLOCK):
            size += len(block)
            if size > MOST_BYTES:
                most = MOST_BYTES // 2**20
                raise BadRequest(f"'{name}' is larger than {most} MiB.", f"Photos up to {most} MiB are read.")
            digest.update(block)
            file.write(block)
        file.flush()
        os.fsync(file.fileno())
    return digest.hexdigest(), size
