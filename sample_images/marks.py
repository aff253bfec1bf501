"""Lettering of invented chips: a stroke alphabet as pad printers and lasers use it, DejaVu, makers' logos."""

from dataclasses import dataclass, field
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

Array = NDArray[Any]
OVERSAMPLE = 4
SHIFT_BITS = 4

# One character a stroke list on a grid 8 wide and 12 high, two hexadecimal digits a point (x, y downwards).
# A leading ~ rounds the corners of a stroke, @ rounds and closes it. Drawn for this project.
STROKES = {
    "A": "0c408c 2868",
    "B": "000c ~006082846606 ~0666888a6c0c",
    "C": "~826020020a2c6c8a",
    "D": "000c ~005083895c0c",
    "E": "80000c8c 0666",
    "F": "80000c 0666",
    "G": "~826020020a2c6c8a 8a8757",
    "H": "000c 808c 0686",
    "I": "101c",
    "J": "~808a6c2c0a",
    "K": "000c 8007 348c",
    "L": "000c8c",
    "M": "0c0047808c",
    "N": "0c008c80",
    "O": "@2060828a6c2c0a02",
    "P": "000c ~006082856707",
    "Q": "@2060828a6c2c0a02 598c",
    "R": "000c ~006082856707 478c",
    "S": "~82602002042666888a6c2c0a",
    "T": "0080 404c",
    "U": "~000a2c6c8a80",
    "V": "004c80",
    "W": "002c446c80",
    "X": "008c 800c",
    "Y": "004680 464c",
    "Z": "00800c8c",
    "0": "@2050727a5c2c0a02",
    "1": "03303c",
    "2": "~0220608284390c 0c8c",
    "3": "~02206082846636 ~3666888a6c2c0a",
    "4": "6c600989",
    "5": "800005 ~052464868a6c2c0a",
    "6": "~7040120a2c6c8a88662618",
    "7": "00803c",
    "8": "@2060828466260402 @2666888a6c2c0a08",
    "9": "~1c4c7a8260200204266674",
    "-": "1666",
    "/": "0c80",
    ".": "3c3b",
    " ": "",
}
NARROW = {"I": 2, "1": 4, ".": 3, "0": 7, " ": 6, "-": 7}


@dataclass(frozen=True)
class Marking:
    """What stands on one face and how: lengths in mm, angles in degrees, `place` from the middle of the body."""

    lines: tuple[str, ...]
    height: float = 1.6
    stroke: float = 0.2
    width: float = 0.64
    spacing: float = 0.36
    pitch: float = 2.5
    slant: float = 0.0
    angle: float = 0.0
    place: tuple[float, float] = (0.0, 0.0)
    kind: str = "ink"
    tone: tuple[float, float, float] = (0.62, 0.61, 0.56)
    face: str = "stroke"
    logo: str | None = None
    centred: bool = False
    extra: dict[str, float] = field(default_factory=dict)


def _soften(points: Array, closed: bool) -> Array:
    """Cut the corners twice (Chaikin 1974), which turns a chamfered outline into an even curve."""
    for _ in range(3):
        ahead = np.roll(points, -1, axis=0)
        pairs = np.stack([0.75 * points + 0.25 * ahead, 0.25 * points + 0.75 * ahead], axis=1).reshape(-1, 2)
        points = pairs if closed else np.concatenate([points[:1], pairs[:-2], points[-1:]])
    return points


def _strokes(character: str) -> list[tuple[Array, bool]]:
    strokes = []
    for word in STROKES[character].split():
        digits = word.lstrip("~@")
        points = np.array([[int(digits[i], 16), int(digits[i + 1], 16)] for i in range(0, len(digits), 2)], np.float32)
        closed = word.startswith("@")
        strokes.append((_soften(points, closed) if word[0] in "~@" else points, closed))
    return strokes


