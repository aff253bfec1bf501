"""Pictures made once: kept in memory for this process and in a folder for the next, both bounded in bytes.

Nothing in it is evidence. It lies outside the workspace, where `verify` would name it, and may be removed at any time.
"""

import os
import re
import secrets
import threading
from collections import OrderedDict
from contextlib import suppress
from pathlib import Path

from tracker.desk.kept_copy import cache_folder

MIB = 1024 * 1024
MOST_IN_MEMORY, MOST_ON_DISK = 64 * MIB, 256 * MIB
"""Common practice, no source: a crop has about 10 kB, so these are some thousands and some tens of thousands."""
_NAME = re.compile(r"[0-9a-f]{64}\.jpg")
_FIRST, _LAST = b"\xff\xd8", b"\xff\xd9"


def folder() -> Path | None:
    """Return where pictures are kept between runs, None where they are not to be."""
    place = cache_folder()
    return None if place is None else place / "pictures"


class PictureCache:
    """JPEG pictures by a name of 64 hexadecimal digits that changes with what they show.

    Parameters
    ----------
    place : Path or None
        None: memory alone.
    memory, disk : int
        Bounds in bytes.
    """

    def __init__(self, place: Path | None, memory: int = MOST_IN_MEMORY, disk: int = MOST_ON_DISK) -> None:
        self.place, self.memory, self.disk = place, memory, disk
        self._held: OrderedDict[str, bytes] = OrderedDict()
        self._bytes = 0
        self._on_disk: int | None = None
        self._lock = threading.Lock()

    def get(self, name: str) -> bytes | None:
        """Return a picture, or None."""
        with self._lock:
            if name in self._held:
                self._held.move_to_end(name)
                return self._held[name]
        data = self._from_disk(name)
        if data is not None:
            self._hold(name, data)
        return data

    def put(self, name: str, data: bytes) -> None:
        """Keep a picture; a folder that cannot be written is no fault, it is only slower."""
        self._hold(name, data)
        if self.place is not None:
            with suppress(OSError):
                self._to_disk(self.place, name, data)

    def _hold(self, name: str, data: bytes) -> None:
        with self._lock:
            self._bytes += len(data) - len(self._held.pop(name, b""))
            self._held[name] = data
            while self._bytes > self.memory and len(self._held) > 1:
                _, gone = self._held.popitem(last=False)
                self._bytes -= len(gone)

    def _from_disk(self, name: str) -> bytes | None:
        if self.place is None:
            return None
        path = self.place / f"{name}.jpg"
        try:
            data = path.read_bytes()
            os.utime(path)  # what is used stays
        except OSError:
            return None
        # A power cut may leave a file without its content.
        return data if data.startswith(_FIRST) and data.endswith(_LAST) else None

    def _to_disk(self, place: Path, name: str, data: bytes) -> None:
        # Photos of a workshop are nobody else's business.
        place.mkdir(parents=True, exist_ok=True, mode=0o700)
        temporary = place / f".{secrets.token_hex(8)}.part"
        try:
            temporary.write_bytes(data)
            temporary.replace(place / f"{name}.jpg")
        finally:
            temporary.unlink(missing_ok=True)
        with self._lock:
            known = self._on_disk
            self._on_disk = full = _size(place) if known is None else known + len(data)
        if full > self.disk:
            self._make_room(place)

    def _make_room(self, place: Path) -> None:
        """Remove what was not looked at for longest, down to nine tenths of the bound."""
        found = []
        for path in _ours(place):
            with suppress(OSError):
                state = path.stat()
                found.append((state.st_mtime_ns, state.st_size, path))
        left = sum(size for _, size, _ in found)
        for _, size, path in sorted(found):
            if left <= 0.9 * self.disk:
                break
            path.unlink(missing_ok=True)
            left -= size
        with self._lock:
            self._on_disk = left


def _ours(place: Path) -> list[Path]:
    return [path for path in place.iterdir() if _NAME.fullmatch(path.name)]


def _size(place: Path) -> int:
    total = 0
    for path in _ours(place):
        with suppress(OSError):
            total += path.stat().st_size
    return total
