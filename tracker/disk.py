"""Writing so that it survives a power cut, and whole or not at all."""

import os
import secrets
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


def sync_folder(folder: Path) -> None:
    """Make a new or renamed entry of `folder` survive a power cut; Windows has no such call and needs none."""
    if os.name == "nt":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def make_folder(folder: Path, mode: int = 0o777) -> None:
    """Make a folder, and those above it where they are missing, so that they survive a power cut."""
    if folder.is_dir():
        return
    make_folder(folder.parent)
    try:
        folder.mkdir(mode)
    except FileExistsError:
        if not folder.is_dir():
            raise
    sync_folder(folder.parent)


@contextmanager
def unfinished(target: Path) -> Iterator[Path]:
    """Give a name beside `target` for a file or folder that is to become it; what is left there at the end goes.

    The name begins with a point and says 'unfinished', so that what a kill leaves is not taken for the target.
    """
    temporary = target.with_name(f".{target.name}.unfinished-{secrets.token_hex(4)}")
    try:
        yield temporary
    finally:
        if temporary.is_dir() and not temporary.is_symlink():
            shutil.rmtree(temporary, ignore_errors=True)
        else:
            temporary.unlink(missing_ok=True)


def put_in_place(temporary: Path, target: Path) -> None:
    """Give a finished file or folder its name.

    Raises
    ------
    FileExistsError
        When something of this name is there; it stays as it is.
    """
    if os.path.lexists(target):
        raise FileExistsError(17, "it is there already", str(target))
    temporary.rename(target)
    sync_folder(target.parent)
