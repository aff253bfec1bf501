"""Find every package in a photo: the outline of its flat top, with a score.

A package's top is a dark-grey, even, rectangular patch with print on it. Two kinds of evidence propose outlines: level
sets of brightness and greyness over the whole photo (a top is one connected region at many thresholds), and level sets
of colour distance grown from each line of print (which still works on a black board or black foam). Proposals vote for
each other; those that stay the same over many thresholds win, as in maximally stable extremal regions (Matas et al.
2002, 'Robust wide baseline stereo from maximally stable extremal regions', BMVC). Bounds below are own measurement on
photographs of invented and real boards unless they name a source.
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
    box_overlap,
    clockwise,
    nearly_parallelogram,
    quad_area,
    quad_overlap,
    quad_sides,
    side_fit,
    squarish,
    worst_corner,
)
from vision.observations import Rgb

# Long side of the picture in which outlines are sought; corners come out with about half a working pixel.
WORKING_SIDE = 1500
# Length over width of a flat top: 64-pin DIP bodies are about 5.9, see knowledge of packages; some air for leads.
_MOST_ELONGATED = 6.5
_LEAST_FILL = 0.84
_LEAST_SIDE = 16.0
_SMALLEST, _LARGEST = 0.0006, 0.96
_SAME = 0.8
Contour = NDArray[np.integer[Any] | np.floating[Any]]
# Equal ratios rather than equal steps: a shaded corner needs finer steps than a lit one.
_LEVELS = tuple(int(v) for v in np.geomspace(18, 185, 24))


@dataclass(frozen=True, slots=True, eq=False)
class Outline:
    """A proposed flat top.

    Parameters
    ----------
    corners : ndarray of float64, shape (4, 2)
        Photo pixels, clockwise as seen; not yet upright.
    score : float
        0 to 1; above 0.5 it is more likely a package than not.
    texts : tuple of int
        Which of the lines handed to `locate` lie on it.
    """

    corners: Corners
    score: float
    texts: tuple[int, ...]


@dataclass(slots=True)
class _Proposal:
    corners: Corners
    fill: float
    contour: Corners
    votes: float = 1.0

    def moved(self, offset: Corners) -> "_Proposal":
        return _Proposal(self.corners + offset, self.fill, self.contour + offset, self.votes)


def _working(image: Rgb) -> tuple[Rgb, float]:
    scale = min(1.0, WORKING_SIDE / max(image.shape[:2]))
    small = image if scale == 1.0 else cv2.resize(image, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    return cv2.bilateralFilter(small, 5, 25, 5).astype(np.uint8), scale


def _rectangles(mask: NDArray[np.uint8], openings: Sequence[int]) -> list[_Proposal]:
    """Outlines of the nearly rectangular connected parts of a mask, after removing whiskers of several widths."""
    found: list[_Proposal] = []
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
            corners, fill = _tightest(contour, cv2.boxPoints(rectangle).astype(float), inside)
            if fill >= _LEAST_FILL:
                found.append(_Proposal(corners, fill, contour[:, 0, :].astype(float)))
    return found


def _tightest(contour: Contour, rectangle: Corners, inside: float) -> tuple[Corners, float]:
    """Return the rectangle, or the quadrilateral of a top seen at a slant, whichever the region fills better."""
    corners = clockwise(rectangle)
    fill = min(1.0, inside / max(quad_area(corners), 1.0))
    if fill > 0.92:
        return corners, fill
    hull = cv2.convexHull(contour)
    slanted = cv2.approxPolyDP(hull, 0.04 * cv2.arcLength(hull, True), True)[:, 0, :].astype(float)
    if len(slanted) != 4 or not squarish(slanted, 0.64) or not nearly_parallelogram(slanted, 7.0):
        return corners, fill
    slanted_fill = inside / max(quad_area(slanted), inside)
    return (clockwise(slanted), slanted_fill - 0.03) if slanted_fill - 0.03 > fill else (corners, fill)


def _openings(shape: tuple[int, ...]) -> list[int]:
    unit = max(shape[:2]) / 1000
    return sorted({max(3, int(k * unit) | 1) for k in (3, 8, 18)})


def _print_removed(small: Rgb, texts: Sequence[Corners]) -> Rgb:
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


def _from_levels(small: Rgb) -> list[_Proposal]:
    value = small.max(axis=2)
    chroma = value.astype(int) - small.min(axis=2)
    channels = (value, np.clip(value + 1.5 * chroma, 0, 255).astype(np.uint8))
    found: list[_Proposal] = []
    for channel in channels:
        for level in _LEVELS:
            mask = (channel < level).astype(np.uint8)
            found += _rectangles(mask, _openings(small.shape))
    return found


def _from_texts(small: Rgb, texts: Sequence[Corners]) -> list[_Proposal]:
    """Grow a region from each line of print: the parts of the photo whose colour is that of the ground under it."""
    lab = cv2.cvtColor(small, cv2.COLOR_RGB2LAB).astype(np.float32)
    edges = cv2.Canny(cv2.cvtColor(small, cv2.COLOR_RGB2GRAY), 25, 60)
    found: list[_Proposal] = []
    for text in sorted(texts, key=lambda t: -quad_area(t)):
        middle = text.mean(axis=0)
        if sum(p.fill > 0.95 and _inside(p.corners, middle) for p in found) >= 4:
            continue  # a neighbouring line already grew this top
        x0, y0, x1, y1 = axis_box(text)
        height = min(quad_sides(text))
        reach = int(max(9 * height, 1.6 * max(x1 - x0, y1 - y0)))
        left, top = max(0, int(x0) - reach), max(0, int(y0) - reach)
        window = lab[top : int(y1) + reach, left : int(x1) + reach]
        margin = int(max(2, 0.4 * height))
        ground = lab[max(0, int(y0) - margin) : int(y1) + margin, max(0, int(x0) - margin) : int(x1) + margin]
        if window.size == 0 or ground.size == 0:
            continue
        # Print is brighter than the top; the darker half of the pixels around it are ground.
        flat = ground.reshape(-1, 3)
        colour = np.median(flat[flat[:, 0] <= np.median(flat[:, 0])], axis=0)
        distance = np.sqrt((0.7 * (window[..., 0] - colour[0])) ** 2 + ((window[..., 1:] - colour[1:]) ** 2).sum(-1))
        centre = np.array([(x0 + x1) / 2 - left, (y0 + y1) / 2 - top])
        for bound in (6, 9, 13, 18, 24, 32):
            mask = (distance < bound).astype(np.uint8)
            cut = mask & (edges[top : int(y1) + reach, left : int(x1) + reach] == 0)
            proposals = []
            for region in (mask, cut):
                proposals += _rectangles(region, _openings(small.shape))
            for proposal in proposals:
                if _inside(proposal.corners, centre):
                    found.append(proposal.moved(np.array([left, top], float)))
    return found


def _inside(corners: Corners, point: Corners) -> bool:
    return cv2.pointPolygonTest(corners.astype(np.float32), (float(point[0]), float(point[1])), False) >= 0


def _gathered(proposals: list[_Proposal]) -> list[_Proposal]:
    """Merge proposals of the same outline; the fullest one stays and takes the others' votes."""
    kept: list[_Proposal] = []
    boxes: list[tuple[float, float, float, float]] = []
    for proposal in sorted(proposals, key=lambda p: -p.fill):
        box = axis_box(proposal.corners)
        for other, other_box in zip(kept, boxes, strict=True):
            if box_overlap(box, other_box) > _SAME - 0.1 and quad_overlap(proposal.corners, other.corners) > _SAME:
                other.votes += 1
                break
        else:
            kept.append(proposal)
            boxes.append(box)
    return kept


