"""One line of print cut out of the face, levelled, enlarged, and separated from its ground into characters."""

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.light import FloatImage, Mask, fit_light, robust_sd
from vision.observations import NotMeasured, Quad

Box = tuple[float, float, float, float]

WORKING_HEIGHT = 60
"""Rows a line box is enlarged to, half a row then is under 1 % of a character (common practice, no source)."""
MOST_ENLARGED = 4.0
PADDING = 0.3
"""Room added around a reader's box, in box heights: boxes may be clipped (common practice, no source)."""
FAINTEST = 3.0
"""Print must stand this many robust deviations out of its ground (Rose 1973 asks 3 to 5 for detection)."""
NARROW = frozenset("1Iil|!.,:;'-_/\\()[]JT")
"""Glyphs whose width depends most on the typeface's habits; left out of widths where the characters are known."""


@dataclass(frozen=True, slots=True)
class Glyph:
    """One connected character: its box in working pixels (x0, y0 inclusive; x1, y1 exclusive) and its components."""

    x0: int
    y0: int
    x1: int
    y1: int
    parts: tuple[int, ...]

    @property
    def width(self) -> int:
        """Columns."""
        return self.x1 - self.x0

    @property
    def height(self) -> int:
        """Rows."""
        return self.y1 - self.y0

    @property
    def middle(self) -> float:
        """Column of the centre."""
        return 0.5 * (self.x0 + self.x1)


@dataclass(frozen=True, slots=True, eq=False)
class Strip:
    """A levelled line of print.

    Parameters
    ----------
    relative : ndarray of float32, shape (rows, columns)
        Luminance over the light of the ground, minus one, signed so that the print is positive.
    ink : ndarray of bool, same shape
        The print, cut half way between ground and ink.
    labels : ndarray of int32, same shape
        Connected components of `ink`.
    glyphs : tuple of Glyph
        Characters from left to right.
    level : float
        Relative luminance of the ink (print positive).
    rim_slope : float
        Median slope of the smoothed luminance on the contour of the ink, per working pixel.
    bright : bool
        True where the print is brighter than the ground.
    noise : float
        Robust standard deviation of the ground in `relative`.
    scale : float
        Working pixels per face pixel.
    angle : float
        Degrees by which the box was turned to be level (positive: text falls to the right in the face).
    to_face : ndarray of float64, shape (2, 3)
        Working pixels (x, y, 1) to face pixels.
    """

    relative: FloatImage
    ink: Mask
    labels: NDArray[np.int32]
    glyphs: tuple[Glyph, ...]
    level: float
    rim_slope: float
    bright: bool
    noise: float
    scale: float
    angle: float
    to_face: NDArray[np.float64]


def cut(luminance: FloatImage, quad: Quad, others: Sequence[Quad] = ()) -> Strip | NotMeasured:
    """Cut one line out of the face and separate print from ground.

    Parameters
    ----------
    luminance : ndarray of float32, shape (height, width)
        Linear luminance of the upright face.
    quad : Quad
        The reader's box in face pixels; a few pixels generous or clipped is usual.
    others : sequence of Quad
        Boxes of the other lines: what lies inside them is not this line's.

    Returns
    -------
    Strip or NotMeasured
    """
    corners = np.asarray(quad, dtype=np.float64)
    along = 0.5 * ((corners[1] - corners[0]) + (corners[2] - corners[3]))
    down = 0.5 * ((corners[3] - corners[0]) + (corners[2] - corners[1]))
    width, height = float(np.hypot(*along)), float(np.hypot(*down))
    if height < 5.0 or width < 5.0:
        return NotMeasured("the characters are smaller than five pixels")
    strip, to_face, scale, angle = _level(luminance, corners, along, width, height)
    core = _core(strip.shape, scale * height)
    light = fit_light(strip, np.ones(strip.shape, dtype=bool), order=2 if width > 2 * height else 1)
    relative = (strip / light - 1.0).astype(np.float32)
    return _separate(relative, core, _rivals(to_face, others), scale, angle, to_face, scale * height)