def _stroke_line(text: str, marking: Marking, res: float) -> Array:
    """Return one line as a mask, its baseline at the bottom edge less half a stroke."""
    scale_y = marking.height / 12 * res
    scale_x = marking.height * marking.width / 8 * res
    pad = marking.stroke * res
    advances = [NARROW.get(c, 8) * scale_x + marking.spacing * marking.height * res for c in text]
    advances[-1] -= marking.spacing * marking.height * res
    lean = np.tan(np.radians(marking.slant))
    size = (int(marking.height * res + 2 * pad) + 1, int(sum(advances) + 2 * pad + lean * marking.height * res) + 1)
    mask = np.zeros(size, np.uint8)
    x = pad
    for character, advance in zip(text, advances, strict=True):
        for points, closed in _strokes(character):
            place = points * (scale_x, scale_y) + (x, pad)
            place[:, 0] += lean * (marking.height * res + pad - place[:, 1])
            fixed = np.round(place * 2**SHIFT_BITS).astype(np.int32)
            thick = max(1, round(marking.stroke * res))
            cv2.polylines(mask, [fixed], closed, 255, thick, cv2.LINE_AA, SHIFT_BITS)
        x += advance
    return mask.astype(np.float32) / 255


def font_file(name: str) -> Path:
    """Return the path of a DejaVu face inside matplotlib's wheel (or the system's copy)."""
    spec = find_spec("matplotlib")
    if spec is not None and spec.submodule_search_locations:
        path = Path(next(iter(spec.submodule_search_locations))) / "mpl-data" / "fonts" / "ttf" / name
        if path.exists():
            return path
    return Path("/usr/share/fonts/truetype/dejavu") / name


def _font_line(text: str, marking: Marking, res: float) -> Array:
    """Return one line set in a TrueType face, squeezed to `width` and spaced like the stroke alphabet."""
    # DejaVu's capitals are 0.729 of the em (its OS/2 table).
    font = ImageFont.truetype(str(font_file(marking.face)), round(marking.height * res / 0.729))
    pad = round(0.1 * marking.height * res)
    gap = round(marking.spacing * marking.height * res * 0.3)
    widths = [int(font.getlength(c)) + gap for c in text]
    below = pad if text.isupper() else 3 * pad
    image = Image.new("L", (sum(widths) + 2 * pad, round(marking.height * res) + pad + below))
    pen, x = ImageDraw.Draw(image), pad
    for character, width in zip(text, widths, strict=True):
        pen.text((x, pad + round(marking.height * res)), character, fill=255, font=font, anchor="ls")
        x += width
    mask = np.asarray(image, np.float32) / 255
    squeezed = max(1, round(mask.shape[1] * marking.width / 0.64))
    return cv2.resize(mask, (squeezed, mask.shape[0]), interpolation=cv2.INTER_AREA)


def _logo(name: str, size: int) -> Array:
    """Return an invented maker's sign in a square of `size` pixels."""
    mask = np.zeros((size, size), np.uint8)
    unit = size / 100
    line = max(1, round(9 * unit))

    def at(*points: tuple[float, float]) -> NDArray[np.int32]:
        return np.asarray(np.round(np.array(points) * unit * 2**SHIFT_BITS), np.int32)

    if name == "corvane":  # two wing beats in a broken ring
        centre = at((50, 50))[0]
        cv2.ellipse(mask, centre, at((44, 44))[0], 0, 25, 335, 255, line, cv2.LINE_AA, SHIFT_BITS)
        for top in (30, 52):
            wing = at((20, top), (52, top + 20), (92, top - 6), (54, top + 32))
            cv2.fillPoly(mask, [wing], 255, cv2.LINE_AA, SHIFT_BITS)
    else:  # "halden": an H whose bar is a step, in a lozenge
        cv2.polylines(mask, [at((50, 4), (96, 50), (50, 96), (4, 50))], True, 255, line, cv2.LINE_AA, SHIFT_BITS)
        for stroke in (((36, 32), (36, 68)), ((64, 32), (64, 68)), ((36, 56), (50, 56), (50, 44), (64, 44))):
            cv2.polylines(mask, [at(*stroke)], False, 255, line, cv2.LINE_AA, SHIFT_BITS)
    return mask.astype(np.float32) / 255


