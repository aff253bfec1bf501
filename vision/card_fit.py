"""The card's plane in a photo: a homography through all markers' corners, and how high the camera was above it."""

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.card_layout import Layout
from vision.card_markers import Marker
from vision.geometry import Corners, apply
from vision.observations import Homography, Measure

LEAST_MARKERS = 3
"""Two give no check on each other. This and the other bounds here are common practice, no source."""
STRAY_MM = 0.8
"""A corner farther than this from where the others put it belongs to something else, or the sheet is bent there."""
MOST_STRAYS = 1
LEAST_SPREAD_MM = 8.0
"""Root mean square distance of the markers' middles from the straight line through them."""
_USUAL_LENS, _LENS_SPREAD = 0.9, 0.4
"""Focal length over the photo's long side, and the standard deviation of its logarithm: phones' main cameras have 0.65
to 0.8, their second lenses, webcams and close-up lenses 1 to 2.5 (from memory)."""
_STATED_SPREAD = 0.08
"""The same where the photo states its focal length: rounding to whole millimetres, stabilising crops (from memory)."""
LEAST_SCATTER = 0.1
"""Pixels: four markers may agree by chance; corners are never surer than this."""
_LEAST_ERROR = 0.5
"""Corners are not trusted better than this many pixels when the lens is told from them: lenses bend straight lines."""
_LEAST_DOUBT = 0.02
"""The height is never surer than this share: the lens's middle is seldom quite the photo's (from memory)."""


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """Where the card lies.

    Parameters
    ----------
    to_photo : ndarray of float64, shape (3, 3)
        From card mm (x, y, 1) to photo pixels; whole numbers are pixel centres.
    residuals : dict of int to float
        By place: root mean square distance in mm of a marker's corners from where they should be; also of strays.
    strays : frozenset of int
        Places of markers that were left out.
    corners : ndarray of float64, shape (n, 2)
        Card mm of the corners that count, place by place.
    """

    to_photo: Homography
    residuals: dict[int, float]
    strays: frozenset[int]
    corners: Corners

    @property
    def residual_mm(self) -> float:
        """Root mean square over the corners of all markers that count."""
        kept = [r for place, r in self.residuals.items() if place not in self.strays]
        return float(np.sqrt(np.mean(np.square(kept))))


def fit(markers: dict[int, Marker], layout: Layout) -> Fit | str:
    """Fit the card's plane to its markers.

    Parameters
    ----------
    markers : dict of int to Marker
        By place.
    layout : Layout

    Returns
    -------
    Fit or str
        A sentence where the markers are too few or contradict each other.

    Notes
    -----
    RANSAC (Fischler & Bolles 1981) over all corners, then the least squares of the kept ones' distances in the photo by
    Levenberg and Marquardt, both as OpenCV's findHomography has them.
    """
    places = sorted(markers)
    if len(places) < LEAST_MARKERS:
        return f"Only {len(places)} of the card's 9 black squares can be seen."
    flat = _corners(layout, places, 0.0)
    seen = np.concatenate([markers[p].corners for p in places])
    start = _homography(flat, seen, max(2.0, STRAY_MM / _mm_per_px(flat, seen)))
    for _ in range(3):
        fits = [p for p, r in zip(places, _worst(start, flat, seen), strict=True) if r <= STRAY_MM]
        if len(places) - len(fits) > MOST_STRAYS or len(fits) < LEAST_MARKERS:
            return "The card's black squares contradict each other: the sheet is bent, or two cards are in view."
        if not _spread_out(fits, layout):
            return "The black squares that can be seen stand in one line."
        keep = np.repeat([p in fits for p in places], 4)
        flat = _corners(layout, places, _shrunk(start, layout, places, seen, keep))
        start = _homography(flat[keep], seen[keep])
    rms = np.sqrt((_distances(start, flat, seen) ** 2).reshape(-1, 4).mean(axis=1))
    residuals = dict(zip(places, map(float, rms), strict=True))
    return Fit(start, residuals, frozenset(places) - frozenset(fits), flat[keep])


