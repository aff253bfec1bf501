"""Propose outlines of flat tops: level sets of a photo, and colour regions grown from lines of print.

Two kinds of evidence propose. Level sets of brightness and greyness over the whole photo: a top is one connected
region at many thresholds, as in maximally stable extremal regions (Matas et al. 2002, 'Robust wide baseline stereo
from maximally stable extremal regions', BMVC). And level sets of colour distance from the ground under a line of print,
which still work on a black board or black foam. Bounds are common practice, no source, unless they name one: they were
set by hand while looking at photographs of boards.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.geometry import (
    Corners,
    axis_box,
    clockwise,
    nearly_parallelogram,
    quad_area,
    quad_overlap,
    quad_sides,
    squarish,
)
from vision.observations import Rgb

# Length over width of a flat top: 64-pin DIP bodies are about 5.9, see knowledge of packages; some air for leads.
_MOST_ELONGATED = 6.5
_LEAST_FILL = 0.84
_LEAST_SIDE = 16.0
_SMALLEST, _LARGEST = 0.0006, 0.96
_SAME = 0.8
Contour = NDArray[np.integer[Any] | np.floating[Any]]
# Equal ratios rather than equal steps: a shaded corner needs finer steps than a lit one.
_LEVELS = tuple(int(v) for v in np.geomspace(18, 185, 24))
# Steps of colour distance (CIELAB, lightness weighted 0.7) at which a region is grown from print.
_COLOUR_DISTANCES = (7, 11, 17, 26)


@dataclass(slots=True)
class Proposal:
    """A proposed outline: corners (4, 2), the share of them that the region fills, its contour (n, 2), and votes.

    `rows` names the rows of leads that it was proposed from, if any.
    """

    corners: Corners
    fill: float
    contour: Corners
    votes: float = 1.0
    rows: tuple[int, ...] = ()

    def moved(self, offset: Corners) -> "Proposal":
        """Return the proposal shifted by (x, y)."""
        return Proposal(self.corners + offset, self.fill, self.contour + offset, self.votes)


def _rectangles(mask: NDArray[np.uint8], openings: Sequence[int]) -> list[Proposal]:
    """Outlines of the nearly rectangular connected parts of a mask, after removing whiskers of several widths."""
    found: list[Proposal] = []
    area = mask.shape[0] * mask.shape[1]
    for size in openings:
        opened = cv2.morphologyEx(mask, cv2.MORPH_OPEN, np.ones((size, size), np.uint8))
        contours, _ = cv2.findContours(opened, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
        for contour in contours:
            inside = cv2.contourArea(contour)
            if not _SMALLEST * area < inside < _LARGEST * area:
                continue
            rectangle = cv2.minAreaRect(contour)
            short, long = sorted(rectangle[1])
            if short < _LEAST_SIDE or long > _MOST_ELONGATED * short or inside < 0.6 * short * long:
                continue
            corners, fill = _tightest(contour, cv2.boxPoints(rectangle).astype(float), inside / (short * long))
            if fill >= _LEAST_FILL:
                found.append(Proposal(corners, fill, contour[:, 0, :].astype(float)))
    return found


def _tightest(contour: Contour, rectangle: Corners, fill: float) -> tuple[Corners, float]:
    """Return the rectangle, or the quadrilateral of a top seen at a slant, whichever the region fills better."""
    if fill > 0.92:
        return clockwise(rectangle), min(fill, 1.0)
    hull = cv2.convexHull(contour)
    slanted = cv2.approxPolyDP(hull, 0.04 * cv2.arcLength(hull, True), True)[:, 0, :].astype(float)
    if len(slanted) != 4 or not squarish(slanted, 0.64) or not nearly_parallelogram(slanted, 7.0):
        return clockwise(rectangle), fill
    # A slanted shape fits more easily than a rectangle; it has to fit clearly better.
    slanted_fill = min(1.0, fill * quad_area(rectangle) / max(quad_area(slanted), 1.0)) - 0.03
    return (clockwise(slanted), slanted_fill) if slanted_fill > fill else (clockwise(rectangle), fill)


def _openings(shape: tuple[int, ...]) -> list[int]:
    unit = max(shape[:2]) / 1000
    return sorted({max(3, int(k * unit) | 1) for k in (3, 8, 18)})


def print_removed(small: Rgb, texts: Sequence[Corners]) -> Rgb:
    """Paint each line of print with the ground it stands on, so that print which fills a top does not cut it apart."""
    painted = small.copy()
    for text in texts:
        x0, y0, x1, y1 = (max(0, int(v)) for v in axis_box(text))
        margin = max(2, int(0.25 * min(quad_sides(text))))
        ground = small[max(0, y0 - margin) : y1 + margin, max(0, x0 - margin) : x1 + margin].reshape(-1, 3)
        if len(ground) == 0:
            continue
        light = ground.max(axis=1)
        colour = np.median(ground[light <= np.median(light)], axis=0)
        cv2.fillConvexPoly(painted, np.round(text).astype(np.int32), [int(c) for c in colour])
    return painted


def from_levels(small: Rgb, *, every: int = 1) -> list[Proposal]:
    """Propose the connected parts of the photo that are darker, or darker and greyer, than each of several levels.

    Parameters
    ----------
    small : ndarray of uint8, shape (height, width, 3), RGB
    every : int
        Take every second level, or third; each proposal then counts as often as with all.
    """
    value = small.max(axis=2)
    chroma = value.astype(int) - small.min(axis=2)
    channels = (value, np.clip(value + 1.5 * chroma, 0, 255).astype(np.uint8))
    found: list[Proposal] = []
    for channel in channels:
        for level in _LEVELS[::every]:
            mask = (channel < level).astype(np.uint8)
            found += _rectangles(mask, _openings(small.shape))
    for proposal in found:
        proposal.votes *= every
    return found


def from_texts(small: Rgb, texts: Sequence[Corners]) -> list[Proposal]:
    """Propose what grows from each line of print: the parts that have the colour of the ground under it."""
    lab = cv2.cvtColor(small, cv2.COLOR_RGB2LAB).astype(np.float32)
    edges = cv2.Canny(cv2.cvtColor(small, cv2.COLOR_RGB2GRAY), 25, 60)
    found: list[Proposal] = []
    for text in sorted(texts, key=lambda t: -quad_area(t)):
        middle = text.mean(axis=0)
        if sum(p.fill > 0.95 and inside(p.corners, middle) for p in found) >= 4:
            continue  # a neighbouring line already grew this top
        found += _grown(lab, edges, text, _openings(small.shape))
    return found


def _grown(lab: NDArray[np.float32], edges: NDArray[Any], text: Corners, openings: Sequence[int]) -> list[Proposal]:
    x0, y0, x1, y1 = axis_box(text)
    height = min(quad_sides(text))
    reach = int(max(9 * height, 1.6 * max(x1 - x0, y1 - y0)))
    left, top = max(0, int(x0) - reach), max(0, int(y0) - reach)
    part = slice(top, int(y1) + reach), slice(left, int(x1) + reach)
    margin = int(max(2, 0.4 * height))
    ground = lab[max(0, int(y0) - margin) : int(y1) + margin, max(0, int(x0) - margin) : int(x1) + margin]
    window = lab[part]
    if window.size == 0 or ground.size == 0:
        return []
    # Print is brighter than the top; the darker half of the pixels around it are ground.
    flat = ground.reshape(-1, 3)
    colour = np.median(flat[flat[:, 0] <= np.median(flat[:, 0])], axis=0)
    distance = np.sqrt((0.7 * (window[..., 0] - colour[0])) ** 2 + ((window[..., 1:] - colour[1:]) ** 2).sum(-1))
    offset = np.array([left, top], float)
    middle = text.mean(axis=0) - offset
    found: list[Proposal] = []
    for bound in _COLOUR_DISTANCES:
        near = (distance < bound).astype(np.uint8)
        for region in (near, near & (edges[part] == 0)):
            found += [p.moved(offset) for p in _rectangles(region, openings) if inside(p.corners, middle)]
    return found


def inside(corners: Corners, point: Corners) -> bool:
    """Return whether a point, shape (2,), lies in a quadrilateral, shape (4, 2)."""
    return cv2.pointPolygonTest(corners.astype(np.float32), (float(point[0]), float(point[1])), False) >= 0


def gathered(proposals: Sequence[Proposal]) -> list[Proposal]:
    """Merge proposals of the same outline; the fullest one stays and takes the others' votes."""
    kept: list[Proposal] = []
    boxes = np.empty((len(proposals), 4))
    for proposal in sorted(proposals, key=lambda p: -p.fill):
        box = np.array(axis_box(proposal.corners))
        alike = np.flatnonzero(_overlaps(box, boxes[: len(kept)]) > _SAME - 0.1)
        same = (kept[i] for i in alike if quad_overlap(proposal.corners, kept[i].corners) > _SAME)
        other = next(same, None)
        if other is not None:
            other.votes += proposal.votes
        else:
            boxes[len(kept)] = box
            kept.append(proposal)
    return kept


def _overlaps(box: Corners, boxes: Corners) -> Corners:
    """Intersection over union of one axis-parallel box with many, shape (n,)."""
    low, high = np.maximum(box[:2], boxes[:, :2]), np.minimum(box[2:], boxes[:, 2:])
    both = np.clip(high - low, 0, None).prod(axis=1)
    areas = (boxes[:, 2:] - boxes[:, :2]).prod(axis=1) + (box[2:] - box[:2]).prod()
    return np.asarray(both / np.maximum(areas - both, 1e-9))
