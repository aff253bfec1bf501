"""Somebody else's bag, as a folder or a ZIP file, listed without trusting a word of it.

Everything here happens before anything is written: what is no plain file, what has a name that is not plain, what
differs from another only by case, and what is too much is refused. A ZIP is then unpacked into a folder of our own,
block by block, counting what comes out rather than believing what its directory says.
"""

import errno
import os
import stat
import struct
import zipfile
import zlib
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import IO

from tracker.dossier.bag import names
from tracker.errors import BadRequest, Damaged

MOST_FILES = 20_000
MOST_BYTES = 20_000_000_000
"""Our own bounds: a lot has some hundred photos of some megabytes each."""
MOST_RATIO = 100
"""Bytes out for each byte of the archive; deflate alone goes up to 1032 (from memory: zlib's technical details), photos
stay near 1, our records come to about 20. Common practice, no source."""
FREE_BYTES = 16_000_000
"""What may come out of any archive: nobody is hurt by this much."""
_BLOCK = 1 << 20
_UNSOUND = (zipfile.BadZipFile, zipfile.LargeZipFile, NotImplementedError, EOFError, struct.error, zlib.error)
_UNCHANGED = "Nothing was changed."
Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True)
class Listed:
    """One file of a bag: its path in the bag, and its size as far as is known before it is read."""

    path: str
    size_bytes: int


def refused(what: str, advice: str = "") -> BadRequest:
    """Return the error for a bag that is not taken in."""
    return BadRequest(f"This bag is refused: {what}.", f"{advice} {_UNCHANGED}".strip())


def damaged(what: str) -> Damaged:
    """Return the error for a bag that is not what it was when it was made."""
    return Damaged(f"This bag is damaged: {what}.", f"Ask for it again. {_UNCHANGED}")


def list_folder(folder: Path) -> tuple[Listed, ...]:
    """Return the files of a bag that is a folder.

    Raises
    ------
    BadRequest
        When anything in it is no plain file or folder, is linked, has a name that is not plain, or is too much.
    """
    if not (folder / names.DECLARATION).is_file():
        raise BadRequest(
            f"{folder} is no bag: it holds no {names.DECLARATION}.", "Name the folder that `lotproof export bag` wrote."
        )
    found: list[Listed] = []
    waiting, seen = [("", folder)], 0
    while waiting:
        prefix, where = waiting.pop()
        with os.scandir(where) as entries:
            for entry in entries:
                path = f"{prefix}{entry.name}"
                known = entry.stat(follow_symlinks=False)
                seen += 1
                if seen > 2 * MOST_FILES:
                    raise refused(f"it has more than {2 * MOST_FILES} files and folders")
                if stat.S_ISDIR(known.st_mode):
                    _check_name(f"{path}/x")  # its own depth and name, before anything below it is looked at
                    waiting.append((f"{path}/", Path(entry.path)))
                    continue
                _check_kind(path, known)
                found.append(Listed(path, known.st_size))
                if len(found) > MOST_FILES:
                    raise refused(f"it has more than {MOST_FILES} files")
    return _checked(found)


def _check_kind(path: str, known: os.stat_result) -> None:
    if stat.S_ISLNK(known.st_mode):
        raise refused(f"{shown(path)} is a symbolic link", "A bag holds plain files only.")
    if not stat.S_ISREG(known.st_mode):
        raise refused(f"{shown(path)} is no plain file", "A bag holds plain files only.")
    if known.st_nlink > 1 and os.name != "nt":
        raise refused(
            f"{shown(path)} is a hard link: the same file has another name", "Copy the bag to a folder of its own."
        )


def _checked(found: Iterable[Listed]) -> tuple[Listed, ...]:
    """Check names, case and amount of what was listed."""
    files = sorted(found, key=lambda one: one.path)
    seen: dict[str, str] = {}
    for one in files:
        _check_name(one.path)
        other = seen.setdefault(one.path.casefold(), one.path)
        if other != one.path:
            raise refused(f"{shown(other)} and {shown(one.path)} differ by case only")
    # A file must not be a folder as well: an archive can say so.
    folders = {one.path.casefold()[:at] for one in files for at in _slashes(one.path)}
    for one in files:
        if one.path.casefold() in folders:
            raise refused(f"{shown(one.path)} is a file and a folder")
    total = sum(one.size_bytes for one in files)
    if total > MOST_BYTES:
        raise refused(f"it holds {total:,} bytes, more than {MOST_BYTES:,}")
    return tuple(files)


def _slashes(path: str) -> list[int]:
    return [at for at, letter in enumerate(path) if letter == "/"]


def _check_name(path: str) -> None:
    wrong = names.why_not(path)
    if wrong:
        raise refused(f"the name {shown(path)} is not allowed ({wrong})")


def shown(path: str) -> str:
    """Return a hostile name fit to be printed."""
    short = path if len(path) <= 80 else f"{path[:80]}..."
    return "'" + "".join(letter if letter.isprintable() else "?" for letter in short) + "'"


