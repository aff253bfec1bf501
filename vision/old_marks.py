"""Text-like structure outside the present print: what an old mark leaves under a new one, at any quarter turn."""

from dataclasses import dataclass

import cv2
import numpy as np

from vision.ground import Ground
from vision.light import FloatImage, Mask, robust_sd, smooth_within
from vision.observations import NotMeasured, Quad

WORKING_SHORT = 200.0
STROKE_FINE, STROKE_COARSE = 1 / 140, 1 / 35
"""Strokes of markings are a sixtieth to a thirtieth of the short side wide (from memory); band in body units."""
LINE_HEIGHTS = (1 / 10, 1 / 6)
"""Heights of a window for one line of an old mark, body units."""
LINE_LENGTH = 3.5
"""Length of that window in heights: three to four characters."""


@dataclass(frozen=True, slots=True)
class OldMark:
    """The most text-like place outside the lines.

    Parameters
    ----------
    contrast : float
        Root mean square of the stroke-scale luminance there beyond that of the rest of the top, ratio.
    u : float
        Robust standard deviation of the same over all windows of the top.
    windows : int
        Independent windows that were compared.
    outline : Quad
        Where, in face pixels.
    """

    contrast: float
    u: float
    windows: int
    outline: Quad


def search(ground: Ground, direction: float | None) -> OldMark | NotMeasured:
    """Find the window of the bare top that is most like a line of faint print.

    Parameters
    ----------
    ground : Ground
    direction : float or None
        Direction of scratches in degrees, if the texture has one; they are averaged away along it first.

    Returns
    -------
    OldMark or NotMeasured
        The best window even where there is no old mark: contrast over u then is what chance gives.
    """
    strokes, bare, scale = _strokes(ground, direction)
    short = float(min(strokes.shape))
    best: OldMark | None = None
    for height in LINE_HEIGHTS:
        for turned in (False, True):
            found = _best_window(strokes, bare, round(height * short), turned, scale)
            if found is not None and (best is None or found.contrast / found.u > best.contrast / best.u):
                best = found
    return best if best is not None else NotMeasured("too little bare surface to look for an old mark")


def _strokes(ground: Ground, direction: float | None) -> tuple[FloatImage, Mask, float]:
    """Stroke-scale structure at the working size, scratches averaged away along their direction."""
    scale = min(1.0, WORKING_SHORT / ground.short)
    size = (round(ground.bare.shape[1] * scale), round(ground.bare.shape[0] * scale))
    relative = cv2.resize(ground.relative, size, interpolation=cv2.INTER_AREA).astype(np.float32)
    bare = cv2.resize(ground.bare.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0
    short = float(min(relative.shape))
    if direction is not None:
        relative = relative - _along(relative, bare, direction, 0.35 * short)
    fine = smooth_within(relative, bare, max(0.7, STROKE_FINE * short))
    coarse = smooth_within(relative, bare, STROKE_COARSE * short)
    return np.where(bare, fine - coarse, np.float32(0)).astype(np.float32), bare, ground.scale * scale


def _along(image: FloatImage, bare: Mask, direction: float, length: float) -> FloatImage:
    """Mean over a line through each pixel."""
    half = int(length / 2)
    kernel = np.zeros((2 * half + 1, 2 * half + 1), np.uint8)
    dx, dy = half * np.cos(np.radians(direction)), half * np.sin(np.radians(direction))
    cv2.line(kernel, (round(half - dx), round(half - dy)), (round(half + dx), round(half + dy)), 1)
    weights = kernel.astype(np.float32)
    total = cv2.filter2D(np.where(bare, image, np.float32(0)), cv2.CV_32F, weights, borderType=cv2.BORDER_CONSTANT)
    norm = cv2.filter2D(bare.astype(np.float32), cv2.CV_32F, weights, borderType=cv2.BORDER_CONSTANT)
    return (total / np.maximum(norm, 1.0)).astype(np.float32)


def _best_window(strokes: FloatImage, bare: Mask, height: int, turned: bool, scale: float) -> OldMark | None:
    """Root mean square in every line-shaped window; the best one against the spread of all."""
    length = round(LINE_LENGTH * height)
    size = (height, length) if turned else (length, height)
    spread = robust_sd(strokes[bare])
    if spread <= 0:
        return None
    # Clipped so that one speck is not a word.
    energy = np.minimum(strokes, np.float32(3.0 * spread)) ** 2
    energy = np.where(bare, np.minimum(energy, np.float32((3.0 * spread) ** 2)), np.float32(0))
    norm = cv2.boxFilter(bare.astype(np.float32), cv2.CV_32F, size, borderType=cv2.BORDER_CONSTANT)
    mean = cv2.boxFilter(energy, cv2.CV_32F, size, borderType=cv2.BORDER_CONSTANT) / np.maximum(norm, 1e-3)
    valid = norm > 0.6
    step = max(1, height // 3)
    root = np.sqrt(np.maximum(mean, 0.0))
    sampled = root[::step, ::step][valid[::step, ::step]]
    if sampled.size < 30:
        return None
    rest, u = float(np.median(sampled)), robust_sd(sampled)
    y, x = np.unravel_index(int(np.argmax(np.where(valid, root, -1.0))), root.shape)
    windows = int(valid.sum() / (size[0] * size[1])) + 1
    w, h = size[0] / 2, size[1] / 2
    outline = tuple(
        (float((x + a * w) / scale), float((y + b * h) / scale)) for a, b in ((-1, -1), (1, -1), (1, 1), (-1, 1))
    )
    return OldMark(float(root[y, x]) - rest, max(u, 0.02 * rest, 1e-6), windows, outline)  # type: ignore[arg-type]
