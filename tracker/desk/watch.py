"""A folder that a tethered camera or a phone's sync writes into: which photos came, in what order, and are they whole.

The folder is listed again and again. That is slower than being told by the system, and works the same on local disks
and on network folders, whose servers tell nobody.
"""

import hashlib
import os
import stat
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from tracker.errors import BadRequest

SETTLE_S, POLL_S, PATIENCE_S = 1.0, 0.25, 30.0
"""A file counts as written when size and time have not changed for so long, and as unusable when it then does not open
for so long; the folder is listed at such intervals. Common practice, no source: a network folder may show a file's
growth seconds late, which is why a photo must open, too, before it is taken."""
PHOTO_ENDINGS = frozenset(
    {".jpg", ".jpeg", ".jpe", ".jfif", ".png", ".webp", ".tif", ".tiff", ".heic", ".heif", ".avif"}
)
UNFINISHED = frozenset({".part", ".partial", ".tmp", ".temp", ".crdownload", ".download", ".upload", ".incomplete"})
"""What programs put into the name of a file that they are still writing (common practice, no source)."""

_Signature = tuple[int, int]


@dataclass(frozen=True, slots=True)
class Arrived:
    """A photo that came and is whole; its bytes as they were when it was found so."""

    path: Path
    data: bytes


@dataclass(frozen=True, slots=True)
class PassedOver:
    """What came and is not looked at, or what happened to the folder itself.

    Parameters
    ----------
    path : Path
    reason : str
        A sentence for a person; empty where nothing need be said.
    unusable : bool
        True for what is a photo by its name and does not open.
    """

    path: Path
    reason: str
    unusable: bool = False


@dataclass(frozen=True, slots=True)
class Ends:
    """When a watch ends of itself: after so many photos, after so many seconds, or never."""

    photos: int | None = None
    seconds: float | None = None


@dataclass(slots=True)
class _Pending:
    """A file that is not taken yet."""

    signature: _Signature
    changed_ns: int
    since: float
    tried: float | None = None
    trouble: str = ""


