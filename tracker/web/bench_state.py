"""What the bench pages remember between two requests, in memory: files under way, forms carried out, what was typed.

Nothing here is a record. A server that stops forgets it; what was recorded, and what an instrument gave, is on disk.
"""

import secrets
import shutil
import threading
import time
from collections import OrderedDict
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Generic, TypeVar

from starlette.requests import Request

from tracker.desk.drawing import Drawing
from tracker.errors import BadRequest
from tracker.web import door, once
from tracker.web.reading_now import Readers

T = TypeVar("T")
# Enough for a few people at a time; common practice, no source.
MOST_UPLOADS = 20
MOST_DRAFTS = 200
MOST_DRAWN = 200
UPLOAD_S = 3600.0


class Bounded(Generic[T]):
    """A dictionary that forgets its oldest entries; safe from several threads."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._kept: OrderedDict[object, T] = OrderedDict()
        self._lock = threading.Lock()

    def get(self, key: object) -> T | None:
        with self._lock:
            return self._kept.get(key)

    def put(self, key: object, value: T) -> None:
        with self._lock:
            self._kept.pop(key, None)
            self._kept[key] = value
            while len(self._kept) > self._most:
                self._kept.popitem(last=False)

    def drop(self, key: object) -> T | None:
        with self._lock:
            return self._kept.pop(key, None)


@dataclass(frozen=True, slots=True)
class Upload:
    """A file on its way: where it lies, how its owner called it (for showing alone), its size and when it came."""

    path: Path
    name: str
    size: int
    at: float


class Uploads:
    """Files between being looked at and being recorded, in a folder of this server under names of ours.

    They go when they were used, after an hour, when there are too many, and when the server stops.
    """

    def __init__(self) -> None:
        # Removed as well when nobody holds it any more, or this process ends.
        self._folder: TemporaryDirectory[str] | None = None
        self._kept: OrderedDict[tuple[str, str], Upload] = OrderedDict()
        self._lock = threading.Lock()

    def keep(self, owner: str, name: str, data: bytes, ending: str = ".csv") -> str:
        """Keep a file for the owner of a session and return the word it is found by."""
        word = secrets.token_urlsafe(12)
        with self._lock:
            if self._folder is None:
                self._folder = TemporaryDirectory(prefix="lotproof-pages-", ignore_cleanup_errors=True)
            room = Path(self._folder.name) / f"room{secrets.token_hex(8)}"
            room.mkdir(mode=0o700)
            path = room / f"readings{ending}"
            path.write_bytes(data)
            self._kept[owner, word] = Upload(path, _shown(name), len(data), time.monotonic())
            self._tidy()
        return word

    def find(self, owner: str, word: str) -> Upload | None:
        """Return a file that this owner sent before."""
        with self._lock:
            self._tidy()
            return self._kept.get((owner, word))

    def drop(self, owner: str, word: str) -> None:
        """Remove a file."""
        with self._lock:
            self._remove((owner, word))

    def close(self) -> None:
        """Remove all of them."""
        with self._lock:
            self._kept.clear()
            if self._folder is not None:
                self._folder.cleanup()
                self._folder = None

    def _tidy(self) -> None:
        now = time.monotonic()
        old = [key for key, one in self._kept.items() if now - one.at > UPLOAD_S]
        extra = list(self._kept)[: max(len(self._kept) - MOST_UPLOADS, 0)]
        for key in {*old, *extra}:
            self._remove(key)

    def _remove(self, key: tuple[str, str]) -> None:
        found = self._kept.pop(key, None)
        if found is not None:
            shutil.rmtree(found.path.parent, ignore_errors=True)


def _shown(name: str) -> str:
    return "".join(c if c.isprintable() else "?" for c in name.replace("\\", "/").rpartition("/")[2])[:80] or "a file"


class BenchState:
    """Everything the bench pages remember."""

    def __init__(self) -> None:
        self.uploads = Uploads()
        self.conditions: Bounded[Mapping[str, str]] = Bounded(MOST_DRAFTS)
        self.drafts: Bounded[object] = Bounded(MOST_DRAFTS)
        self.drawn: Bounded[Drawing] = Bounded(MOST_DRAWN)
        self.plots: Bounded[bytes] = Bounded(MOST_DRAWN)
        self.readers = Readers()

    def show(self, drawing: Drawing) -> str:
        """Keep a drawing for a while and return the word its picture is found by."""
        word = secrets.token_urlsafe(12)
        self.drawn.put(word, drawing)
        return word

    def close(self) -> None:
        """Stop all readings, whose tables stay in the spool, and remove all files."""
        self.readers.close()
        self.uploads.close()


def state_of(request: Request) -> BenchState:
    """Return what the bench pages of this server remember."""
    found: BenchState = request.app.state.bench
    return found


def owner_of(request: Request) -> str:
    """Return who asks, as far as this server tells people apart: one session of one browser."""
    return door.token(request)


def new_number() -> str:
    """Return the number of a new form."""
    return once.new()


@contextmanager
def turn_of(request: Request, number: str, content: str = "") -> Iterator[once.Done]:
    """Give what became of a form with this content; a second click on it waits for the first.

    Raises
    ------
    BadRequest
        The form has no number: a run has no other mark by which a second sending could be known.
    """
    if not 8 <= len(number) <= 64:
        raise BadRequest("This form has no number, so it cannot be told from a second click.", "Load it again.")
    forms: once.Once = request.app.state.once
    with forms.of(number, content) as done:
        yield done
