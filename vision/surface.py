"""Texture of the top away from its print: roughness, direction, gloss, edge, and an old mark under the new one.

Everything is relative to the light on the place and to the body's short side, so that exposure, shading and distance
cancel. What a lens or a compressor has smoothed away cannot come back: results compare best within one photo.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.grain import grain
from vision.ground import Ground, bare_ground
from vision.light import ENOUGH, FloatImage, Mask, fit_light, robust_sd, smooth_within
from vision.observations import Face, Line, Measure, NotMeasured, Surface
from vision.old_marks import OldMark, search
from vision.scratches import scratches

FINE, COARSE = 1 / 200, 1 / 40
"""Texture is what lies between these two Gaussian sigmas, body units: 0.03 to 0.16 mm on a 6.4 mm body, where the
scratches of abrasive papers of grit 240 to 800 lie (from memory)."""
LEAST_TILES = 6
DIRECTED, LEAST_DIRECTED = 3.0, 0.08
"""A direction is given where coherence stands this many standard uncertainties above nothing (3 sigma convention) and
above what chance leaves in a top of some forty tiles."""

Value = Measure | NotMeasured


def measure(face: Face, lines: Sequence[Line]) -> Surface | NotMeasured:
    """Measure the surface of one upright top.

    Parameters
    ----------
    face : Face
    lines : sequence of Line
        Everything read on it; what lies under and near the boxes is left out.

    Returns
    -------
    Surface or NotMeasured
        `roughness`: robust standard deviation of the band-passed luminance over the light ('ratio').
        `coherence`: (l1 - l2) / (l1 + l2) of the averaged structure tensor, 0 no direction to 1 parallel lines
        (Bigun & Granlund 1987; not squared as Weickert does).
        `direction`: of scratches, else of the texture, degrees from the reading direction, positive falling to the
        right, -90 to 90.
        `gloss`: how far the brightest 2 % of the smoothed top outshine the even light, minus one ('ratio').
        `edge_sharpness`: 10 to 90 % width of the body's rim ('body'; smaller is sharper).
        `old_mark`: contrast of the longest row of faint characters outside the print, 0 where there is none, with the
        contrast that would have been seen as uncertainty and the number of characters as n (`vision.old_marks`).
        `scratches`: how much of the texture runs in one narrow direction (`vision.scratches`).
        `grain`, `directions`: strength and directions of the finest texture (`vision.grain`).
    """
    ground = bare_ground(face, lines)
    if isinstance(ground, NotMeasured):
        return ground
    tiles = tuple(_tiles(ground))
    coherence, broad = _coherence(ground, tiles)
    lines_strength, narrow = scratches(ground)
    direction = narrow if isinstance(narrow, Measure) else broad
    finest, directions = grain(ground)
    return Surface(
        roughness=_roughness(ground, tiles),
        coherence=coherence,
        direction=direction,
        gloss=_gloss(ground),
        edge_sharpness=_edge(ground),
        old_mark=_found(_old_mark(ground, narrow)),
        scratches=lines_strength,
        grain=finest,
        directions=directions,
    )


@dataclass(frozen=True, slots=True)
class _Tile:
    """One patch of the top with enough bare pixels."""

    rows: slice
    columns: slice


def _tiles(ground: Ground) -> Iterator[_Tile]:
    """Patches a sixth of the short side wide with at least half their pixels bare."""
    side = max(10, round(ground.short / 6))
    rows, columns = ground.bare.shape
    for y in range(0, rows - side + 1, side):
        for x in range(0, columns - side + 1, side):
            tile = _Tile(slice(y, y + side), slice(x, x + side))
            if ground.bare[tile.rows, tile.columns].mean() >= 0.5:
                yield tile


def band(ground: Ground) -> FloatImage:
    """Return the texture between FINE and COARSE, zero outside the bare body."""
    fine = smooth_within(ground.relative, ground.bare, max(0.6, FINE * ground.short))
    coarse = smooth_within(ground.relative, ground.bare, COARSE * ground.short)
    return np.where(ground.bare, fine - coarse, np.float32(0.0)).astype(np.float32)


def _roughness(ground: Ground, tiles: Sequence[_Tile]) -> Value:
    """Robust spread of the band over the tiles, the sensor's share taken out."""
    if len(tiles) < LEAST_TILES:
        return NotMeasured("too little bare surface between the print")
    texture = band(ground)
    spreads = np.array([robust_sd(texture[t.rows, t.columns][ground.bare[t.rows, t.columns]]) for t in tiles])
    total = float(np.median(spreads))
    noise = _noise_in_band(ground)
    value = float(np.sqrt(max(total**2 - noise**2, 0.04 * total**2)))
    u = 1.2533 * float(np.std(spreads, ddof=1)) / np.sqrt(len(tiles))
    # Half of what was taken out is how well it is known: the finest texture looks like noise.
    return Measure(value, "ratio", float(np.hypot(u, 0.5 * (total - value))), len(tiles))


