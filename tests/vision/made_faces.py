"""Chip tops of known geometry for tests: strokes of known width on a ground of known texture, in linear light.

The typeface is a handful of polylines, so height, stroke, advance, shear and angle are exact by construction and do not
depend on any font file.
"""

from dataclasses import dataclass, replace
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.observations import Face, Line, Quad, Reading

# Polylines on a grid 4 wide and 6 high, y downwards; a shared corner letterform for most characters.
GLYPHS: dict[str, list[list[tuple[float, float]]]] = {
    "0": [[(0, 0), (4, 0), (4, 6), (0, 6), (0, 0)]],
    "1": [[(1, 1), (2, 0), (2, 6)], [(1, 6), (3, 6)]],
    "2": [[(0, 0), (4, 0), (4, 3), (0, 3), (0, 6), (4, 6)]],
    "3": [[(0, 0), (4, 0), (4, 6), (0, 6)], [(1, 3), (4, 3)]],
    "4": [[(0, 0), (0, 4), (4, 4)], [(3, 0), (3, 6)]],
    "5": [[(4, 0), (0, 0), (0, 3), (4, 3), (4, 6), (0, 6)]],
    "6": [[(4, 0), (0, 0), (0, 6), (4, 6), (4, 3), (0, 3)]],
    "7": [[(0, 0), (4, 0), (2, 6)]],
    "8": [[(0, 0), (4, 0), (4, 6), (0, 6), (0, 0)], [(0, 3), (4, 3)]],
    "9": [[(4, 3), (0, 3), (0, 0), (4, 0), (4, 6), (0, 6)]],
    "A": [[(0, 6), (0, 2), (2, 0), (4, 2), (4, 6)], [(0, 4), (4, 4)]],
    "C": [[(4, 0), (0, 0), (0, 6), (4, 6)]],
    "D": [[(0, 0), (3, 0), (4, 1), (4, 5), (3, 6), (0, 6), (0, 0)]],
    "E": [[(4, 0), (0, 0), (0, 6), (4, 6)], [(0, 3), (3, 3)]],
    "H": [[(0, 0), (0, 6)], [(4, 0), (4, 6)], [(0, 3), (4, 3)]],
    "I": [[(2, 0), (2, 6)], [(1, 0), (3, 0)], [(1, 6), (3, 6)]],
    "L": [[(0, 0), (0, 6), (4, 6)]],
    "M": [[(0, 6), (0, 0), (2, 3), (4, 0), (4, 6)]],
    "N": [[(0, 6), (0, 0), (4, 6), (4, 0)]],
    "P": [[(0, 6), (0, 0), (4, 0), (4, 3), (0, 3)]],
    "R": [[(0, 6), (0, 0), (4, 0), (4, 3), (0, 3)], [(2, 3), (4, 6)]],
    "S": [[(4, 0), (0, 0), (0, 3), (4, 3), (4, 6), (0, 6)]],
    "V": [[(0, 0), (2, 6), (4, 0)]],
    "-": [[(1, 3), (3, 3)]],
}


@dataclass(frozen=True)
class Made:
    """Everything that makes one top. Lengths in 'body' (fraction of the short side), angles in degrees."""

    texts: tuple[str, ...] = ("CV6522AP", "MERIDIA 8614")
    size: tuple[int, int] = (300, 800)
    """Rows and columns of the face."""
    height: float = 0.15
    """Of a character, stroke included."""
    stroke: float = 0.022
    width: float = 0.10
    """Of a character, stroke included."""
    advance: float = 0.135
    pitch: float = 0.30
    left: float = 0.35
    top: float = 0.25
    slant: float = 0.0
    angle: float = 0.0
    ground: float = 0.05
    """Linear luminance of the body."""
    ink: float = 0.35
    roughness: float = 0.06
    """Standard deviation of the texture relative to the ground."""
    grain: float = 1.5
    """Size of the texture, thousandths of the short side times 5 (a Gaussian's sigma in pixels at 300 rows)."""
    sanded: float = 0.0
    """Relative standard deviation of scratches added."""
    scratch_angle: float = 0.0
    blur: float = 0.8
    """Sigma, pixels."""
    noise: float = 0.002
    """Standard deviation of the sensor, linear, before coding."""
    shade: float = 0.5
    """How much darker the right end is than the left."""
    exposure: float = 1.0
    seed: int = 1
    box_slack: float = 0.02
    """How much larger than the print the reader's boxes are, body units on each side."""
    ghost: str = ""
    """Text of an old mark."""
    ghost_contrast: float = 0.0
    """Relative to the ground."""
    ghost_place: tuple[float, float] = (1.5, 0.75)
    """Left and top of the old mark, body units."""
    ghost_turned: int = 0
    """Quarter turns clockwise of the old mark."""

    def but(self, **changes: object) -> "Made":
        """Return the same top with something changed."""
        return replace(self, **changes)  # type: ignore[arg-type]


OVER = 4


