"""Where the flat top really ends inside its rectified picture: an outline found in a photo may hold a side wall.

Margins and the unit 'body' hang on the top's own edges. A detector's outline is off by a few percent; the step from the
top to a wall, the leads or the table shows in the picture, and the edge is taken from it where it does.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.light import FloatImage

DEEPEST = 0.14
"""How far inside the outline an edge is looked for, body units (common practice, no source)."""
REFERENCE = 0.26
"""Down to here the top itself is sampled, body units from the outline."""
DARKER, BRIGHTER = 0.62, 1.7
"""A strip is no longer the top where its luminance leaves this range of the top's beside it: walls at a slope of 80
degrees and more catch little light (common practice, no source)."""
STAYS = 0.75
"""Part of what lies further out that must be outside that range too: a notch or a scratch ends, a wall does not."""
STEP, ONE_SENSE = 0.1, 0.8
"""A step of a tenth of the light, in one sense along four fifths of a side, is the rim (common practice, no source)."""
SHALLOW = 0.1
"""How far inside the outline such a small step is looked for, body units: print and dimples lie further in."""
AGREE = 0.5
"""Part of the side's segments that must show an edge."""
SEGMENTS = 24
LEAST_PIXELS = 24
"""Faces smaller than this show no edge to within a few percent."""


@dataclass(frozen=True, slots=True)
class Body:
    """The flat top inside the face picture.

    Parameters
    ----------
    x0, y0, x1, y1 : float
        Its edges in face pixels, at the middle of each side (pixel edges: 0 to width).
    seen : int
        How many of the four sides showed a step; the others are the outline as given.
    u : float
        Standard uncertainty of the short side, relative.
    """

    x0: float
    y0: float
    x1: float
    y1: float
    seen: int
    u: float

    @property
    def short(self) -> float:
        """Short side in face pixels."""
        return min(self.x1 - self.x0, self.y1 - self.y0)

    @property
    def aspect(self) -> float:
        """Long over short side."""
        return max(self.x1 - self.x0, self.y1 - self.y0) / self.short


def find_body(luminance: FloatImage, *, small_steps: bool = False) -> Body:
    """Return the flat top's edges inside a face.

    Parameters
    ----------
    luminance : ndarray of float32, shape (height, width)
        Linear luminance of the upright face.
    small_steps : bool
        Take a small step for the rim, too: it shows where a wall is lit almost like the top, and siblings show it in
        the same place; but a frame printed near the rim is one as well.
    """
    rows, columns = luminance.shape
    unit = float(min(rows, columns))
    sides = (luminance, luminance[::-1], luminance.T, luminance.T[::-1])
    top, bottom, left, right = (_edge(side, unit, small_steps) for side in sides)
    seen = sum(edge > 0 for edge in (top, bottom, left, right))
    # Two edges, each known to about a pixel where it shows and to 1 % of the body where the outline stands in.
    u = float(np.hypot(1.0 if top > 0 else 0.01 * unit, 1.0 if bottom > 0 else 0.01 * unit)) / unit
    return Body(left, top, columns - right, rows - bottom, seen, u)


def _edge(side: FloatImage, unit: float, small_steps: bool) -> float:
    """Depth in pixels at which the top begins behind the first row of `side`; 0 where no step shows."""
    deep, reach = round(REFERENCE * unit), max(3, round(DEEPEST * unit))
    if unit < LEAST_PIXELS or side.shape[0] < 2 * deep or side.shape[1] < 2 * SEGMENTS:
        return 0.0
    rim = round(0.06 * side.shape[1])
    strip = cv2.blur(np.ascontiguousarray(side[:deep, rim : side.shape[1] - rim]), (5, 1))
    # Medians over at most 16 columns a segment: leads shine here and there, walls and tables all along.
    columns = np.linspace(0, strip.shape[1] - 1, SEGMENTS * 16).astype(np.int64).reshape(SEGMENTS, 16)
    profiles = np.median(strip[:, columns], axis=2)
    depths = _depths(profiles, reach)
    found = depths[depths > 0]
    outer = float(np.median(found)) if found.size >= AGREE * SEGMENTS else 0.0
    if not small_steps:
        return outer
    return max(outer, _fine_step(profiles, round(SHALLOW * unit), max(2, round(0.025 * unit))))


def _fine_step(profiles: NDArray[np.float32], reach: int, run: int) -> float:
    """Depth of the innermost small step that most of the side shows in one sense; 0 for none.

    A wall lit almost like the top, or the rounded rim between them, ends there.
    """
    levels = np.log(np.maximum(profiles, np.float32(1e-5))).astype(np.float64)
    sums = np.vstack([np.zeros((1, levels.shape[1])), np.cumsum(levels, axis=0)])
    depth = np.arange(1, reach + 1)
    before, after = np.maximum(0, depth - run), np.minimum(levels.shape[0], depth + run)
    outer = (sums[depth] - sums[before]) / (depth - before)[:, None]
    inner = (sums[after] - sums[depth]) / (after - depth)[:, None]
    steps = inner - outer
    usual = np.median(steps, axis=1)
    agreed = (np.sign(steps) == np.sign(usual)[:, None]).mean(axis=1) >= ONE_SENSE
    sizes = np.where(agreed, np.abs(usual), 0.0)
    for k in range(reach - 1, -1, -1):
        if sizes[k] >= STEP and sizes[k] >= sizes[max(0, k - run) : k + run + 1].max():
            return float(depth[k])
    return 0.0


def _depths(profiles: NDArray[np.float32], reach: int) -> NDArray[np.int64]:
    """Depth of the step in each segment's profile (column), counted from the outer end; 0 for none."""
    top = np.median(profiles[reach:], axis=0)
    outside = ((profiles < DARKER * top) | (profiles > BRIGHTER * top))[:reach]
    share = np.cumsum(outside, axis=0) / np.arange(1, reach + 1)[:, None]
    ends = outside & (share >= STAYS)
    # The innermost one, from the back.
    deepest = reach - np.argmax(ends[::-1], axis=0)
    return np.where(ends.any(axis=0), deepest, 0)