def _noise_in_band(ground: Ground) -> float:
    """Sensor noise that passes the band: Immerkaer's (1996) estimate times the filter's gain for white noise."""
    kernel = np.array([[1, -2, 1], [-2, 4, -2], [1, -2, 1]], dtype=np.float32)
    inner = cv2.erode(ground.bare.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    if inner.sum() < 200:
        return 0.0
    white = robust_sd(cv2.filter2D(ground.relative, cv2.CV_32F, kernel)[inner].astype(np.float32)) / 6.0
    size = 2 * int(3 * COARSE * ground.short) + 1
    impulse = np.zeros((size, size), np.float32)
    impulse[size // 2, size // 2] = 1.0
    response = cv2.GaussianBlur(impulse, (0, 0), max(0.6, FINE * ground.short))
    response = response - cv2.GaussianBlur(impulse, (0, 0), COARSE * ground.short)
    return white * float(np.sqrt((response**2).sum()))


def _coherence(ground: Ground, tiles: Sequence[_Tile]) -> tuple[Value, Value]:
    """Coherence and direction of the structure tensor, each tile counting alike so that no single edge rules."""
    if len(tiles) < LEAST_TILES:
        nothing = NotMeasured("too little bare surface between the print")
        return nothing, nothing
    tensors = np.array(_tensors(ground, tiles))
    coherence, angle = coherence_of(tensors.mean(axis=0))
    n = len(tiles)
    without = (tensors.sum(axis=0) - tensors) / (n - 1)
    each = np.array([coherence_of(t)[0] for t in without])
    # Jackknife standard error (Efron & Tibshirani 1993, eq. 11.5).
    u = float(np.sqrt((n - 1) / n * ((each - each.mean()) ** 2).sum()))
    measured = Measure(coherence, "ratio", max(u, 0.01), n)
    if coherence < max(LEAST_DIRECTED, DIRECTED * measured.u):
        return measured, NotMeasured("the texture has no direction")
    return measured, Measure(angle, "deg", float(np.degrees(0.5 * measured.u / coherence)), n)


def _tensors(ground: Ground, tiles: Sequence[_Tile]) -> list[NDArray[np.float64]]:
    """Structure tensor (Jxx, Jxy, Jyy) of each tile, divided by its trace."""
    smooth = smooth_within(ground.relative, ground.bare, max(0.8, FINE * ground.short))
    gx = cv2.Sobel(smooth, cv2.CV_32F, 1, 0, ksize=3)
    gy = cv2.Sobel(smooth, cv2.CV_32F, 0, 1, ksize=3)
    inner = cv2.erode(ground.bare.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    found = []
    for tile in tiles:
        use = inner[tile.rows, tile.columns]
        x = gx[tile.rows, tile.columns][use].astype(np.float64)
        y = gy[tile.rows, tile.columns][use].astype(np.float64)
        tensor = np.array([x @ x, x @ y, y @ y])
        trace = tensor[0] + tensor[2]
        found.append(tensor / trace if trace > 0 else np.array([0.5, 0.0, 0.5]))
    return found


def coherence_of(tensor: NDArray[np.float64]) -> tuple[float, float]:
    """Return coherence and line direction of a structure tensor (Jxx, Jxy, Jyy).

    Returns
    -------
    coherence : float
        sqrt((Jxx - Jyy)^2 + 4 Jxy^2) / (Jxx + Jyy), 0 to 1.
    direction : float
        Degrees along the lines (square to the steepest change), above -90 to 90.
    """
    xx, xy, yy = (float(v) for v in tensor)
    trace = xx + yy
    if trace <= 0:
        return 0.0, 0.0
    coherence = float(np.hypot(xx - yy, 2 * xy)) / trace
    across = 0.5 * float(np.degrees(np.arctan2(2 * xy, xx - yy)))
    along = across + 90.0
    return coherence, along - 180.0 if along > 90.0 else along


def _gloss(ground: Ground) -> Value:
    """How far the brightest patches outshine the even light."""
    smooth = smooth_within(ground.luminance, ground.bare, ground.short / 30)
    even = fit_light(smooth, ground.bare)
    ratio = smooth / even
    columns = np.array_split(np.arange(ratio.shape[1]), 8)

    def outshine(use: Mask) -> float:
        values = ratio[use]
        return (
            float(np.subtract(*np.percentile(values[:: values.size // ENOUGH + 1], (98, 50))))
            if values.size > 200
            else np.nan
        )

    value = outshine(ground.bare)
    each = []
    for part in columns:
        use = ground.bare.copy()
        use[:, part] = False
        each.append(outshine(use))
    kept = np.array([e for e in each if np.isfinite(e)])
    if not np.isfinite(value) or kept.size < 4:
        return NotMeasured("too little bare surface between the print")
    u = float(np.sqrt((kept.size - 1) / kept.size * ((kept - kept.mean()) ** 2).sum()))
    return Measure(value, "ratio", max(u, 0.005), int(kept.size))


def _edge(ground: Ground) -> Value:
    """10 to 90 % width of the rim's steps, by step height over steepest slope (1.022 of it for a Gaussian blur)."""
    depth = max(6, round(0.12 * ground.short))
    sides = (ground.luminance, ground.luminance[::-1], ground.luminance.T, ground.luminance.T[::-1])
    widths = []
    for side in sides:
        strip = side[:depth, depth:-depth]
        if strip.size == 0:
            continue
        profile = np.median(strip, axis=1).astype(np.float64)
        scatter = robust_sd(np.diff(profile[depth // 2 :]))
        slope = np.abs(np.diff(profile))
        k = int(np.argmax(slope))
        inner, outer = float(np.median(profile[-3:])), float(np.median(profile[:2]))
        step = abs(inner - outer)
        if step > 8 * max(scatter, 1e-5) and step > 0.25 * inner and 0 < k < depth - 3:
            widths.append(1.022 * step / float(slope[k]) / ground.short)
    if not widths:
        return NotMeasured("the rim of the top does not show inside the outline")
    spread = float(np.std(widths, ddof=1)) if len(widths) > 1 else 0.5 * widths[0]
    u = float(np.hypot(spread / np.sqrt(len(widths)), 0.3 / ground.short))
    return Measure(float(np.median(widths)), "body", u, len(widths))


def old_mark(face: Face, lines: Sequence[Line]) -> OldMark | NotMeasured:
    """Return the old mark of a face with its place, in face pixels.

    Parameters
    ----------
    face : Face
    lines : sequence of Line
        Everything read on it.
    """
    ground = bare_ground(face, lines)
    return ground if isinstance(ground, NotMeasured) else _old_mark(ground, scratches(ground)[1])


def _old_mark(ground: Ground, narrow: Value) -> OldMark | NotMeasured:
    """Search with what is known of scratches."""
    return search(ground, narrow.value if isinstance(narrow, Measure) else None)


def _found(mark: OldMark | NotMeasured) -> Value:
    """The old mark as a measure: its contrast, the contrast that would have been seen, its number of characters."""
    return mark if isinstance(mark, NotMeasured) else Measure(mark.contrast, "ratio", mark.limit, mark.characters)