def _strokes(
    canvas: NDArray[np.uint8], text: str, origin: tuple[float, float], made: Made, short: float, turned: int = 0
) -> None:
    """Draw one line, OVER times enlarged; `origin` is its upper left in body units."""
    stroke = made.stroke
    cos, sin = np.cos(np.radians(made.angle)), np.sin(np.radians(made.angle))
    cell_w, cell_h = made.width - stroke, made.height - stroke
    lean = np.tan(np.radians(made.slant))
    for k, char in enumerate(text):
        for polyline in GLYPHS.get(char, []):
            points = []
            for gx, gy in polyline:
                y = gy / 6 * cell_h + stroke / 2
                x = k * made.advance + gx / 4 * cell_w + stroke / 2 + (made.height - y) * lean
                x, y = x * cos - y * sin, x * sin + y * cos
                for _ in range(turned):
                    x, y = -y, x
                px, py = (origin[0] + x) * short, (origin[1] + y) * short
                points.append(((px + 0.5) * OVER - 0.5, (py + 0.5) * OVER - 0.5))
            fixed = np.round(np.array(points) * 16).astype(np.int32)
            cv2.polylines(canvas, [fixed], False, 255, max(1, round(stroke * short * OVER)), cv2.LINE_AA, 4)


def texture(made: Made, rng: np.random.Generator) -> NDArray[np.float64]:
    """Mould texture plus scratches, relative to the ground."""
    rows, columns = made.size
    scale = min(made.size) / 300
    grain = cv2.GaussianBlur(rng.standard_normal((rows, columns)), (0, 0), made.grain * scale)
    result = grain / grain.std() * made.roughness
    if made.sanded:
        side = int(np.hypot(rows, columns)) + 2
        lines = cv2.GaussianBlur(
            rng.standard_normal((side, side)), (0, 0), sigmaX=40 * scale, sigmaY=max(0.8, 1.2 * scale)
        )
        turn = cv2.getRotationMatrix2D((side / 2, side / 2), -made.scratch_angle, 1.0)
        lines = cv2.warpAffine(lines, turn, (side, side), borderMode=cv2.BORDER_REFLECT)
        y, x = (side - rows) // 2, (side - columns) // 2
        lines = lines[y : y + rows, x : x + columns]
        result = result + lines / lines.std() * made.sanded
    return result


def linear_picture(made: Made) -> NDArray[np.float64]:
    """Luminance of the top in linear light, before noise and coding."""
    rows, columns = made.size
    short = float(min(made.size))
    rng = np.random.default_rng(made.seed)

    def cover(draw: list[tuple[str, tuple[float, float], int]]) -> NDArray[np.float64]:
        canvas = np.zeros((rows * OVER, columns * OVER), np.uint8)
        for text, origin, turned in draw:
            _strokes(canvas, text, origin, made, short, turned)
        return cv2.resize(canvas, (columns, rows), interpolation=cv2.INTER_AREA).astype(np.float64) / 255

    body = made.ground * (1 + texture(made, rng))
    if made.ghost:
        body = body * (1 + made.ghost_contrast * cover([(made.ghost, made.ghost_place, made.ghost_turned)]))
    ink = cover([(text, _origin(made, i), 0) for i, text in enumerate(made.texts)])
    picture = body * (1 - ink) + made.ink * ink
    picture = cv2.GaussianBlur(picture, (0, 0), made.blur) if made.blur > 0 else picture
    light = np.linspace(1.0, 1.0 - made.shade, columns)[None, :] * np.linspace(1.0, 1.0 - made.shade / 3, rows)[:, None]
    return picture * light


def _origin(made: Made, i: int) -> tuple[float, float]:
    """Upper left of line i; the lines stand under each other square to their own direction."""
    cos, sin = np.cos(np.radians(made.angle)), np.sin(np.radians(made.angle))
    return made.left - i * made.pitch * sin, made.top + i * made.pitch * cos


@cache
def face_of(made: Made) -> Face:
    """Expose, add noise, code as sRGB (IEC 61966-2-1), make a Face with an identity homography."""
    rng = np.random.default_rng(made.seed + 1000)
    linear = linear_picture(made) * made.exposure
    linear = np.clip(linear + rng.standard_normal(linear.shape) * made.noise, 0, 1)
    coded = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
    grey = np.round(coded * 255).astype(np.uint8)
    return Face(np.repeat(grey[:, :, None], 3, axis=2), np.eye(3))


def box(made: Made, i: int) -> Quad:
    """The reader's box of line i in face pixels, `box_slack` generous, level with the line."""
    short = float(min(made.size))
    length = (len(made.texts[i]) - 1) * made.advance + made.width
    x0, y0 = _origin(made, i)
    cos, sin = np.cos(np.radians(made.angle)), np.sin(np.radians(made.angle))
    s = made.box_slack
    lean = max(0.0, made.height * np.tan(np.radians(made.slant)))
    back = min(0.0, made.height * np.tan(np.radians(made.slant)))
    corners = [
        (back - s, -s),
        (length + lean + s, -s),
        (length + lean + s, made.height + s),
        (back - s, made.height + s),
    ]
    a, b, c, d = (((x0 + x * cos - y * sin) * short, (y0 + x * sin + y * cos) * short) for x, y in corners)
    return (a, b, c, d)


def lines_of(made: Made) -> tuple[Line, ...]:
    """Lines as a reader would give them."""
    return tuple(
        Line(text, 0.95, box(made, i), box(made, i), (Reading("made", text, 0.95),))
        for i, text in enumerate(made.texts)
    )