def _strip(
    grey: NDArray[np.float32], start: Corners, end: Corners, outward: Corners, depths: NDArray[np.float64]
) -> NDArray[np.float32]:
    """Brightness on lines parallel to a side, at signed distances from it; shape (len(depths), 160)."""
    along = np.linspace(0.02, 0.98, 160)[:, None] * (end - start) + start
    points = along[None] + depths[:, None, None] * outward
    xs = np.clip(points[..., 0], 0, grey.shape[1] - 1).astype(int)
    ys = np.clip(points[..., 1], 0, grey.shape[0] - 1).astype(int)
    return np.asarray(grey[ys, xs], np.float32)


def _regularity(profile: NDArray[np.float32]) -> float:
    """How much of a profile's variation is one repeated pitch: its highest autocorrelation past the first dip, 0 to 1.

    Leads stand at one pitch (2.54 or 1.27 mm, JEDEC MS-001 and MS-012), so their glints repeat 3 to 60 times a side.
    """
    flat = profile - cv2.GaussianBlur(profile.reshape(1, -1), (0, 0), 14).ravel()
    spread = float(flat.std())
    strength = float(np.clip((spread - 3.0) / 8.0, 0.0, 1.0))  # leads glint; moulding texture does not
    if strength == 0.0:
        return 0.0
    correlation = np.correlate(flat, flat, "full")[len(flat) - 1 :] / (spread**2 * len(flat))
    falls = np.flatnonzero(correlation < 0)
    if not len(falls) or falls[0] > 40:
        return 0.0
    tail = correlation[falls[0] : 56] * len(flat) / (len(flat) - np.arange(falls[0], 56))
    return strength * float(np.clip(tail.max(), 0.0, 1.0)) if len(tail) else 0.0


