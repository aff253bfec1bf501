"""The annotated picture: what was found, drawn where it was seen, readable on a phone.

Each role has its own line as well as its own colour: pieces a solid frame with heavy corners and a numbered plate,
lines a row of dots under the print, findings a broken, ticked frame tied by a leader to their text. Text goes where no
other text, piece or leader is; what finds no place goes into a list under the picture by the piece's number, which then
carries an exclamation mark as every piece with a finding does.
"""

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import matplotlib
import numpy as np
from PIL import Image, ImageDraw, ImageFont

from vision.layout import Box, Room, as_box, beside, bounds, covers, leader_line
from vision.observations import Quad, Rgb

Role = Literal["piece", "line", "finding"]

# Colours that the usual colour-vision deficiencies keep apart (Okabe & Ito 2008, Color Universal Design), on dark.
PIECE, LINE, FINDING = (86, 180, 233), (240, 228, 66), (255, 140, 66)
PAPER, PENCIL = (250, 248, 242), (24, 24, 28)
LETTER_PART = 1 / 44
"""Text height over the picture's longer side: 2 mm where a phone shows the picture 90 mm long (common practice)."""
SMALLEST = 13
LEADER = 9.0
"""Longest leader, in text heights: the eye must not lose it (common practice, no source)."""
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
    pieces = [m for m in marks if m.role == "piece"]
    findings = [m for m in marks if m.role == "finding"]
    for mark in marks:
        if mark.role == "line":
            page.dots(mark)
    for mark in pieces:
        page.frame(mark)
    for mark in findings:
        page.ticks(mark)
    homes = [_home(mark, pieces) for mark in findings]
    for k, mark in enumerate(pieces):
        if mark.text:
            page.plate(mark, warned=k in homes)
    # All that is said of one piece stands in one box with one leader.
    told: dict[int, list[Mark]] = {}
    for k, (mark, home) in enumerate(zip(findings, homes, strict=True)):
        if mark.text:
            told.setdefault(home if home is not None else -1 - k, []).append(mark)
    for home, group in told.items():
        page.say(group, pieces[home].text if home >= 0 else "")
    return page.finish(), tuple(page.placed)