def unpack(archive: Path, into: Path, progress: Progress | None = None) -> tuple[Path, tuple[Listed, ...]]:
    """Unpack a bag that is a ZIP file into the empty folder `into`; return the bag's folder there and its files.

    Raises
    ------
    BadRequest
        When it is no sound ZIP file, a member is no plain file, has a name that is not plain, is encrypted or there
        twice, or more comes out than is allowed.
    """
    try:
        with archive.open("rb") as file:
            _check_directory(file)
            with zipfile.ZipFile(file) as opened:
                base, members = _members(opened)
                allowed = min(MOST_BYTES, max(FREE_BYTES, MOST_RATIO * archive.stat().st_size))
                _check_amount(sum(member.file_size for member in members.values()), allowed)
                _extract(opened, members, into / base, allowed, progress)
    except (*_UNSOUND, ValueError) as error:
        raise damaged(f"{archive.name} is no sound ZIP file ({_said(error)})") from None
    except OSError as error:
        if error.errno != errno.EINVAL:
            raise
        raise damaged(f"{archive.name} is no sound ZIP file (a member lies outside of it)") from None  # a seek
    return into / base, tuple(Listed(path, member.file_size) for path, member in sorted(members.items()))


def _said(error: Exception) -> str:
    return "".join(letter if letter.isprintable() else "?" for letter in str(error))[:120] or type(error).__name__


def _check_directory(file: IO[bytes]) -> None:
    """Refuse a directory of members that is itself too large to be read; `zipfile` reads it whole."""
    end = file.seek(0, os.SEEK_END)
    file.seek(max(0, end - 66_000))  # the end record, its comment of at most 65,535 bytes, and the locator before it
    tail = file.read()
    at = tail.rfind(b"PK\x05\x06")
    if at < 0 or len(tail) < at + 22:
        raise zipfile.BadZipFile("it has no directory")
    count, size = struct.unpack("<HL", tail[at + 10 : at + 16])
    if tail[max(0, at - 20) : at].startswith(b"PK\x06\x07"):  # the locator of the larger form, its record before it
        count, size = struct.unpack("<QQ", tail[at - 44 : at - 28])
    # 46 bytes and a name for each member (APPNOTE.TXT 4.3.12), extra fields besides.
    if count > MOST_FILES or size > MOST_FILES * 600:
        raise refused(f"it has more than {MOST_FILES} files")
    file.seek(0)


def _members(opened: zipfile.ZipFile) -> tuple[str, dict[str, zipfile.ZipInfo]]:
    """Return the one folder in an archive, and its files by their path below it."""
    members: dict[str, zipfile.ZipInfo] = {}
    bases: set[str] = set()
    if len(opened.infolist()) > MOST_FILES:
        raise refused(f"it has more than {MOST_FILES} files")
    for member in opened.infolist():
        base, slash, path = member.orig_filename.partition("/")
        if not slash:
            raise refused(f"{shown(member.orig_filename)} lies beside the bag's folder in the archive")
        _check_name(base)
        bases.add(base)
        if member.orig_filename.endswith("/"):
            if path:
                _check_name(path.rstrip("/"))
            continue
        _check_member(path, member)
        if path in members:
            raise refused(f"{shown(path)} is in the archive twice")
        members[path] = member
    if len(bases) != 1:
        raise refused("a ZIP file holds one folder, and the bag in it" if not bases else "it holds several folders")
    _checked(Listed(path, member.file_size) for path, member in members.items())
    return bases.pop(), members


def _check_member(path: str, member: zipfile.ZipInfo) -> None:
    _check_name(path)
    mode = member.external_attr >> 16
    if stat.S_IFMT(mode) not in (0, stat.S_IFREG):
        kind = "a symbolic link" if stat.S_ISLNK(mode) else "no plain file"
        raise refused(f"{shown(path)} is {kind}", "A bag holds plain files only.")
    if member.flag_bits & 0x41:
        raise refused(f"{shown(path)} is encrypted")
    if member.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
        raise refused(f"{shown(path)} is compressed in another way than deflate")


def _check_amount(total: int, allowed: int) -> None:
    if total > allowed:
        raise refused(f"more than {allowed:,} bytes would come out of the archive, too much for its size")


def _extract(
    opened: zipfile.ZipFile,
    members: dict[str, zipfile.ZipInfo],
    base: Path,
    allowed: int,
    progress: Progress | None,
) -> None:
    total = 0
    base.mkdir()
    for number, (path, member) in enumerate(members.items(), start=1):
        target = base / path
        target.parent.mkdir(parents=True, exist_ok=True)
        with opened.open(member) as source, target.open("xb") as file:
            while block := source.read(_BLOCK):
                total += len(block)
                _check_amount(total, allowed)  # before it is written
                file.write(block)
        if target.stat().st_size != member.file_size:
            raise zipfile.BadZipFile(f"{path} has another size than said")
        if progress is not None:
            progress(number, len(members))


def read_limited(path: Path, most: int) -> bytes:
    """Return a file's bytes.

    Raises
    ------
    BadRequest
        When it has more than `most`.
    """
    with path.open("rb") as file:
        data = file.read(most + 1)
    if len(data) > most:
        raise refused(f"{shown(path.name)} has more than {most:,} bytes")
    return data


def unreadable(error: OSError) -> BadRequest:
    """Return the error for a bag that could not be read or unpacked."""
    return BadRequest(f"The bag cannot be read or unpacked ({error.strerror or error}).", _UNCHANGED)
