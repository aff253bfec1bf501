"""Photos that were looked at already: a second look at the same bytes in the same process gives what the first gave.

What is kept is how a photo was seen by itself, before it was compared with others. It is never written anywhere, so
nothing of an earlier version of the program or its networks can come back.
"""

import hashlib
import threading
from collections import OrderedDict

from vision.lexicon import Lexicon
from vision.observations import PhotoView
from vision.read.second import ONE_READER

MIB = 1024 * 1024
MOST_BYTES = 128 * MIB
"""Common practice, no source: a top takes a few hundred kilobytes, so these are some tens of photos."""

_Key = tuple[str, str, int]


class Views:
    """What photos showed, the latest used, bounded in bytes. Threads may share it."""

    def __init__(self, most_bytes: int = MOST_BYTES) -> None:
        self.most_bytes = most_bytes
        # With the lexicon they were read with, so that no other one can come by its identity.
        self._held: OrderedDict[_Key, tuple[PhotoView, Lexicon]] = OrderedDict()
        self._bytes = 0
        self._lock = threading.Lock()

    def get(self, path: str, data: bytes | None, lexicon: Lexicon) -> PhotoView | None:
        """Return what a photo of these bytes and this name showed; None where it was not seen or is forgotten."""
        if data is None:
            return None
        key = _key(path, data, lexicon)
        with self._lock:
            if key not in self._held:
                return None
            self._held.move_to_end(key)
            return self._held[key][0]

    def put(self, path: str, data: bytes | None, lexicon: Lexicon, view: PhotoView) -> None:
        """Remember what a photo showed; not where something failed that may go well another time."""
        if data is None or view.error is not None or any(one.code == ONE_READER for one in view.warnings):
            return
        key = _key(path, data, lexicon)
        with self._lock:
            if key in self._held:
                self._bytes -= _size(self._held.pop(key)[0])
            self._held[key] = (view, lexicon)
            self._bytes += _size(view)
            while self._bytes > self.most_bytes:
                _, (gone, _) = self._held.popitem(last=False)
                self._bytes -= _size(gone)


def _key(path: str, data: bytes, lexicon: Lexicon) -> _Key:
    return path, hashlib.sha256(data).hexdigest(), id(lexicon)


def _size(view: PhotoView) -> int:
    """Return the bytes of its pictures; all else is small beside them."""
    return sum(piece.face.image.nbytes + (0 if piece.around is None else piece.around.nbytes) for piece in view.pieces)
