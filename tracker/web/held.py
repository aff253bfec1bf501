"""Files that came with a form and are not recorded yet: held while it is corrected or looked over, then removed."""

import secrets
import shutil
import time
from collections import OrderedDict
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from tempfile import TemporaryDirectory
from threading import Lock
from typing import BinaryIO

from starlette.requests import Request

from tracker.desk.fields import file_name

MOST_SETS = 40
LONGEST_S = 3600.0
"""How many forms' files are held, and how long: more people than stand at one bench, longer than correcting a form
takes (common practice, no source)."""
NAMELESS = "document"


@dataclass(frozen=True, slots=True)
class HeldFile:
    """One file; `name` is what it was called, and never a part of `path`."""

    kind: str
    name: str
    path: Path
    size_bytes: int


@dataclass(frozen=True, slots=True)
class _Set:
    files: tuple[HeldFile, ...]
    since: float


@dataclass(slots=True)
class Held:
    """Held files by a word that nobody can guess; they lie in a temporary folder of the system's."""

    now: Callable[[], float] = time.monotonic
    _sets: OrderedDict[str, _Set] = field(default_factory=OrderedDict)
    _lock: Lock = field(default_factory=Lock)
    _folder: "TemporaryDirectory[str] | None" = None

    def put(self, files: Sequence[tuple[str, str, BinaryIO]], earlier: str = "") -> str:
        """Hold files, each (kind, name, bytes), and those held before under `earlier`; returns the word for all."""
        before = self.get(earlier)
        if not files and before:
            return earlier
        word = secrets.token_urlsafe(18)
        kept = [*before, *(self._keep(kind, name, stream) for kind, name, stream in files)]
        with self._lock:
            self._sets.pop(earlier, None)
            self._sets[word] = _Set(tuple(kept), self.now())
            old = [one for one, held in self._sets.items() if self.now() - held.since > LONGEST_S]
            old += list(self._sets)[: max(0, len(self._sets) - MOST_SETS)]
        for one in old:
            self.drop(one)
        return word

    def get(self, word: str) -> tuple[HeldFile, ...]:
        """Return the files held under a word; none where nothing is, or no longer."""
        with self._lock:
            found = self._sets.get(word)
        return found.files if found is not None and self.now() - found.since <= LONGEST_S else ()

    def drop(self, word: str) -> None:
        """Remove the files held under a word."""
        with self._lock:
            found = self._sets.pop(word, None)
        for one in found.files if found is not None else ():
            one.path.unlink(missing_ok=True)

    def close(self) -> None:
        """Remove everything."""
        with self._lock:
            self._sets.clear()
            folder, self._folder = self._folder, None
        if folder is not None:
            folder.cleanup()

    def _keep(self, kind: str, name: str, stream: BinaryIO) -> HeldFile:
        path = self._place() / secrets.token_hex(16)
        with path.open("xb") as file:
            shutil.copyfileobj(stream, file, 1 << 20)
        return HeldFile(kind, own_name(name), path, path.stat().st_size)

    def _place(self) -> Path:
        with self._lock:
            if self._folder is None:
                self._folder = TemporaryDirectory(prefix="lotproof-held-")
            return Path(self._folder.name)


def held_of(request: Request) -> Held:
    """Return the files that this server holds."""
    found: Held = request.app.state.held
    return found


def own_name(name: str) -> str:
    """Return a file's own name, without the folders that some browsers send along."""
    last = name.replace("\\", "/").rstrip("/").rpartition("/")[2].strip()
    return file_name(last) if last not in ("", ".", "..") else NAMELESS