def _surroundings(grey: NDArray[np.float32], corners: Corners) -> tuple[float, float]:
    """Return (weakest side's contrast in grey levels, lead regularity 0 to 1) from strips along the four sides."""
    short = min(quad_sides(corners))
    centre = corners.mean(axis=0)
    steps: list[float] = []
    regular: list[float] = []
    for start, end in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        outward = np.array([end[1] - start[1], start[0] - end[0]])
        outward /= np.linalg.norm(outward) + 1e-9
        if np.dot((start + end) / 2 - centre, outward) < 0:
            outward = -outward
        near = max(2.0, 0.06 * short)
        inner, outer = _strip(grey, start, end, outward, np.array([-near, near]))
        steps.append(float(np.median(np.abs(outer - inner))))
        outside = _strip(grey, start, end, outward, short * np.linspace(0.02, 0.24, 12))
        regular.append(
            max(_regularity(np.asarray(outside[i : i + 3].mean(axis=0), np.float32)) for i in range(0, 12, 3))
        )
    # One row of leads often lies in shadow: the better row counts for something by itself.
    pairs = max(0.6 * min(regular[i], regular[i + 2]) + 0.4 * max(regular[i], regular[i + 2]) for i in (0, 1))
    return float(min(steps)), pairs


def _evenness(lab: NDArray[np.float32], corners: Corners) -> tuple[float, float, float]:
    """Return (share of the inside that has its median colour, median lightness, median chroma)."""
    x0, y0, x1, y1 = (int(v) for v in axis_box(corners))
    window = lab[max(0, y0) : y1 + 1, max(0, x0) : x1 + 1]
    mask = np.zeros(window.shape[:2], np.uint8)
    cv2.fillConvexPoly(mask, np.round(corners - [max(0, x0), max(0, y0)]).astype(np.int32), 1)
    inside = window[mask > 0]
    if len(inside) == 0:
        return 0.0, 255.0, 255.0
    colour = np.median(inside, axis=0)
    near = np.sqrt(((inside - colour) * [0.6, 1, 1]) ** 2 @ np.ones(3)) < 12
    return float(near.mean()), float(colour[0]), float(np.hypot(colour[1] - 128, colour[2] - 128))


def _texts_on(corners: Corners, texts: Sequence[Corners]) -> tuple[int, ...]:
    return tuple(i for i, text in enumerate(texts) if _inside(corners, text.mean(axis=0)))


def _sides_on_frame(corners: Corners, shape: tuple[int, ...]) -> int:
    """How many sides run along the photo's frame: a top may leave the picture on one side, hardly on three."""
    height, width = shape[:2]
    near = 0.012 * max(width, height)
    x0, y0, x1, y1 = axis_box(corners)
    return sum((x0 < near, y0 < near, x1 > width - near, y1 > height - near))