def _home(mark: Mark, pieces: Sequence[Mark]) -> int | None:
    """Which piece a finding belongs to: the one that holds its middle."""
    middle = np.asarray(mark.outline, dtype=np.float64).mean(axis=0)
    for k, piece in enumerate(pieces):
        corners = np.asarray(piece.outline, dtype=np.float64)
        edge = np.roll(corners, -1, axis=0) - corners
        side = edge[:, 0] * (middle[1] - corners[:, 1]) - edge[:, 1] * (middle[0] - corners[:, 0])
        if (side >= 0).all() or (side <= 0).all():
            return k
    return None


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
        self.room = Room(self.width, self.height, self.size)
        self.outlines: list[Quad] = []
        self.placed: list[Placed] = []
        self.listed: list[tuple[str, list[Mark]]] = []

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
        self.room.frames.append(bounds(mark.outline))
        self.outlines.append(mark.outline)

    def ticks(self, mark: Mark) -> None:
        """A broken frame with a short tick outwards from the middle of every dash."""
        outline = np.asarray(mark.outline, dtype=np.float64)
        lines = []
        for k in range(4):
            a, b = outline[k], outline[(k + 1) % 4]
            length = float(np.hypot(*(b - a)))
            steps = max(2, int(length / (1.5 * self.size)))
            # Corners run clockwise, so outwards is to the left of the way along a side.
            out = np.array([b[1] - a[1], a[0] - b[0]]) / max(1e-6, length) * 0.4 * self.size
            for j in range(steps):
                start, end = a + (b - a) * (j + 0.2) / steps, a + (b - a) * (j + 0.8) / steps
                middle = (start + end) / 2
                lines += [(start, end), (middle, middle + out)]
        for fill, width in ((PENCIL, self.stroke + 2), (FINDING, self.stroke)):
            for start, end in lines:
                self.pen.line([tuple(start), tuple(end)], fill=fill, width=width)

    def plate(self, mark: Mark, *, warned: bool) -> None:
        """The piece's number on a dark plate beside it, as near to its upper left corner as it covers no piece.

        It keeps a little further off others, so that nobody takes it for theirs. Where there is no such place it may
        cover its own piece, then stand further off; it covers another's marking only where there is no other room.
        """
        shown = f"{mark.text} !" if warned else mark.text
        pad = 0.3 * self.size
        width, height = (e + 2 * pad for e in self._extent([shown], self.bold))
        places = beside(mark.outline, width, height)
        others = [outline for outline in self.outlines if outline is not mark.outline]
        box = None
        for off, apart in ((self.outlines, 0.5 * self.size), (self.outlines, 0.0), (others, 0.0)):
            near = [outline for outline in others if apart]
            box = box or self.room.first_free(
                [one for one in places if not any(covers(as_box(one).grown(apart), o) for o in near)], gap=1.0, off=off
            )
        far = 0.45 * max(self.width, self.height)
        box = box or self.room.search(mark.outline[0], width, height, far, None, off=others)
        box = box or self.room.search(mark.outline[0], width, height, far, None)
        if box is None:
            self.listed.append((mark.text, [mark]))
            return
        self._write(box, [(mark.text, [shown])], self.bold, pad, PENCIL, FINDING if warned else PIECE)

    def say(self, group: Sequence[Mark], piece: str) -> None:
        """Findings in a box near their place, tied to it by a leader; in the list where there is no room."""
        blocks = [(mark.text, _wrapped(mark.text)) for mark in group]
        pad = 0.4 * self.size
        width, height = (e + 2 * pad for e in self._extent([line for _, lines in blocks for line in lines], self.font))
        outline = group[0].outline
        middle = np.asarray(outline, dtype=np.float64).mean(axis=0)
        reach = LEADER * self.size + 0.5 * float(np.ptp(np.asarray(outline), axis=0).max())
        box = self.room.search((float(middle[0]), float(middle[1])), width, height, reach, outline)
        if box is not None:
            self._leader(outline, box)
            self._write(box, blocks, self.font, pad, PAPER, PENCIL)
            return
        name = piece.split()[0].rstrip(":") if piece else _letters(sum(1 for tag, _ in self.listed if tag.isalpha()))
        self.listed.append((name, list(group)))
        if not piece:
            width, height = (e + 0.5 * self.size for e in self._extent([name], self.bold))
            box = self.room.search((float(middle[0]), float(middle[1])), width, height, 3 * reach, None)
            if box is not None:
                self._write(box, [(name, [name])], self.bold, 0.25 * self.size, PAPER, PENCIL)

    def finish(self) -> Rgb:
        """The picture, with the list under it where there is one."""
        if not self.listed:
            return np.asarray(self.picture, dtype=np.uint8)
        pad, step = 0.5 * self.size, 1.25 * self.size
        indent = pad + max(self.bold.getlength(tag) for tag, _ in self.listed) + self.size
        room = self.width - indent - pad
        blocks = [(tag, [(m.text, self._filled(m.text, room)) for m in group]) for tag, group in self.listed]
        rows = sum(len(lines) for _, group in blocks for _, lines in group)
        height = round(rows * step + pad * (len(blocks) + 1))
        taller = Image.new("RGB", (self.width, self.height + height), PAPER)
        taller.paste(self.picture, (0, 0))
        pen = ImageDraw.Draw(taller)
        y = self.height + pad
        for tag, group in blocks:
            pen.text((pad, y), tag, font=self.bold, fill=PENCIL)
            for text, lines in group:
                self.placed.append(Placed(text, (indent, y, self.width - pad, y + len(lines) * step), True))
                for line in lines:
                    pen.text((indent, y), line, font=self.font, fill=PENCIL)
                    y += step
            y += pad
        return np.asarray(taller, dtype=np.uint8)

    def _filled(self, text: str, room: float) -> list[str]:
        """Break a text into lines that fill `room` pixels."""
        letters = max(1, int(room / (self.font.getlength(text) / max(1, len(text)))))
        for width in range(letters + 4, 3, -1):
            lines = _wrapped(text, width)
            if all(self.font.getlength(line) <= room for line in lines):
                return lines
        return _wrapped(text, 4)

    def _extent(self, lines: Sequence[str], face: ImageFont.FreeTypeFont) -> tuple[float, float]:
        """Width and height of lines of text."""
        return max(face.getlength(line) for line in lines), 1.25 * self.size * len(lines)

    def _leader(self, outline: Quad, box: Box) -> None:
        """A line from the nearest point of the outline to the text box, with a dot at its foot."""
        foot, head = leader_line(outline, box)
        self.pen.line([foot, head], fill=PENCIL, width=self.stroke + 2)
        self.pen.line([foot, head], fill=FINDING, width=self.stroke)
        radius = 1.4 * self.stroke
        self.pen.ellipse((foot[0] - radius, foot[1] - radius, foot[0] + radius, foot[1] + radius), fill=FINDING)
        self.room.leaders.append((foot, head))

    def _write(
        self,
        box: Box,
        blocks: Sequence[tuple[str, Sequence[str]]],
        face: ImageFont.FreeTypeFont,
        pad: float,
        fill: tuple[int, int, int],
        ink: tuple[int, int, int],
    ) -> None:
        """Fill a box and write blocks of (whole text, its lines) into it."""
        corners = (box.x0, box.y0, box.x1, box.y1)
        self.pen.rounded_rectangle(corners, radius=0.25 * self.size, fill=fill, outline=PENCIL, width=1)
        y = box.y0 + pad
        for text, lines in blocks:
            top = y
            for line in lines:
                self.pen.text((box.x0 + pad, y), line, font=face, fill=ink)
                y += 1.25 * self.size
            self.placed.append(Placed(text, (box.x0, top, box.x1, y), False))
        self.room.taken.append(box)


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