def _corners(layout: Layout, places: Sequence[int], shrunk: float) -> Corners:
    return np.concatenate([np.array(layout.markers[p].shrunk(shrunk).corners, float) for p in places])


def _shrunk(
    to_photo: Homography, layout: Layout, places: Sequence[int], seen: Corners, keep: NDArray[np.bool_]
) -> float:
    """By how many mm the black squares' edges lie inside the printed ones, all alike.

    White spreads over black in a bright or soft photo, ink over white on paper: every edge moves by the same.
    """
    back, true = apply(_inverse(to_photo), seen), _corners(layout, places, 0.0)
    inwards = np.sign(np.repeat([layout.markers[p].centre for p in places], 4, axis=0) - true)
    return float(((back - true) * inwards)[keep].mean())


def _homography(flat: Corners, seen: Corners, stray_px: float | None = None) -> Homography:
    """From card mm to photo pixels; with `stray_px`, corners that far off do not count."""
    how = (0, 3.0) if stray_px is None else (cv2.RANSAC, stray_px)
    found, _ = cv2.findHomography(flat, seen, *how, maxIters=4000)
    # Points in one line and the like: a plane that no marker agrees with.
    return np.eye(3) if np.shape(found) != (3, 3) else np.asarray(found, float)


def place_u(to_photo: Homography, flat: Corners, places: Corners, residual_px: float) -> Corners:
    """Return the standard uncertainty in mm of each coordinate of places on the card, shape (n,).

    Parameters
    ----------
    to_photo : ndarray of float64, shape (3, 3)
    flat : ndarray of float64, shape (m, 2)
        The corners it was fitted to, card mm.
    places : ndarray of float64, shape (n, 2)
        Card mm.
    residual_px : float
        How far the corners are off in the photo, both coordinates together.

    Notes
    -----
    First order: the corners' scatter through the least squares to the homography's eight numbers, and from these to the
    place. Far from the markers seen it grows.
    """
    # Numbers near 1 keep the normal equations in good condition.
    centre, size = flat.mean(axis=0), max(float(flat.std()), 1.0)
    back = np.array([[size, 0, centre[0]], [0, size, centre[1]], [0, 0, 1]])
    matrix = to_photo @ back
    matrix = matrix / matrix[2, 2]
    slopes = _slopes(matrix, (flat - centre) / size).reshape(-1, 8)
    scatter = np.linalg.pinv(slopes.T @ slopes) * max(residual_px, LEAST_SCATTER) ** 2 / 2
    at = (places - centre) / size
    found = []
    for one, slope in zip(at, _slopes(matrix, at), strict=True):
        lifted = matrix @ [*one, 1.0]
        local = (matrix[:2, :2] - np.outer(lifted[:2] / lifted[2], matrix[2, :2])) / lifted[2]
        back_slope = np.linalg.solve(local, slope)
        found.append(size * np.sqrt(np.trace(back_slope @ scatter @ back_slope.T) / 2))
    return np.array(found)


def _slopes(matrix: Homography, points: Corners) -> Corners:
    """How a point's place in the photo, shape (n, 2, 8), follows the homography's numbers, the last being 1."""
    lifted = np.hstack([points, np.ones((len(points), 1))])
    put = lifted @ matrix.T
    x, y, w = (put[:, 0] / put[:, 2], put[:, 1] / put[:, 2], put[:, 2])
    slopes = np.zeros((len(points), 2, 8))
    slopes[:, 0, 0:3] = slopes[:, 1, 3:6] = lifted / w[:, None]
    slopes[:, 0, 6:8] = -points * (x / w)[:, None]
    slopes[:, 1, 6:8] = -points * (y / w)[:, None]
    return slopes


def _distances(to_photo: Homography, flat: Corners, seen: Corners) -> Corners:
    return np.asarray(np.linalg.norm(apply(_inverse(to_photo), seen) - flat, axis=1))


def _inverse(to_photo: Homography) -> Homography:
    return np.asarray(np.linalg.inv(to_photo), float)


