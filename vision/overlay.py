"""The annotated picture: what was found, drawn where it was seen, readable on a phone.

Each role has its own line as well as its own colour: pieces a solid frame with heavy corners and a numbered plate,
lines a row of dots under the print, findings a hatched frame tied by a leader to their text. Text goes where no other
text is; what finds no place in the picture goes into a list under it, tied by a letter.
"""

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import matplotlib
import numpy as np
from PIL import Image, ImageDraw, ImageFont

from vision.observations import Point, Quad, Rgb

Role = Literal["piece", "line", "finding"]

# Colours that the usual colour-vision deficiencies keep apart (Okabe & Ito 2008, Color Universal Design), on dark.
PIECE, LINE, FINDING = (86, 180, 233), (240, 228, 66), (255, 140, 66)
PAPER, PENCIL = (250, 248, 242), (24, 24, 28)
LETTER_PART = 1 / 44
"""Text height over the picture's longer side: 2 mm where a phone shows the picture 90 mm long (common practice)."""
SMALLEST = 13
WRAP = 30
"""Characters a line of a text box."""


@dataclass(frozen=True, slots=True)
class Mark:
    """One thing to show.

    Parameters
    ----------
    outline : Quad
        In photo pixels.
    text : str
        A piece's number, a line's reading (not written, its place is dotted), or a finding's sentence.
    role : 'piece', 'line' or 'finding'
    """

    outline: Quad
    text: str
    role: Role


@dataclass(frozen=True, slots=True)
class _Box:
    """An upright rectangle that is taken."""

    x0: float
    y0: float
    x1: float
    y1: float

    def meets(self, other: "_Box", gap: float = 0.0) -> bool:
        """Overlap, a gap included."""
        return (
            self.x0 < other.x1 + gap
            and other.x0 < self.x1 + gap
            and self.y0 < other.y1 + gap
            and other.y0 < self.y1 + gap
        )


@dataclass(frozen=True, slots=True)
class Placed:
    """Where a text stands: `box` is (x0, y0, x1, y1) in pixels of the returned picture; `listed` under the photo."""

    text: str
    box: tuple[float, float, float, float]
    listed: bool


def font(size: int, *, bold: bool = False) -> ImageFont.FreeTypeFont:
    """Return DejaVu Sans from matplotlib's wheel, which is there on a machine without any font."""
    name = "DejaVuSans-Bold.ttf" if bold else "DejaVuSans.ttf"
    return ImageFont.truetype(str(Path(matplotlib.get_data_path()) / "fonts" / "ttf" / name), size)


def draw(photo: Rgb, marks: Sequence[Mark]) -> Rgb:
    """Return the photo with everything marked.

    Parameters
    ----------
    photo : ndarray of uint8, shape (height, width, 3), RGB
    marks : sequence of Mark
        Outlines may reach over the rim.

    Returns
    -------
    ndarray of uint8, shape (height or more, width, 3), RGB
        Taller than the photo where texts are listed under it.
    """
    return draw_placed(photo, marks)[0]


def draw_placed(photo: Rgb, marks: Sequence[Mark]) -> tuple[Rgb, tuple[Placed, ...]]:
    """Return the annotated photo and where each text stands."""
    page = _Page(photo)
    for mark in marks:
        if mark.role == "line":
            page.dots(mark)
    for mark in marks:
        if mark.role == "piece":
            page.frame(mark)
    for mark in marks:
        if mark.role == "finding":
            page.hatch(mark)
    for mark in marks:
        if mark.role == "piece" and mark.text:
            page.plate(mark)
    for mark in marks:
        if mark.role == "finding" and mark.text:
            page.say(mark)
    return page.finish(), tuple(page.placed)


