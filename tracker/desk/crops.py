"""Pictures for the pages: tops upright and flat, the surroundings of a chip, whole photos; each made once.

studio = Studio(workspace, PictureCache(folder()))
source = studio.top(12)                 # what inspection 12 saw; NoSuch where the records know of none
source.mark                             # changes with what it shows
studio.picture(source, 320)             # JPEG bytes; Unseen, with a word, where the evidence is missing or damaged
"""

import hashlib
import os
import threading
from collections import OrderedDict
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np
from sqlalchemy import select

from tracker.desk.contract import Outline
from tracker.desk.facts import kept_document
from tracker.desk.picture_cache import PictureCache
from tracker.desk.pictures import MARGIN, as_jpeg, crop, smaller
from tracker.desk.workspace import Workspace
from tracker.errors import Damaged, LotproofError, NoSuch
from tracker.records.models import Inspection, Photo
from vision import photo as photos
from vision import plate
from vision.errors import PhotoError
from vision.observations import Rgb

WIDTHS = (160, 320, 640, 1280, 2560)
"""Longer side of the pictures there are, in pixels: each twice the one before, so any screen finds one that is
at most twice too large (common practice, no source)."""
SMALL = 320
"""Up to this, all tops of a photo are cut when the first is asked for: who looks at one looks at the others."""
MOST_DECODED = 160 * 1024 * 1024
"""Bytes of decoded photos that are held: four of 12 megapixels (common practice, no source)."""
_VERSION = "1"
_AT_ONCE = 2
"""Photos decoded at the same time; each takes hundreds of megabytes where it is large."""

Way = Literal["top", "around", "whole", "annotated"]


class Unseen(LotproofError):
    """The evidence behind a picture cannot be shown; `what` is a word or two for its place."""


@dataclass(frozen=True, slots=True)
class Source:
    """What a picture is made from.

    Parameters
    ----------
    way : str
        top: upright and flat; around: as in the photo, with some ground; whole: all of it; annotated: our own drawing.
    sha256 : str
        Of the photo, or of the annotated picture.
    outline : Outline or None
        Of the chip, in photo pixels.
    photo : int
        Id of the photo.
    """

    way: Way
    sha256: str
    outline: Outline | None
    photo: int

    @property
    def mark(self) -> str:
        """Twelve digits that change with what is shown."""
        return mark(self.way, self.sha256, self.outline)

    def name(self, width: int) -> str:
        """Return the name of its picture in one size."""
        return hashlib.sha256(f"{_VERSION} {width} {self.way} {self.sha256} {self.outline}".encode()).hexdigest()


def mark(way: Way, sha256: str, outline: Outline | None) -> str:
    """Return what stands in a picture's address, so that one address never shows two things."""
    return hashlib.sha256(f"{_VERSION} {way} {sha256} {outline}".encode()).hexdigest()[:12]


def top_size(outline: Outline, longest: int) -> tuple[int, int]:
    """Return width and height of a top's picture, so that nothing on a page moves when it comes."""
    return plate.within(outline, longest)[1]


def around_box(outline: Outline, width: int, height: int) -> tuple[int, int, int, int]:
    """Return (left, top, right, bottom) of the surroundings of a chip in a photo of this size, as `crop` cuts them."""
    xs, ys = [x for x, _ in outline], [y for _, y in outline]
    air = MARGIN * max(max(xs) - min(xs), max(ys) - min(ys))
    return (
        max(0, int(min(xs) - air)),
        max(0, int(min(ys) - air)),
        min(width, int(max(xs) + air) + 1),
        min(height, int(max(ys) + air) + 1),
    )


