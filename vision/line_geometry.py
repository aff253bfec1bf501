"""Geometry of one printed line: feet and heads, widths, steps, strokes, slant, contrast, place."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.body import Body
from vision.observations import LineLettering, Measure, NotMeasured
from vision.spread import scatter
from vision.strip import NARROW, Glyph, Strip

TALL = 0.85
"""Characters of one height differ by less than this factor (x-heights are 0.5 to 0.7 of capitals, from memory)."""
OFF_LINE = 0.25
"""How far a character's foot may stand off another's, heights: a line a degree or two off its box, and no more."""
SLANTS = np.arange(-24.0, 24.5, 1.5)
"""Shear angles tried, degrees. Italic faces lean 8 to 15 (from memory)."""
DIAGONAL = frozenset("AVWXYMNKZ47/")
"""Characters whose strokes lean by themselves."""
VAGUE = 4.0
"""A slant less certain than this is not given, degrees (common practice, no source)."""
EDGE_U = 0.35
"""Standard uncertainty of one edge, working pixels: half a pixel's quantisation and threshold (common practice)."""
PIXEL_U = 0.289
"""Standard uncertainty of any width for the width of a camera pixel, face pixels: 1 / sqrt(12) (GUM 4.3.7)."""
MEDIAN_U = 1.2533
"""Standard error of a normal sample's median relative to its mean's, sqrt(pi/2)."""

Value = Measure | NotMeasured


@dataclass(frozen=True, slots=True)
class Frame:
    """What turns working pixels of one strip into body units."""

    strip: Strip
    body: Body
    text: str
    half_width: float
    """Of the strokes as they appear, working pixels."""
    widened: float
    """By the blur, working pixels; every character is as much higher and wider."""

    @property
    def unit(self) -> float:
        """Body units a working pixel."""
        return 1.0 / (self.strip.scale * self.body.short)

    @property
    def width_u(self) -> float:
        """What no number of characters averages away: half the blur's share, and the camera pixel's own width."""
        return float(np.hypot(0.5 * self.widened, PIXEL_U * self.strip.scale))


def line_geometry(index: int, frame: Frame) -> LineLettering:
    """Measure one line."""
    strip = frame.strip
    full = tall(strip.glyphs)
    base, angle = baseline(full, strip)
    slant = _slant(_upright(full, frame), strip, angle)
    return LineLettering(
        line=index,
        baseline_angle=angle,
        character_height=_height(full, frame),
        character_width=_width(full, frame, slant),
        character_spacing=_spacing(full, frame),
        stroke_width=_stroke(frame),
        slant=slant,
        contrast=_contrast(strip),
        left=_left(full, frame),
        baseline=Measure(float(foot(base, frame)[1]), "body", EDGE_U * frame.unit, len(full)),
        blur=_blur(frame),
    )


def tall(glyphs: Sequence[Glyph]) -> tuple[Glyph, ...]:
    """The characters of the line's usual height that stand on one baseline; hyphens, dots and logos are left out.

    The largest set of like height wins, the taller one of two equal sets.
    """
    best: tuple[Glyph, ...] = ()
    for reference in sorted(glyphs, key=lambda g: -g.height):
        height = reference.height
        like = tuple(
            g for g in glyphs if TALL <= g.height / height <= 1 / TALL and abs(g.y1 - reference.y1) <= OFF_LINE * height
        )
        if len(like) > len(best):
            best = like
    return best


def median_of(values: Sequence[float], unit: str, single_u: float, factor: float = 1.0) -> Measure:
    """Median with the standard error of a median, never below what a single reading's uncertainty allows."""
    array = np.asarray(values, dtype=np.float64)
    n = array.size
    # One odd glyph must not make the median look unsure, so its spread is a robust one where there are enough.
    spread = scatter(values) if n > 4 else float(np.std(array, ddof=1)) if n > 1 else single_u
    return Measure(
        float(np.median(array)) * factor, unit, MEDIAN_U * max(spread, single_u) / float(np.sqrt(n)) * factor, n
    )


