"""Where the flat top of a chip on the card ends, sought from inside outwards: an outline may be cut short or too wide.

On the card a top stands alone before paper, so the way outwards from it is free. It ends where the luminance leaves the
top's own: at a wall, which catches less light, at leads or at paper, which send back more.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.body import AGREE, BRIGHTER, DARKER, SEGMENTS
from vision.faces import rectify
from vision.geometry import Corners, apply, clockwise, quad_sides
from vision.light import MAD_TO_SD, FloatImage, linear_luminance
from vision.observations import Rgb

REACH = 0.6
"""How far outside the outline an edge is looked for, as a share of the short side. This and the other bounds here:
common practice, no source."""
START, SAMPLE = 0.12, 0.2
"""How far inside the outline the way begins, and over what depth from there the top itself is sampled; same unit."""
STAYS_PIXELS = 3
"""An edge is where so many pixels running are no longer the top; print and scratches are left again."""
LEAST_PIXELS = 24
"""Short sides smaller than this show no edge to within a few percent."""


@dataclass(frozen=True, slots=True, eq=False)
class TopEdges:
    """The four edges of a top.

    Parameters
    ----------
    corners : ndarray of float64, shape (4, 2)
        Where they meet, photo pixels, clockwise; the first side is a long one.
    u_px : float
        Standard uncertainty of one edge's place, photo pixels.
    """

    corners: Corners
    u_px: float


def find_edges(image: Rgb, outline: Corners) -> TopEdges | None:
    """Return the edges of the flat top under an outline; None where one of the four does not show.

    Parameters
    ----------
    image : ndarray of uint8, shape (height, width, 3), RGB
    outline : ndarray of float64, shape (4, 2)
        Clockwise, photo pixels.
    """
    # The second look starts from straight, whole sides, even where the outline was turned or cut short.
    first = _look(image, outline)
    return None if first is None else _look(image, clockwise(first.corners))


def _look(image: Rgb, outline: Corners) -> TopEdges | None:
    face = rectify(image, outline, margin=REACH)
    light = linear_luminance(face.image)
    rows, columns = light.shape
    unit = rows / (1 + 2 * REACH)
    if unit < LEAST_PIXELS:
        return None
    air = REACH * unit
    found = [_edge(side, unit, air) for side in (light, light[::-1], light.T, light.T[::-1])]
    edges = [one for one in found if one is not None]
    if len(edges) < 4:
        return None
    top, bottom, left, right = edges
    # As lines a x + b y = c of the face: the others are read from the far side or with x and y changed over.
    lines = [
        (-top.slope, 1.0, top.start),
        (1.0, right.slope, columns - right.start),
        (bottom.slope, 1.0, rows - bottom.start),
        (1.0, -left.slope, left.start),
    ]
    corners = np.array([np.linalg.solve(*_crossing(lines[k - 1], lines[k])) for k in range(4)])
    if min(quad_sides(corners)) < unit / 2:
        return None
    return TopEdges(apply(face.to_photo, corners - 0.5), max(edge.u for edge in edges))


@dataclass(frozen=True, slots=True)
class _Line:
    """An edge: its distance from the first row of its side is start + slope * place along it; `u` at its middle."""

    start: float
    slope: float
    u: float


def _crossing(one: tuple[float, float, float], other: tuple[float, float, float]) -> tuple[Corners, Corners]:
    return np.array([one[:2], other[:2]]), np.array([one[2], other[2]])


def _edge(side: FloatImage, unit: float, air: float) -> _Line | None:
    """Line of the top's edge in pixel edges of `side`; None where it does not show."""
    inner, deep = round(air + START * unit), round(air + (START + SAMPLE) * unit)
    first, last = air + 0.06 * side.shape[1], side.shape[1] - air - 0.06 * side.shape[1]
    columns = np.linspace(first, last, SEGMENTS * 16).astype(np.int64).reshape(SEGMENTS, 16)
    profiles = np.median(side[:deep, columns], axis=2)
    exits = [_exit(profiles[:, k], inner) for k in range(SEGMENTS)]
    seen = np.array([k for k, place in enumerate(exits) if place is not None])
    if seen.size < AGREE * SEGMENTS:
        return None
    places, along = np.array([exits[k] for k in seen], float), columns[seen].mean(axis=1) + 0.5
    # Medians: a notch, dirt or a lead that shines takes some segments along.
    slope, start = _median_line(along, places)
    scatter = MAD_TO_SD * float(np.median(np.abs(places - start - slope * along)))
    # Half a pixel of rounding; a median's standard error is 1.25 times a mean's (normal errors).
    return _Line(float(start), float(slope), float(np.hypot(0.5, 1.25 * scatter / np.sqrt(seen.size))))


def _median_line(x: NDArray[np.float64], y: NDArray[np.float64]) -> tuple[float, float]:
    """Slope by the median of all slopes between two points (Theil 1950, Sen 1968), intercept by that of the rest."""
    first, second = np.triu_indices(len(x), 1)
    run = x[second] - x[first]
    slope = float(np.median((y[second] - y[first])[run != 0] / run[run != 0]))
    return slope, float(np.median(y - slope * x))


def _exit(profile: NDArray[np.float32], inner: int) -> float | None:
    """Row at which one segment's profile leaves the top on its way outwards, from row `inner` to row 0."""
    top = float(np.median(profile[inner:]))
    outside = (profile < DARKER * top) | (profile > BRIGHTER * top)
    for row in range(inner, STAYS_PIXELS - 1, -1):
        if outside[row - STAYS_PIXELS : row].all():
            return float(row)
    return None