class Studio:
    """The pictures of one open workspace; any thread may ask."""

    def __init__(self, workspace: Workspace, cache: PictureCache) -> None:
        self.workspace, self.cache = workspace, cache
        self.decoded = 0
        """How many photos were decoded: for tests."""
        self._open: OrderedDict[str, photos.Picture] = OrderedDict()
        self._lock = threading.Lock()
        self._at_once = threading.BoundedSemaphore(max(1, min(_AT_ONCE, os.cpu_count() or 1)))
        # Who asks for a picture of the same photo waits for the one who is at it, and finds it made.
        self._turns = tuple(threading.Lock() for _ in range(64))

    def top(self, inspection: int, way: Way = "top") -> Source:
        """Return what an inspection saw of its piece.

        Raises
        ------
        NoSuch
            There is no such inspection.
        Unseen
            What was kept of it cannot be read any more.
        """
        with self.workspace.read() as session:
            found = session.execute(
                select(Inspection, Photo.sha256).join(Inspection.photo).where(Inspection.id == inspection)
            ).one_or_none()
            if found is None:
                raise NoSuch("There is no such picture.")
            try:
                outline = kept_document(found[0]).piece.outline
            except Damaged:
                raise Unseen("record damaged") from None
            return Source(way, found[1], outline, found[0].photo_id)

    def photo(self, sha256: str) -> Source:
        """Return a photo on record as a whole.

        Raises
        ------
        NoSuch
            No photo on record has these bytes.
        """
        return Source("whole", sha256, None, self._photo(sha256).id)

    def annotated(self, sha256: str) -> Source:
        """Return the newest annotated picture of a photo on record.

        Raises
        ------
        NoSuch
            There is no such photo, or it has none.
        """
        photo = self._photo(sha256)
        with self.workspace.read() as session:
            query = select(Inspection.overlay_sha256).join(Inspection.photo).where(Photo.sha256 == sha256)
            drawn = session.scalars(
                query.where(Inspection.overlay_sha256.is_not(None)).order_by(Inspection.id.desc()).limit(1)
            ).first()
        if drawn is None:
            raise NoSuch("There is no annotated picture of this photo.")
        return Source("annotated", drawn, None, photo.id)

    def original(self, sha256: str) -> tuple[str, bytes]:
        """Return a photo's name and its bytes as they came, checked.

        Raises
        ------
        NoSuch
            No photo on record has these bytes.
        Damaged
            They are missing or have changed.
        """
        return self._photo(sha256).name, self.workspace.store.read(sha256)

    def _photo(self, sha256: str) -> Photo:
        with self.workspace.read() as session:
            found = session.scalars(select(Photo).where(Photo.sha256 == sha256).limit(1)).first()
        if found is None:
            raise NoSuch("There is no such picture.")
        return found

    def picture(self, source: Source, width: int) -> bytes:
        """Return a picture whose longer side is at most `width` pixels, as JPEG.

        Raises
        ------
        Unseen
            The evidence is missing or damaged.
        """
        name = source.name(width)
        found = self.cache.get(name)
        if found is not None:
            return found
        with self._turns[hash(source.sha256) % len(self._turns)]:
            found = self.cache.get(name)
            if found is None:
                found = self._made(source, width)
                self.cache.put(name, found)
        return found

    def _made(self, source: Source, width: int) -> bytes:
        try:
            if source.way == "annotated":
                return smaller(self.workspace.store.read(source.sha256), width)
            opened = self._decoded(source.sha256)
            if source.way == "top" and width <= SMALL:
                for other in self._beside(source):
                    if self.cache.get(other.name(width)) is None:
                        self.cache.put(other.name(width), _cut(opened, other, width))
            return _cut(opened, source, width)
        except (Damaged, OSError):
            there = False
            try:
                there = self.workspace.store.has(source.sha256)
            except OSError:
                raise Unseen("photo out of reach") from None
            raise Unseen("photo damaged" if there else "photo missing") from None
        except (PhotoError, cv2.error, np.linalg.LinAlgError, ValueError):
            raise Unseen("photo damaged") from None

    def _beside(self, source: Source) -> Iterator[Source]:
        """Yield the other chips of the same photo."""
        with self.workspace.read() as session:
            seen = session.scalars(select(Inspection).where(Inspection.photo_id == source.photo)).all()
        outlines = set()
        for one in seen:
            try:
                outlines.add(kept_document(one).piece.outline)
            except Damaged:  # its own picture will say so
                continue
        for outline in outlines - {source.outline}:
            yield Source(source.way, source.sha256, outline, source.photo)

    def _decoded(self, sha256: str) -> photos.Picture:
        with self._lock:
            if sha256 in self._open:
                self._open.move_to_end(sha256)
                return self._open[sha256]
        with self._at_once:
            opened = photos.pixels("photo", self.workspace.store.read(sha256))
        with self._lock:
            self.decoded += 1
            self._open[sha256] = opened
            while sum(one.image.nbytes for one in self._open.values()) > MOST_DECODED:
                self._open.popitem(last=False)  # itself, too, where it alone is too large to be held
        return opened


def _cut(opened: photos.Picture, source: Source, width: int) -> bytes:
    if source.outline is None:
        return as_jpeg(_within(opened.image, width))
    if source.way == "around":
        return as_jpeg(_within(crop(opened, source.outline), width))
    length, _ = plate.within(source.outline, width)
    return as_jpeg(plate.top(opened, source.outline, length=length).image)


def _within(picture: Rgb, longest: int) -> Rgb:
    """Return a picture with its longer side at most `longest` pixels; never made larger."""
    height, width = picture.shape[:2]
    scale = longest / max(height, width)
    if scale >= 1:
        return picture
    size = max(1, round(width * scale)), max(1, round(height * scale))
    return np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), np.uint8)