def baseline(tall: Sequence[Glyph], strip: Strip) -> tuple[float, Value]:
    """Baseline row at the strip's middle and its angle in the face, from feet and heads of the characters."""
    feet = np.array([g.y1 for g in tall], dtype=np.float64)
    if len(tall) < 3:
        return float(np.median(feet)) if len(tall) else 0.0, NotMeasured("fewer than three full-height characters")
    x = np.array([g.middle for g in tall])
    heads = np.array([g.y0 for g in tall], dtype=np.float64)
    slopes = np.concatenate([_slopes(x, feet), _slopes(x, heads)])
    slope = float(np.median(slopes))
    middle = (strip.relative.shape[1] - 1) / 2
    base = float(np.median(feet - slope * (x - middle)))
    left = feet - base - slope * (x - middle)
    scatter = max(EDGE_U, float(np.median(np.abs(left))) * 1.4826)
    u = np.degrees(scatter / (np.std(x) * np.sqrt(2 * len(tall))))
    return base, Measure(strip.angle + float(np.degrees(np.arctan(slope))), "deg", float(u), len(tall))


def _slopes(x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
    """Slopes of all pairs that are not neighbours in place (Theil 1950, Sen 1968)."""
    i, j = np.triu_indices(x.size, 1)
    run = x[j] - x[i]
    far = np.abs(run) >= 0.3 * np.ptp(x)
    slopes: NDArray[np.float64] = (y[j] - y[i])[far] / run[far]
    return slopes


def _height(tall: Sequence[Glyph], frame: Frame) -> Value:
    """Median height of the full-height characters."""
    if not tall:
        return NotMeasured("no full-height characters")
    return _extent([g.height for g in tall], frame)


def _extent(pixels: Sequence[float], frame: Frame, less: float = 0.0) -> Measure:
    """Median extent of characters, the blur's share taken out and half of it added to the uncertainty."""
    raw = median_of(pixels, "body", EDGE_U * 1.41, frame.unit)
    u = float(np.hypot(raw.u, frame.width_u * frame.unit))
    return Measure(raw.value - (frame.widened + less) * frame.unit, "body", u, raw.n)


def _known(frame: Frame) -> dict[Glyph, tuple[int, str]]:
    """Place in the text and character of each glyph, where the count of glyphs agrees with the text read."""
    text = [(place, char) for place, char in enumerate(frame.text) if not char.isspace()]
    glyphs = frame.strip.glyphs
    return dict(zip(glyphs, text, strict=True)) if len(text) == len(glyphs) else {}


def _width(tall: Sequence[Glyph], frame: Frame, slant: Value) -> Value:
    """Median width of single full-height characters, narrow glyphs left out and a clear lean taken off."""
    known = _known(frame)
    if known:
        chosen = [g.width for g in tall if known[g][1] not in NARROW]
    else:
        middle = float(np.median([g.width for g in tall])) if tall else 0.0
        chosen = [g.width for g in tall if 0.6 * middle < g.width < 1.5 * middle and g.width < 1.15 * g.height]
    if len(chosen) < 2:
        return NotMeasured("fewer than two characters stand apart")
    lean = abs(np.tan(np.radians(slant.value))) if isinstance(slant, Measure) and abs(slant.value) > 3.0 else 0.0
    return _extent(chosen, frame, float(lean * np.median([g.height for g in tall])))


def _spacing(tall: Sequence[Glyph], frame: Frame) -> Value:
    """Median distance from the middle of one character to the next; spaces and narrow glyphs left out where known."""
    known = _known(frame)
    pairs = [(a, b) for a, b in pairwise(frame.strip.glyphs) if a in tall and b in tall]
    if known:
        pairs = [
            (a, b)
            for a, b in pairs
            if known[b][0] - known[a][0] == 1 and known[a][1] not in NARROW and known[b][1] not in NARROW
        ]
    steps = [b.middle - a.middle for a, b in pairs]
    if not steps:
        return NotMeasured("fewer than two characters stand apart")
    middle = float(np.median(steps))
    steps = [s for s in steps if 0.6 * middle < s < 1.5 * middle]
    if len(steps) < 2:
        return NotMeasured("fewer than three characters stand apart")
    return median_of(steps, "body", EDGE_U, frame.unit)


def _stroke(frame: Frame) -> Value:
    """Stroke width, the blur taken out."""
    width = frame.half_width - frame.widened
    if frame.half_width <= 0:
        return NotMeasured("too little print for a stroke")
    u = float(np.hypot(EDGE_U, frame.width_u))
    return Measure(width * frame.unit, "body", u * frame.unit, len(frame.strip.glyphs))


def _blur(frame: Frame) -> Value:
    """Sigma of the blur of the edges: peak over rim slope over sqrt(2 pi), exact for strokes wider than it."""
    sigma = frame.strip.level / (max(frame.strip.rim_slope, 1e-6) * float(np.sqrt(2 * np.pi)))
    return Measure(sigma * frame.unit, "body", 0.2 * sigma * frame.unit, len(frame.strip.glyphs))


def _upright(tall: Sequence[Glyph], frame: Frame) -> Sequence[Glyph]:
    """The characters that have upright strokes, where they are known."""
    known = _known(frame)
    return [g for g in tall if known[g][1] not in DIAGONAL] if known else tall


def _slant(tall: Sequence[Glyph], strip: Strip, angle: Value) -> Value:
    """Shear at which the columns of ink are sharpest, character by character (projection profile)."""
    if len(tall) < 3:
        return NotMeasured("fewer than three full-height characters with upright strokes")
    slope = np.tan(np.radians(angle.value - strip.angle)) if isinstance(angle, Measure) else 0.0
    tangents = np.tan(np.radians(SLANTS))
    scores = np.zeros((len(tall), SLANTS.size))
    for k, glyph in enumerate(tall):
        rows, columns = np.nonzero(strip.ink[glyph.y0 : glyph.y1, glyph.x0 : glyph.x1])
        level = rows - slope * columns
        moved = columns[None, :] + tangents[:, None] * (level - level.mean())[None, :]
        bins = np.round(moved).astype(np.int64)
        bins -= bins.min()
        span = int(bins.max()) + 1
        flat = np.bincount((bins + span * np.arange(SLANTS.size)[:, None]).ravel(), minlength=span * SLANTS.size)
        profile = flat.reshape(SLANTS.size, span).astype(np.float64)
        scores[k] = (profile**2).sum(axis=1) / rows.size**1.5
    best = _peak(scores.sum(axis=0))
    if best is None:
        return NotMeasured("the characters lean beyond 24 degrees or have no upright strokes")
    without = [_peak(scores.sum(axis=0) - scores[k]) for k in range(len(tall))]
    kept = np.array([b for b in without if b is not None])
    # Jackknife standard error (Efron & Tibshirani 1993, eq. 11.5).
    u = float(np.sqrt((kept.size - 1) / kept.size * ((kept - kept.mean()) ** 2).sum())) if kept.size > 1 else 3.0
    if u > VAGUE:
        return NotMeasured("the characters have too few upright strokes to show a lean")
    return Measure(best, "deg", max(u, 0.5), len(tall))


def _peak(score: NDArray[np.float64]) -> float | None:
    """Place of the maximum by a parabola through its neighbours; None at the rim."""
    k = int(np.argmax(score))
    if k in (0, score.size - 1):
        return None
    a, b, c = score[k - 1 : k + 2]
    bend = a - 2 * b + c
    step = 0.0 if bend == 0 else 0.5 * (a - c) / bend
    return float(SLANTS[k] + step * (SLANTS[1] - SLANTS[0]))


def _contrast(strip: Strip) -> Value:
    """Michelson contrast of ink against its ground, in linear light."""
    inner = cv2.erode(strip.ink.astype(np.uint8), np.ones((3, 3), np.uint8)).astype(bool)
    chosen = inner if inner.sum() > 20 else strip.ink
    values = strip.relative[chosen]
    level = float(np.median(values)) * (1.0 if strip.bright else -1.0)
    u = float(np.std(values)) / np.sqrt(len(strip.glyphs))
    michelson = level / (2.0 + level)
    return Measure(michelson, "ratio", float(2.0 * u / (2.0 + level) ** 2), int(chosen.sum()))


def _left(tall: Sequence[Glyph], frame: Frame) -> Value:
    """Left edge of the first full-height character from the body's left edge."""
    if not tall:
        return NotMeasured("no full-height characters")
    first = tall[0]
    row = 0.5 * (first.y0 + first.y1)
    x = frame.strip.to_face[0] @ np.array([first.x0 - 0.5 + 0.5 * frame.widened, row, 1.0])
    return Measure(float(x + 0.5 - frame.body.x0) / frame.body.short, "body", EDGE_U * frame.unit, 1)


def foot(base: float, frame: Frame) -> NDArray[np.float64]:
    """Point of the baseline at the middle of the line, body units from the body's upper left."""
    middle = (frame.strip.relative.shape[1] - 1) / 2
    point = frame.strip.to_face @ np.array([middle, base - 0.5 - 0.5 * frame.widened, 1.0])
    place: NDArray[np.float64] = (point + 0.5 - np.array([frame.body.x0, frame.body.y0])) / frame.body.short
    return place