class Watch:
    """What came into a folder since the watch began.

    Parameters
    ----------
    folder : Path
        The folder itself; what lies in folders below it does not count.

    Raises
    ------
    BadRequest
        When it is no folder, or cannot be read.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        try:
            self._known = {name: signature for name, signature, _ in _photos(folder)}
        except (OSError, ValueError) as error:
            raise _no_folder(folder, error) from None
        self.before = len(self._known)
        """How many photos lay there already."""
        self._pending: dict[str, _Pending] = {}
        self._taken: dict[str, str] = {}
        self._lost = False

    def poll(self, now: float, *, new: bool = True) -> list[PassedOver]:
        """List the folder once; return what is to be said of the folder itself. `new` takes in what was not there."""
        try:
            there = _photos(self.folder)
        except OSError as error:
            if self._lost:
                return []
            self._lost = True
            return [PassedOver(self.folder, f"{self.folder} cannot be read just now ({error.strerror or error}).")]
        said = [PassedOver(self.folder, f"{self.folder} can be read again.")] if self._lost else []
        self._lost = False
        for name, signature, changed in there:
            if self._known.get(name) == signature:
                self._pending.pop(name, None)
                continue
            pending = self._pending.get(name)
            if pending.signature != signature if pending else new:
                self._pending[name] = _Pending(signature, changed, now)
        gone = self._pending.keys() - {name for name, _, _ in there}
        for name in gone:
            del self._pending[name]
        return said

    def ready(self, now: float) -> Iterator[Arrived | PassedOver]:
        """Yield the photos that are whole, in the order in which they were finished; each is yielded once."""
        order = sorted(self._pending.items(), key=lambda item: (item[1].changed_ns, item[0]))
        for name, one in order:
            settled = now - max(one.since, one.tried or one.since) >= SETTLE_S
            if settled and one.signature[0] > 0 and (found := self._try(name, one, now)) is not None:
                self._known[name] = one.signature
                del self._pending[name]
                yield found

    def unfinished(self) -> list[PassedOver]:
        """Return what came and was not taken: not whole yet, or no time was left for it."""
        return [
            PassedOver(self.folder / name, f"{name} was left out: {one.trouble or 'it was not finished yet.'}")
            for name, one in sorted(self._pending.items())
        ]

    @property
    def waiting(self) -> bool:
        """Whether anything came that was not taken."""
        return bool(self._pending)

    def _try(self, name: str, one: _Pending, now: float) -> Arrived | PassedOver | None:
        """Take a file that has settled; None where it has to wait on."""
        path = self.folder / name
        one.tried = now
        data, one.trouble = _whole(path, one.signature)
        if data is None:
            if now - one.since < PATIENCE_S:
                return None
            return PassedOver(path, one.trouble, unusable=True)
        digest = hashlib.sha256(data).hexdigest()
        if digest not in self._taken:
            self._taken[digest] = name
            return Arrived(path, data)
        other = self._taken[digest]
        # The same file again: a sync set its time after writing it.
        return PassedOver(path, "" if other == name else f"{name} is the same picture as {other}.")


def arrivals(
    watch: Watch,
    ends: Ends,
    stopped: Callable[[], bool],
    *,
    clock: Callable[[], float] = time.monotonic,
    sleep: Callable[[float], None] = time.sleep,
) -> Iterator[Arrived | PassedOver]:
    """Yield what comes into a folder until the watch ends or is stopped.

    Parameters
    ----------
    watch : Watch
    ends : Ends
        A photo counts towards the number when it was yielded, unusable ones too. After the seconds, what had come by
        then is still yielded as far as it is whole.
    stopped : callable
        Asked between any two things; True ends the watch at once.
    clock, sleep : callable
        Seconds; for tests.
    """
    start, count, late = clock(), 0, 0
    while not stopped():
        now = clock()
        over = ends.seconds is not None and now - start >= ends.seconds
        yield from watch.poll(now, new=not late)
        for found in watch.ready(now):
            if isinstance(found, Arrived) or found.reason:
                yield found
            count += isinstance(found, Arrived) or found.unusable
            if stopped() or count == ends.photos:
                return
        late += over
        if over and (not watch.waiting or late > 2 * SETTLE_S / POLL_S):
            return
        sleep(POLL_S)


def _photos(folder: Path) -> list[tuple[str, _Signature, int]]:
    """Return name, (size, time of writing) and time of the last change of every photo in a folder, by their names."""
    found = []
    with os.scandir(folder) as entries:
        for entry in entries:
            if not _a_photo(entry.name):
                continue
            try:
                state = entry.stat()
            except OSError:  # gone between being listed and being asked about
                continue
            if stat.S_ISREG(state.st_mode):
                found.append((entry.name, (state.st_size, state.st_mtime_ns), state.st_ctime_ns))
    return found


def _a_photo(name: str) -> bool:
    """Whether a name is that of a finished photo: IMG_2041.JPG, but not .IMG_2041.jpg, ~IMG.jpg or IMG.part.jpg."""
    endings = [ending.lower() for ending in Path(name).suffixes]
    hidden = name.startswith((".", "~", "$")) or name.endswith("~")
    return not hidden and bool(endings) and endings[-1] in PHOTO_ENDINGS and UNFINISHED.isdisjoint(endings)


def _whole(path: Path, signature: _Signature) -> tuple[bytes | None, str]:
    """Return a photo's bytes where it opens and is still the file that had settled; else None and what is wrong."""
    from vision.errors import PhotoError
    from vision.photo import decode, load

    try:
        name, data = load(str(path))
        decode(name, data)
        state = path.stat()
    except PhotoError as error:
        return None, str(error)
    except OSError as error:
        return None, f"'{path.name}' cannot be read: {error.strerror}."
    return (data, "") if (state.st_size, state.st_mtime_ns) == signature else (None, "it was still being written.")


def _no_folder(folder: Path, error: OSError | ValueError) -> BadRequest:
    if isinstance(error, FileNotFoundError):
        return BadRequest(f"There is no folder {folder}.", "Name the folder that the camera or the sync writes into.")
    if isinstance(error, NotADirectoryError):
        return BadRequest(f"{folder} is a file.", "Name the folder that the camera or the sync writes into.")
    said = getattr(error, "strerror", None) or error
    return BadRequest(f"The folder {folder} cannot be read ({said}).", "Check its name and its permissions.")
