"""Writing a file where the user wants it, whole or not at all."""

import errno
import os
import re
import secrets
import shutil
from contextlib import suppress
from pathlib import Path

from tracker.disk import sync_folder

_OPENED_BY_OTHERS = (Path("/dev/stdout"), Path("/dev/stderr"))
_PART = re.compile(r"\.[0-9a-f]{16}\.part")
_DESCRIPTORS = (Path("/dev/fd"), Path("/proc"))


def put_whole(path: Path, data: bytes) -> None:
    """Write a file so that at every moment it is the earlier one, or none, or the whole new one.

    A link stays one and what it names is replaced; a pipe or a device is written to as it is.

    Raises
    ------
    OSError
        It cannot be written there; what was there before is as it was.
    """
    try:
        if _is_no_file(path):
            with path.open("ab") as there:  # a folder refuses by itself
                there.write(data)
        else:
            _replace(path.resolve(), data)  # renaming onto a link would replace the link
    except (ValueError, RuntimeError) as error:  # a NUL in the name; links in a circle
        raise OSError(errno.EINVAL, str(error), str(path)) from None


def is_part(path: Path) -> bool:
    """Tell by its name whether a file is what a kill left of one that was being written."""
    return _PART.fullmatch(path.name) is not None


def _is_no_file(path: Path) -> bool:
    """Whether it is a pipe, a device or a folder; or /dev/stdout, whose file somebody else has opened.

    Not all below /dev is a device: a file system in memory is mounted there, with files like any other.
    """
    there = path.absolute()
    opened = there in _OPENED_BY_OTHERS or any(place in there.parents for place in _DESCRIPTORS)
    return opened or (path.exists() and not path.is_file())


def _replace(target: Path, data: bytes) -> None:
    # The name is short whatever the target's is: file systems take 255 bytes.
    temporary = target.with_name(f".{secrets.token_hex(8)}.part")
    try:
        with temporary.open("xb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())  # else a power cut may leave the new name with nothing in it
        if target.exists():
            with suppress(OSError):  # not every file system knows modes
                shutil.copymode(target, temporary)
        temporary.replace(target)
        sync_folder(target.parent)  # else what was told to be there may be the earlier one after a power cut
    finally:
        temporary.unlink(missing_ok=True)