def _worst(to_photo: Homography, flat: Corners, seen: Corners) -> Corners:
    """Each marker's worst corner, mm."""
    return np.asarray(_distances(to_photo, flat, seen).reshape(-1, 4).max(axis=1))


def _mm_per_px(flat: Corners, seen: Corners) -> float:
    """Millimetres a pixel, roughly: the markers' sides."""
    sides = [np.linalg.norm(np.diff(c.reshape(-1, 4, 2), axis=1), axis=2) for c in (flat, seen)]
    return float(np.median(sides[0] / sides[1]))


def _spread_out(places: Sequence[int], layout: Layout) -> bool:
    middles = np.array([layout.markers[p].centre for p in places])
    spread = np.linalg.svd(middles - middles.mean(axis=0), compute_uv=False) / np.sqrt(len(places))
    return bool(spread[-1] >= LEAST_SPREAD_MM)


def camera_height(
    flat: Corners, seen: Corners, size: tuple[int, int], *, residual_px: float, focal_35mm: float | None = None
) -> Measure:
    """Return how high the camera was above the card's plane, in mm.

    Parameters
    ----------
    flat, seen : ndarray of float64, shape (n, 2)
        Points in card mm and in photo pixels, at least four.
    size : tuple of int
        Width and height of the photo in pixels.
    residual_px : float
        How far the points are off in the photo.
    focal_35mm : float, optional
        The focal length the photo states, as on 35 mm film (Exif tag FocalLengthIn35mmFilm).

    Notes
    -----
    A plane seen at a tilt tells the focal length, seen straight it tells nothing. So every focal length of a grid is
    weighed by what lenses are usual and by how well the pose that goes with it (OpenCV's solvePnP) puts the points;
    the height is the weighted mean. The principal point is taken to be the photo's middle, the pixels to be square.
    """
    width, height = size
    long, half = max(size), np.array([width, height], float) / 2 - 0.5
    usual, spread = np.log(_USUAL_LENS), _LENS_SPREAD
    if focal_35mm:
        # The equivalent length is that of the same angle over the frame's diagonal, 43.27 mm on film of 36 by 24 mm.
        usual, spread = np.log(focal_35mm / np.hypot(36.0, 24.0) * np.hypot(width, height) / long), _STATED_SPREAD
    solid = np.hstack([flat - flat.mean(axis=0), np.zeros((len(flat), 1))])
    error = max(residual_px, _LEAST_ERROR)
    middle, wide = usual, spread
    for _ in range(3):  # each grid looks closer at where the one before it found the likely lenses
        lenses = middle + wide * np.linspace(-2.5, 2.5, 15)
        posed = [_pose(solid, seen, float(np.exp(lens)) * long, half) for lens in lenses]
        heights = np.array([height for height, _ in posed])
        logs = -0.5 * np.array([off for _, off in posed]) / error**2 - 0.5 * ((lenses - usual) / spread) ** 2
        weights = np.exp(logs - logs.max())
        weights /= weights.sum()
        middle = float(weights @ lenses)
        wide = max(float(np.sqrt(weights @ (lenses - middle) ** 2)), 0.3 * wide)
    mean = float(weights @ heights)
    u = float(np.hypot(np.sqrt(weights @ (heights - mean) ** 2), _LEAST_DOUBT * mean))
    return Measure(mean, "mm", u, len(flat))


def _pose(solid: Corners, seen: Corners, focal: float, middle: Corners) -> tuple[float, float]:
    """Height of the camera with this focal length over the plane, and the sum of squared errors in the photo."""
    camera = np.array([[focal, 0, middle[0]], [0, focal, middle[1]], [0, 0, 1]])
    _, turn, shift = cv2.solvePnP(solid, seen, camera, None, flags=cv2.SOLVEPNP_IPPE)
    turn, shift = cv2.solvePnPRefineLM(solid, seen, camera, None, turn, shift)
    put, _ = cv2.projectPoints(solid, turn, shift, camera, None)
    return abs(float((cv2.Rodrigues(turn)[0].T @ shift)[2, 0])), float(((put.reshape(-1, 2) - seen) ** 2).sum())