def _level(
    luminance: FloatImage, corners: NDArray[np.float64], along: NDArray[np.float64], width: float, height: float
) -> tuple[FloatImage, NDArray[np.float64], float, float]:
    """Turn the box level and enlarge it; returns the strip, its map to the face, the scale and the angle."""
    scale = float(np.clip(WORKING_HEIGHT / height, 1.0, MOST_ENLARGED))
    radians = float(np.arctan2(along[1], along[0]))
    pad = PADDING * height
    columns, rows = round(scale * (width + 2 * pad)), round(scale * (height + 2 * pad))
    cosine, sine = np.cos(radians) / scale, np.sin(radians) / scale
    centre = corners.mean(axis=0)
    matrix = np.array([[cosine, -sine, 0.0], [sine, cosine, 0.0]])
    matrix[:, 2] = centre - matrix[:, :2] @ np.array([(columns - 1) / 2, (rows - 1) / 2])
    strip = cv2.warpAffine(
        luminance,
        matrix,
        (columns, rows),
        flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return np.maximum(strip, np.float32(1e-5)).astype(np.float32), matrix, scale, float(np.degrees(radians))


def _rivals(to_face: NDArray[np.float64], others: Sequence[Quad]) -> list[Box]:
    """The other lines' boxes in working pixels."""
    inverse = cv2.invertAffineTransform(to_face)
    boxes = []
    for quad in others:
        points = np.asarray(quad, dtype=np.float64) @ inverse[:, :2].T + inverse[:, 2]
        (x0, y0), (x1, y1) = points.min(axis=0), points.max(axis=0)
        boxes.append((float(x0), float(y0), float(x1), float(y1)))
    return boxes


def _of_another(glyph: Glyph, row: float, box_rows: float, rivals: Sequence[Box]) -> bool:
    """Whether a character stands in another line's box and nearer to its middle than to this line's.

    A reader may draw one line's box over a logo that is two lines tall; the other line's own box then claims its
    characters back.
    """
    y = 0.5 * (glyph.y0 + glyph.y1)
    mine = abs(y - row) / box_rows
    return any(
        x0 <= glyph.middle <= x1 and y0 <= y <= y1 and abs(y - 0.5 * (y0 + y1)) / max(1.0, y1 - y0) < mine
        for x0, y0, x1, y1 in rivals
    )


def _core(shape: tuple[int, ...], box_rows: float) -> Mask:
    """The reader's own box inside the padded strip."""
    pad = round((shape[0] - box_rows) / 2)
    core = np.zeros(shape, dtype=bool)
    core[pad : shape[0] - pad, pad : shape[1] - pad] = True
    return core


def _separate(
    relative: FloatImage,
    core: Mask,
    rivals: Sequence[Box],
    scale: float,
    angle: float,
    to_face: NDArray[np.float64],
    box_rows: float,
) -> Strip | NotMeasured:
    """Cut half way between ground and ink; the half-way contour of a blurred edge stays where the edge was."""
    inside = relative[core]
    if inside.size < 50:
        return NotMeasured("the line box lies outside the face")
    low, high = np.percentile(inside, (4, 96))
    bright = bool(high + low >= 0)
    signed = relative if bright else -relative
    smooth: FloatImage = cv2.GaussianBlur(signed, (0, 0), max(0.6, 0.5 * scale)).astype(np.float32)
    values = smooth[core]
    first = _otsu(values)
    upper, lower = values[values > first], values[values <= first]
    if upper.size < 20 or lower.size < 20:
        return NotMeasured("no print stands out in the line box")
    level, ground = float(np.percentile(upper, 70)), float(np.median(lower))
    noise = robust_sd(lower)
    if level - ground < FAINTEST * max(noise, 1e-4):
        return NotMeasured("the print is too faint to be measured")
    ink = smooth > 0.5 * (level + ground)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(ink.astype(np.uint8), connectivity=8)
    glyphs = _glyphs(count, stats.astype(np.int32), relative.shape, box_rows, rivals)
    if not glyphs:
        return NotMeasured("no characters stand out in the line box")
    wanted = np.zeros(count, dtype=bool)
    for glyph in glyphs:
        wanted[list(glyph.parts)] = True
    kept = wanted[labels]
    return Strip(
        (signed - ground).astype(np.float32),
        kept,
        np.where(kept, labels, 0).astype(np.int32),
        glyphs,
        level - ground,
        _rim_slope(smooth, kept),
        bright,
        noise,
        scale,
        angle,
        to_face,
    )


def _rim_slope(smooth: FloatImage, ink: Mask) -> float:
    """Median slope on the contour of the ink."""
    across = cv2.Sobel(smooth, cv2.CV_32F, 1, 0, ksize=3) / 8.0
    down = cv2.Sobel(smooth, cv2.CV_32F, 0, 1, ksize=3) / 8.0
    coded = ink.astype(np.uint8)
    rim = (coded - cv2.erode(coded, np.ones((3, 3), np.uint8))) > 0
    return float(np.median(np.hypot(across[rim], down[rim])))


def _otsu(values: NDArray[np.float32]) -> float:
    """Otsu's threshold (1979) over 256 bins between the extreme half percents."""
    low, high = (float(v) for v in np.percentile(values, (0.5, 99.5)))
    if high <= low:
        return high
    coded = np.clip((values - low) * (255.0 / (high - low)), 0, 255).astype(np.uint8)
    threshold, _ = cv2.threshold(coded.reshape(1, -1), 0, 255, cv2.THRESH_BINARY | cv2.THRESH_OTSU)
    return low + float(threshold) * (high - low) / 255.0


def _glyphs(
    count: int, stats: NDArray[np.int32], shape: tuple[int, ...], box_rows: float, rivals: Sequence[Box]
) -> tuple[Glyph, ...]:
    """Join components into characters and leave out specks, neighbours' feet and frames."""
    pad = (shape[0] - box_rows) / 2
    pieces: list[Glyph] = []
    for index in range(1, count):
        x, y, width, height, area = (int(v) for v in stats[index])
        centre = y + height / 2
        if area < (0.1 * box_rows) ** 2 or not pad * 0.6 < centre < shape[0] - pad * 0.6:
            continue
        touches = y == 0 or y + height == shape[0]
        if (touches and height < 0.8 * box_rows) or height > 0.98 * shape[0] or width > 0.9 * shape[1]:
            continue
        piece = Glyph(x, y, x + width, y + height, (index,))
        if not _of_another(piece, 0.5 * shape[0], box_rows, rivals):
            pieces.append(piece)
    pieces.sort(key=lambda g: g.x0)
    joined: list[Glyph] = []
    for piece in pieces:
        if joined and _same_character(joined[-1], piece):
            last = joined.pop()
            piece = Glyph(
                min(last.x0, piece.x0),
                min(last.y0, piece.y0),
                max(last.x1, piece.x1),
                max(last.y1, piece.y1),
                last.parts + piece.parts,
            )
        joined.append(piece)
    return tuple(joined)


def _same_character(left: Glyph, right: Glyph) -> bool:
    """Parts that stand closely over each other belong together (broken strokes, stencil fonts); two lines do not."""
    overlap = min(left.x1, right.x1) - max(left.x0, right.x0)
    apart = max(left.y0, right.y0) - min(left.y1, right.y1)
    return overlap > 0.4 * min(left.width, right.width) and apart < 0.2 * max(left.height, right.height)
