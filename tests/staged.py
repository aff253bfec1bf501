"""Photos whose content is known beforehand: the desk is tested with what was 'seen' handed to it. All invented."""

import hashlib
import io
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from PIL import Image

from vision.inspection import PhotoSource
from vision.observations import CardView, Face, Inspection, Line, Observation, PhotoView, PieceView, Quad, Reading

WIDTH, HEIGHT = 400, 300


def quad(left: float, top: float, width: float = 100, height: float = 40) -> Quad:
    """Return an upright rectangle, clockwise from its upper left."""
    return ((left, top), (left + width, top), (left + width, top + height), (left, top + height))


def chip(
    *texts: str,
    at: tuple[float, float] = (20, 20),
    observations: Sequence[Observation] = (),
    looked_for: Sequence[str] = (),
    label: str | None = None,
    confidence: float = 0.97,
    size: tuple[float, float] = (100, 40),
    cell: int | None = None,
) -> PieceView:
    """Return one chip that reads `texts`."""
    lines = tuple(
        Line(text, confidence, quad(*at, 80, 8), quad(0, 0, 80, 8), (Reading("rapidocr", text, confidence),))
        for text in texts
    )
    face = Face(np.zeros((40, 100, 3), np.uint8), np.eye(3))
    return PieceView(
        outline=quad(*at, *size),
        score=0.9,
        package="DIP-40",
        package_confidence=0.8,
        lines=lines,
        face=face,
        observations=tuple(observations),
        label=label,
        looked_for=tuple(looked_for),
        cell=cell,
    )


def found(code: str, family: str, strength: str = "clear") -> Observation:
    """Return one observation with a value."""
    return Observation(code, family, f"{code} was seen.", 3.1, "body", 1.0, strength, quad(25, 25, 20, 8))


def picture(folder: Path, name: str, *, shade: int = 90) -> Path:
    """Write a small real picture and return where it is; another shade makes another file."""
    path = folder / name
    out = io.BytesIO()
    Image.new("RGB", (WIDTH, HEIGHT), (shade, shade, shade // 2)).save(out, "PNG")
    path.write_bytes(out.getvalue())
    return path


@dataclass(slots=True)
class Stage:
    """Stands in for looking: says what was staged for each photo's bytes, and remembers what it was asked."""

    scenes: dict[str, tuple[PieceView, ...]]
    asked: list[tuple[list[str], list[str]]]
    cards: dict[str, CardView] = field(default_factory=dict)
    """By the photo's file name."""

    def put(self, path: Path, *chips: PieceView) -> Path:
        """Stage what is in a photo."""
        self.scenes[hashlib.sha256(path.read_bytes()).hexdigest()] = chips
        return path

    def look(
        self,
        photos: Sequence[PhotoSource],
        *,
        exemplars: Sequence[PhotoSource] = (),
        lexicon: object = None,
        progress: Callable[[int, int], None] | None = None,
        workers: int = 1,
        hands: object = None,
    ) -> Inspection:
        """Answer as `vision.inspection.inspect` does."""
        self.asked.append(([one.path for one in photos], [one.path for one in exemplars]))
        return Inspection(tuple(map(self._view, photos)), tuple(map(self._view, exemplars)), {"vision": "staged"})

    def _view(self, source: PhotoSource) -> PhotoView:
        if source.data is None and not Path(source.path).is_file():
            return PhotoView(source.path, "", 0, 0, error=f"There is no file '{source.path}'.")
        data = source.data if source.data is not None else Path(source.path).read_bytes()
        digest = hashlib.sha256(data).hexdigest()
        card = self.cards.get(Path(source.path).name)
        return PhotoView(source.path, digest, WIDTH, HEIGHT, pieces=self.scenes.get(digest, ()), card=card)
