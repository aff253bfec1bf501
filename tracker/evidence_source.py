"""What is to be kept as evidence: bytes, a file at a path or an open one, read once and never followed into a pipe."""

import contextlib
import hashlib
import io
import os
import stat
from collections.abc import Iterator
from pathlib import Path
from typing import IO

from tracker.errors import BadRequest

_BLOCK = 1 << 20


@contextlib.contextmanager
def opened(data: bytes | Path | IO[bytes]) -> Iterator[IO[bytes]]:
    """Open bytes or a plain file for reading; anything else is refused before it can block or flood."""
    if isinstance(data, bytes):
        yield io.BytesIO(data)
        return
    if not isinstance(data, Path):
        yield data
        return
    try:
        # Not blocking: opening a pipe must not wait for somebody who writes.
        handle = os.open(data, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
    except FileNotFoundError:
        raise BadRequest(f"There is no file {data}.", "Check its path.") from None
    except (OSError, ValueError) as error:
        raise BadRequest(f"The file {data} cannot be read ({_said(error)}).", "Check its permissions.") from None
    mode = os.fstat(handle).st_mode
    if not stat.S_ISREG(mode):
        os.close(handle)
        kind = "a folder" if stat.S_ISDIR(mode) else "not a plain file"
        raise BadRequest(f"{data} is {kind}.", "Name the file itself.")
    with os.fdopen(handle, "rb") as file:
        yield file


def _said(error: Exception) -> str:
    return (error.strerror if isinstance(error, OSError) else None) or str(error)


def digest_of(source: IO[bytes], copy: IO[bytes] | None = None) -> tuple[str, int]:
    """Return SHA-256 and size of what is read, writing it to `copy` on the way."""
    seen = hashlib.sha256()
    size = 0
    while block := source.read(_BLOCK):
        seen.update(block)
        size += len(block)
        if copy is not None:
            copy.write(block)
    return seen.hexdigest(), size