def _score(
    proposal: _Proposal,
    grey: NDArray[np.float32],
    lab: NDArray[np.float32],
    texts: Sequence[Corners],
    on: tuple[int, ...],
) -> float:
    short, long = sorted(quad_sides(proposal.corners))
    sized = [i for i in on if 0.05 < min(quad_sides(texts[i])) / short < 0.6]
    contrast, leads = _surroundings(grey, proposal.corners)
    even, lightness, chroma = _evenness(lab, proposal.corners)
    if not sized and leads < 0.5:
        return 0.0
    evidence = (
        1.6 * min(len(sized), 3) ** 0.5
        + 3.5 * leads
        + 6.0 * min(even - 0.75, 0.12)
        + 0.35 * np.log2(1 + proposal.votes)
        + 8.0 * (proposal.fill - 0.95)
        + 0.08 * min(contrast, 15.0)
        - 0.06 * max(chroma - 14.0, 0.0)
        - 0.045 * max(lightness - 130.0, 0.0)
        + 0.6 * np.log2(short * long / (grey.size * 0.01))
        - 6.0 * max(worst_corner(proposal.corners) - 0.22, 0.0)
        - 0.8 * max(0, _sides_on_frame(proposal.corners, grey.shape) - 1)
        - 3.6
    )
    return float(1.0 / (1.0 + np.exp(-evidence)))


def locate(image: Rgb, texts: Sequence[Corners] = ()) -> list[Outline]:
    """Find the flat tops in a photo.

    Parameters
    ----------
    image : ndarray of uint8, shape (height, width, 3), RGB
    texts : sequence of ndarray, shape (4, 2)
        Lines of print seen in the photo, in its pixels.

    Returns
    -------
    list of Outline
        Best first; no two overlap by more than a third.
    """
    small, scale = _working(image)
    scaled = [np.asarray(t, float) * scale for t in texts]
    grey = cv2.cvtColor(small, cv2.COLOR_RGB2GRAY).astype(np.float32)
    lab = cv2.cvtColor(small, cv2.COLOR_RGB2LAB).astype(np.float32)
    bare = _print_removed(small, scaled)
    proposals = _gathered(_from_levels(bare) + _from_texts(bare, scaled))
    scored: list[tuple[float, _Proposal, tuple[int, ...]]] = []
    for proposal in proposals:
        on = _texts_on(proposal.corners, scaled)
        scored.append((_score(proposal, grey, lab, scaled, on), proposal, on))
    scored.sort(key=lambda s: -s[0])
    chosen: list[Outline] = []
    for score, proposal, on in scored:
        if score < 0.5:
            break
        score, proposal, on = _whole(score, proposal, on, scored, grey)
        corners = side_fit(proposal.contour, proposal.corners) / scale
        if not any(clash(corners, other.corners) for other in chosen):
            chosen.append(Outline(corners, score, on))
    return chosen


_Scored = tuple[float, _Proposal, tuple[int, ...]]


def _whole(
    score: float, proposal: _Proposal, on: tuple[int, ...], scored: list[_Scored], grey: NDArray[np.float32]
) -> _Scored:
    """Return the package around a proposal that is only a patch, label or window on its top."""
    area = quad_area(proposal.corners)
    for other_score, other, other_on in scored:
        ratio = quad_area(other.corners) / area
        if other_score < 0.9 or other.fill < 0.97 or not 1.3 < ratio < 6.0 or not set(on) <= set(other_on):
            continue
        if quad_overlap(proposal.corners, other.corners, of_smaller=True) < 0.9:
            continue
        if _surroundings(grey, other.corners)[1] > 0.6:
            return other_score, other, other_on
    return score, proposal, on


def clash(one: Corners, other: Corners) -> bool:
    """Return whether two outlines cannot both be packages: they overlap, or one lies inside the other."""
    if box_overlap(axis_box(one), axis_box(other), of_smaller=True) < 0.3:
        return False
    return quad_overlap(one, other, of_smaller=True) > 0.3