def _block(marking: Marking, res: float) -> Array:
    """Return all lines and the logo as one mask at `res` pixels a mm."""
    draw = _stroke_line if marking.face == "stroke" else _font_line
    lines = [draw(line, marking, res) for line in marking.lines]
    pitch = round(marking.pitch * res)
    sign = round(marking.height * 1.9 * res) if marking.logo else 0
    shift = round(sign * 1.25)
    width = max(line.shape[1] for line in lines) + shift
    height = pitch * (len(lines) - 1) + lines[-1].shape[0]
    block = np.zeros((max(height, sign + 2), width), np.float32)
    for number, line in enumerate(lines):
        x = (width - shift - line.shape[1]) // 2 if marking.centred else 0
        y = number * pitch
        patch = block[y : y + line.shape[0], shift + x : shift + x + line.shape[1]]
        np.maximum(patch, line[: patch.shape[0]], out=patch)
    if marking.logo:
        top = max(0, (height - sign) // 2)
        patch = block[top : top + sign, :sign]
        np.maximum(patch, _logo(marking.logo, sign)[: patch.shape[0]], out=patch)
    return block


def mask_of(marking: Marking, size_mm: tuple[float, float], res: float) -> Array:
    """Return the coverage, 0 to 1, of a marking on a face.

    Parameters
    ----------
    marking : Marking
    size_mm : tuple of float
        Length and width of the face.
    res : float
        Pixels a mm of the result.

    Returns
    -------
    ndarray of float32, shape (width * res, length * res)
    """
    columns, rows = round(size_mm[0] * res), round(size_mm[1] * res)
    if not marking.lines:
        return np.zeros((rows, columns), np.float32)
    block = _block(marking, res * OVERSAMPLE)
    softened = cv2.GaussianBlur(block, (0, 0), OVERSAMPLE * 0.4)
    turn = _laid(marking, block.shape, size_mm, res)
    return cv2.warpAffine(softened, turn, (columns, rows), flags=cv2.INTER_LINEAR)


def _laid(marking: Marking, shape: tuple[int, ...], size_mm: tuple[float, float], res: float) -> Array:
    """Return the map (2, 3) from a block's pixels to the face's."""
    middle = (shape[1] / 2, shape[0] / 2)
    turn: Array = cv2.getRotationMatrix2D(middle, -marking.angle, 1 / OVERSAMPLE)
    turn[0, 2] += round(size_mm[0] * res) / 2 + marking.place[0] * res - middle[0]
    turn[1, 2] += round(size_mm[1] * res) / 2 + marking.place[1] * res - middle[1]
    return turn


def boxes_of(marking: Marking, size_mm: tuple[float, float], res: float = 20.0) -> list[Array]:
    """Return where each printed line stands on a face, and last the logo where there is one.

    Parameters
    ----------
    marking : Marking
    size_mm : tuple of float
        Length and width of the face.
    res : float
        Pixels a mm at which the place is worked out.

    Returns
    -------
    list of ndarray, shape (4, 2)
        Corners in mm from the face's upper left, clockwise from the line's upper left.
    """
    fine = res * OVERSAMPLE
    block = _block(marking, fine)
    sign = round(marking.height * 1.9 * fine) if marking.logo else 0
    turn = _laid(marking, block.shape, size_mm, res)
    places = []
    for k in range(len(marking.lines)):
        y0 = k * round(marking.pitch * fine)
        band = block[y0 : y0 + round((marking.height + marking.stroke) * fine), round(sign * 1.25) :]
        filled = np.flatnonzero(band.max(axis=0) > 0.5)
        x0, x1 = filled[0] + round(sign * 1.25), filled[-1] + 1 + round(sign * 1.25)
        places.append((x0, y0, x1, y0 + band.shape[0]))
    if marking.logo:
        top = max(0, (block.shape[0] - sign) // 2)
        places.append((0, top, sign, top + sign))
    quads = [np.array([(x0, y0), (x1, y0), (x1, y1), (x0, y1)], np.float64) for x0, y0, x1, y1 in places]
    return [(quad @ turn[:, :2].T + turn[:, 2]) / res for quad in quads]
