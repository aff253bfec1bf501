"""Geometry of what is printed on the top: baselines, heights, widths, strokes, spacing, slant, place.

Unit of every length is 'body', the fraction of the flat top's short side (`vision.body`), with or without a scale in
view: siblings then compare across photos. Millimetres are `value * find_body(...).short * Face.mm_per_px`.
Uncertainties leave out that side's own (`Body.u`), which all lengths of a face share and which cancels in their ratios.

Two results may be compared where the same characters were measured: glyphs differ in width, and a line's own typeface
in height. `Lettering.lines` keeps the lines apart for that; the face's values are medians over its lines.
"""

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from vision.blur import half_width, unblur
from vision.body import find_body
from vision.light import linear_luminance
from vision.line_geometry import MEDIAN_U, Frame, Value, baseline, foot, line_geometry, median_of, tall
from vision.observations import Face, Lettering, Line, LineLettering, Measure, NotMeasured
from vision.strip import cut

STANDING = 0.5
"""Part of a line's characters that must stand apart at full height for it to be measured (common practice)."""


def measure(face: Face, lines: Sequence[Line]) -> Lettering | NotMeasured:
    """Measure the lettering of one upright top.

    Parameters
    ----------
    face : Face
        The rectified, upright top.
    lines : sequence of Line
        What was read on it; `face_outline` may be a few pixels generous or clipped. Sideways lines are left out.

    Returns
    -------
    Lettering or NotMeasured
        Lengths in 'body' (fraction of the short side), angles in 'deg': `baseline_angle` positive where the line falls
        to the right, `slant` positive where characters lean to the right; `contrast` is Michelson's
        (ink - ground) / (ink + ground) in linear light, -1 to 1, negative for print darker than its ground.
    """
    upright = [i for i, line in enumerate(lines) if not line.sideways]
    if not upright:
        return NotMeasured("no line of print was read")
    luminance = linear_luminance(face.image)
    body = find_body(luminance)
    measured: list[tuple[LineLettering, Frame]] = []
    reason = ""
    for i in upright:
        others = [lines[j].face_outline for j in range(len(lines)) if j != i]
        strip = cut(luminance, lines[i].face_outline, others)
        if isinstance(strip, NotMeasured):
            reason = strip.reason
            continue
        if len(tall(strip.glyphs)) < STANDING * _expected(lines[i].text):
            reason = "most characters of the line do not stand out singly"
            continue
        seen = half_width(strip.ink)
        widened = unblur(seen, strip.rim_slope / strip.level)[1] if seen > 0 else 0.0
        frame = Frame(strip, body, lines[i].text, seen, widened)
        measured.append((line_geometry(i, frame), frame))
    if not measured:
        return NotMeasured(reason)
    return _summary(tuple(entry for entry, _ in measured), measured)


def _expected(text: str) -> int:
    """How many full-height characters the text has."""
    return sum(char.isalnum() and not char.islower() for char in text)


def _summary(entries: tuple[LineLettering, ...], measured: Sequence[tuple[LineLettering, Frame]]) -> Lettering:
    """Medians over the lines of the face."""
    first = min(entries, key=lambda e: e.baseline.value if isinstance(e.baseline, Measure) else 1e9)
    return Lettering(
        baseline_angle=_over([e.baseline_angle for e in entries]),
        line_pitch=_pitch(measured),
        character_height=_over([e.character_height for e in entries]),
        character_width=_over([e.character_width for e in entries]),
        character_spacing=_over([e.character_spacing for e in entries]),
        stroke_width=_over([e.stroke_width for e in entries]),
        slant=_over([e.slant for e in entries]),
        contrast=_over([e.contrast for e in entries]),
        left_margin=_over([e.left for e in entries]),
        top_margin=_top(first),
        lines=entries,
    )


def _over(values: Sequence[Value]) -> Value:
    """Median of the lines' values, weighted by nothing; the first reason where no line has one."""
    known = [v for v in values if isinstance(v, Measure)]
    if not known:
        return next(v for v in values if isinstance(v, NotMeasured))
    u = float(np.sqrt(np.mean([v.u**2 for v in known])) / np.sqrt(len(known)))
    if len(known) > 1:
        u = max(u, u * MEDIAN_U)
    return Measure(float(np.median([v.value for v in known])), known[0].unit, u, sum(v.n for v in known))


def _top(first: LineLettering) -> Value:
    """Upper edge of the first line's characters below the body's upper edge."""
    if isinstance(first.baseline, Measure) and isinstance(first.character_height, Measure):
        u = float(np.hypot(first.baseline.u, first.character_height.u))
        return Measure(first.baseline.value - first.character_height.value, "body", u, 1)
    return NotMeasured("the first line has no full-height characters")


def _pitch(measured: Sequence[tuple[LineLettering, Frame]]) -> Value:
    """Median distance, square to the lines, between the baselines of lines that follow each other."""
    angles = [e.baseline_angle.value for e, _ in measured if isinstance(e.baseline_angle, Measure)]
    radians = np.radians(float(np.median(angles))) if angles else 0.0
    across = np.array([-np.sin(radians), np.cos(radians)])
    places: list[tuple[float, float, float]] = []
    for entry, frame in measured:
        if isinstance(entry.character_height, Measure) and isinstance(entry.baseline, Measure):
            base = baseline(tall(frame.strip.glyphs), frame.strip)[0]
            places.append((float(foot(base, frame) @ across), entry.character_height.value, entry.baseline.u))
    rows: list[tuple[float, float, float]] = []
    for place in sorted(places):
        # Two boxes of one row (a word and its neighbour) are one line.
        if not rows or place[0] - rows[-1][0] > 0.6 * place[1]:
            rows.append(place)
    if len(rows) < 2:
        return NotMeasured("fewer than two lines")
    steps = [b[0] - a[0] for a, b in pairwise(rows)]
    return median_of(steps, "body", 1.41 * float(np.mean([r[2] for r in rows])))