class _Page:
    """The picture while it is drawn on."""

    def __init__(self, photo: Rgb) -> None:
        self.picture = Image.fromarray(np.ascontiguousarray(photo)).convert("RGB")
        self.pen = ImageDraw.Draw(self.picture)
        self.width, self.height = self.picture.size
        self.size = max(SMALLEST, round(LETTER_PART * max(self.width, self.height)))
        self.stroke = max(2, round(self.size / 7))
        self.font = font(self.size)
        self.bold = font(self.size, bold=True)
        self.taken: list[_Box] = []
        self.frames: list[_Box] = []
        self.placed: list[Placed] = []
        self.listed: list[tuple[str, str]] = []

    def dots(self, mark: Mark) -> None:
        """A dotted line under a line of print."""
        start, end = np.asarray(mark.outline[3]), np.asarray(mark.outline[2])
        length = float(np.hypot(*(end - start)))
        steps = max(2, int(length / (3.0 * self.stroke)))
        radius = 0.75 * self.stroke
        for x, y in (start + (end - start) * k / steps for k in range(steps + 1)):
            self.pen.ellipse((x - radius - 1, y - radius - 1, x + radius + 1, y + radius + 1), fill=PENCIL)
            self.pen.ellipse((x - radius, y - radius, x + radius, y + radius), fill=LINE)

    def frame(self, mark: Mark) -> None:
        """A solid frame with heavy corners."""
        points = [*mark.outline, mark.outline[0]]
        self.pen.line(points, fill=PENCIL, width=self.stroke + 2, joint="curve")
        self.pen.line(points, fill=PIECE, width=max(1, self.stroke - 1), joint="curve")
        for k in range(4):
            corner = np.asarray(mark.outline[k])
            for other in (mark.outline[(k + 1) % 4], mark.outline[(k - 1) % 4]):
                tip = corner + (np.asarray(other) - corner) * 0.12
                self.pen.line([tuple(corner), tuple(tip)], fill=PIECE, width=2 * self.stroke)
        self.frames.append(_bounds(mark.outline))

    def hatch(self, mark: Mark) -> None:
        """A frame with a slanting hatch along its rim."""
        outline = np.asarray(mark.outline)
        centre = outline.mean(axis=0)
        for k in range(4):
            a, b = outline[k], outline[(k + 1) % 4]
            self.pen.line([tuple(a), tuple(b)], fill=PENCIL, width=self.stroke + 2)
            self.pen.line([tuple(a), tuple(b)], fill=FINDING, width=self.stroke)
            steps = max(1, int(np.hypot(*(b - a)) / (2.2 * self.size)))
            for j in range(steps + 1):
                foot = a + (b - a) * j / steps
                out = foot - centre
                out = out / max(1e-6, float(np.hypot(*out))) * 0.45 * self.size
                self.pen.line([tuple(foot), tuple(foot + out)], fill=FINDING, width=max(1, self.stroke - 1))

    def plate(self, mark: Mark) -> None:
        """The piece's number on a dark plate at its upper left corner, outside where there is room."""
        x, y = mark.outline[0]
        width, height = self._extent([mark.text], self.bold)
        pad = 0.3 * self.size
        tries = [(x, y - height - 2 * pad), (x - width - 2 * pad, y), (x, y), (x, _bounds(mark.outline).y1)]
        box = self._first_free([(*t, width + 2 * pad, height + 2 * pad) for t in tries], gap=1.0)
        if box is None:
            box = self._search((x, y), width + 2 * pad, height + 2 * pad, avoid_frames=False)
        if box is None:
            self._list(mark)
            return
        self._write(box, [mark.text], self.bold, pad, PENCIL, PIECE, mark.text)

    def say(self, mark: Mark) -> None:
        """A finding's text in a box near its place, tied to it by a leader; in the list where there is no room."""
        lines = _wrapped(mark.text)
        width, height = self._extent(lines, self.font)
        pad = 0.4 * self.size
        anchor = tuple(np.asarray(mark.outline).mean(axis=0))
        box = self._search((float(anchor[0]), float(anchor[1])), width + 2 * pad, height + 2 * pad, avoid_frames=True)
        if box is None:
            self._list(mark)
            return
        self._leader(mark.outline, box)
        self._write(box, lines, self.font, pad, PAPER, PENCIL, mark.text)

    def finish(self) -> Rgb:
        """The picture, with the list under it where there is one."""
        if not self.listed:
            return np.asarray(self.picture, dtype=np.uint8)
        pad = 0.5 * self.size
        room = max(10, int((self.width - 4 * pad) / (0.62 * self.size)))
        entries = [(tag, text, _wrapped(text, room)) for tag, text in self.listed]
        height = sum(self._extent(lines, self.font)[1] + pad for _, _, lines in entries) + pad
        taller = Image.new("RGB", (self.width, self.height + round(height + pad)), PAPER)
        taller.paste(self.picture, (0, 0))
        pen = ImageDraw.Draw(taller)
        y = self.height + pad
        for tag, text, lines in entries:
            pen.text((pad, y), tag, font=self.bold, fill=PENCIL)
            step = self._extent(["X"], self.font)[1]
            for k, line in enumerate(lines):
                pen.text((pad + 2.2 * self.size, y + k * step), line, font=self.font, fill=PENCIL)
            bottom = y + len(lines) * step
            self.placed.append(Placed(text, (pad, y, self.width - pad, bottom), True))
            y = bottom + pad
        return np.asarray(taller, dtype=np.uint8)

    def _list(self, mark: Mark) -> None:
        """Put a text into the list and its letter on its place."""
        tag = _letters(len(self.listed))
        self.listed.append((tag, mark.text))
        width, height = self._extent([tag], self.bold)
        pad = 0.25 * self.size
        anchor = np.asarray(mark.outline).mean(axis=0)
        box = self._search((float(anchor[0]), float(anchor[1])), width + 2 * pad, height + 2 * pad, avoid_frames=False)
        if box is not None:
            self._leader(mark.outline, box)
            self._write(box, [tag], self.bold, pad, PAPER, PENCIL, tag)

    def _extent(self, lines: Sequence[str], face: ImageFont.FreeTypeFont) -> tuple[float, float]:
        """Width and height of lines of text."""
        return max(face.getlength(line) for line in lines), 1.25 * self.size * len(lines)

    def _first_free(self, tries: Sequence[tuple[float, float, float, float]], gap: float) -> _Box | None:
        """The first rectangle (x, y, width, height) inside the picture that meets no text."""
        for x, y, width, height in tries:
            box = _Box(x, y, x + width, y + height)
            if x < 0 or y < 0 or box.x1 > self.width or box.y1 > self.height:
                continue
            if not any(box.meets(other, gap) for other in self.taken):
                return box
        return None

    def _search(self, anchor: Point, width: float, height: float, *, avoid_frames: bool) -> _Box | None:
        """The nearest free rectangle around a point, in growing rings."""
        step = 0.8 * self.size
        reach = 0.45 * max(self.width, self.height)
        for radius in np.arange(0.0, reach, step):
            turns = max(1, int(2 * np.pi * radius / (2 * step)))
            for angle in np.linspace(-np.pi / 2, 1.5 * np.pi, turns, endpoint=False):
                x = anchor[0] + radius * np.cos(angle) - width / 2
                y = anchor[1] + radius * np.sin(angle) - height / 2
                box = self._first_free([(float(x), float(y), width, height)], gap=0.3 * self.size)
                if box is None or (avoid_frames and any(box.meets(f) for f in self.frames)):
                    continue
                return box
        return None

    def _leader(self, outline: Quad, box: _Box) -> None:
        """A line from the nearest point of the outline to the text box, with a dot at its foot."""
        middle = np.array([(box.x0 + box.x1) / 2, (box.y0 + box.y1) / 2])
        foot = _nearest(outline, middle)
        head = np.array([np.clip(foot[0], box.x0, box.x1), np.clip(foot[1], box.y0, box.y1)])
        self.pen.line([tuple(foot), tuple(head)], fill=PENCIL, width=self.stroke + 2)
        self.pen.line([tuple(foot), tuple(head)], fill=FINDING, width=self.stroke)
        radius = 1.4 * self.stroke
        self.pen.ellipse((foot[0] - radius, foot[1] - radius, foot[0] + radius, foot[1] + radius), fill=FINDING)

    def _write(
        self,
        box: _Box,
        lines: Sequence[str],
        face: ImageFont.FreeTypeFont,
        pad: float,
        fill: tuple[int, int, int],
        ink: tuple[int, int, int],
        text: str,
    ) -> None:
        """Fill a box and write into it."""
        self.pen.rounded_rectangle(
            (box.x0, box.y0, box.x1, box.y1), radius=0.25 * self.size, fill=fill, outline=PENCIL, width=1
        )
        for k, line in enumerate(lines):
            self.pen.text((box.x0 + pad, box.y0 + pad + 1.25 * self.size * k), line, font=face, fill=ink)
        self.taken.append(box)
        self.placed.append(Placed(text, (box.x0, box.y0, box.x1, box.y1), False))


def _bounds(outline: Quad) -> _Box:
    """The upright rectangle around an outline."""
    corners = np.asarray(outline)
    (x0, y0), (x1, y1) = corners.min(axis=0), corners.max(axis=0)
    return _Box(float(x0), float(y0), float(x1), float(y1))


def _nearest(outline: Quad, point: np.ndarray) -> np.ndarray:
    """Point of the outline nearest to a point."""
    corners = np.asarray(outline, dtype=np.float64)
    best, least = corners[0], np.inf
    for k in range(4):
        a, b = corners[k], corners[(k + 1) % 4]
        along = b - a
        t = float(np.clip(np.dot(point - a, along) / max(1e-9, float(along @ along)), 0, 1))
        foot = a + t * along
        away = float(np.hypot(*(point - foot)))
        if away < least:
            best, least = foot, away
    return np.asarray(best)


def _wrapped(text: str, width: int = WRAP) -> list[str]:
    """Break a sentence at spaces; a longer word is cut."""
    return textwrap.wrap(text, width) or [""]


def _letters(k: int) -> str:
    """A, B, ... Z, AA, AB ..."""
    word = ""
    k += 1
    while k:
        k, rest = divmod(k - 1, 26)
        word = chr(65 + rest) + word
    return word
