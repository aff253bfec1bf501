"""Find every package in a photo: the outline of its flat top, with a score.

A package's top is a dark-grey, even, rectangular patch with print on it and leads along its sides. `proposals` says
where such a patch could be; here each proposal is scored by what speaks for a package, and the best that do not overlap
are kept. The weights of the score and all bounds here are common practice, no source: they
were set by hand while looking at photographs of boards, and no set of photographs was held back to test them.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.between_rows import beside, from_rows, holds, stretching_out
from vision.geometry import (
    Corners,
    axis_box,
    box_overlap,
    outward,
    quad_area,
    quad_overlap,
    quad_sides,
    side_fit,
    worst_corner,
)
from vision.lead_rows import LeadRow, lead_rows
from vision.observations import Rgb
from vision.proposals import Proposal, from_levels, from_texts, gathered, inside, print_removed

# Long side of the picture in which outlines are sought; corners come out with about half a working pixel.
WORKING_SIDE, GLANCE_SIDE = 1500, 1250
_SURE, _LIKELY = 0.95, 0.7


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
    leads : float
        How regular the rows of leads beside it are, 0 to 1.
    among_print : bool
        Whether print was seen in the photo that stands on no top, as on a board: then print alone makes no chip.
    """

    corners: Corners
    score: float
    texts: tuple[int, ...]
    leads: float = 0.0
    among_print: bool = True


def _working(image: Rgb, side: int) -> tuple[Rgb, float]:
    scale = min(1.0, side / max(image.shape[:2]))
    small = image if scale == 1.0 else cv2.resize(image, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    return cv2.bilateralFilter(small, 5, 25, 5).astype(np.uint8), scale


_SAMPLES = 160  # along a side
# A body is at least so many lead pitches wide: 2.5 for the narrowest DIP, 3.1 for the narrowest SOIC (JEDEC MS-001,
# MS-012), less what perspective takes.
_NARROWEST = 1.95
_HINT = 0.3  # rows that were followed spot by spot show at least so much regularity


def _strips(grey: NDArray[np.float32], corners: Corners, depths: NDArray[np.float64]) -> NDArray[np.float32]:
    """Brightness on lines parallel to each side, at signed distances outwards; shape (4, len(depths), _SAMPLES)."""
    ends = np.roll(corners, -1, axis=0)
    share = np.linspace(0.02, 0.98, _SAMPLES)[None, :, None]
    along = corners[:, None] + share * (ends - corners)[:, None]
    centre = corners.mean(axis=0)
    away = np.stack([outward(start, end, centre) for start, end in zip(corners, ends, strict=True)])
    points = along[:, None] + depths[None, :, None, None] * away[:, None, None]
    xs = np.clip(points[..., 0], 0, grey.shape[1] - 1).astype(np.intp)
    ys = np.clip(points[..., 1], 0, grey.shape[0] - 1).astype(np.intp)
    return np.asarray(grey[ys, xs], np.float32)


# Depths outside a side, in short sides, at which leads are looked for, and how many of them are averaged.
_DEPTHS, _AVERAGED = np.linspace(0.02, 0.24, 12), 3


def _regularity(profiles: NDArray[np.float32]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """How much of each profile's variation is one repeated pitch: the highest autocorrelation past its first dip.

    Leads stand at one pitch (2.54 or 1.27 mm, JEDEC MS-001 and MS-012), so their glints repeat 3 to 60 times a side.

    Parameters
    ----------
    profiles : ndarray of float32, shape (n, samples)

    Returns
    -------
    regularity : ndarray of float64, shape (n,)
        0 to 1.
    pitch : ndarray of float64, shape (n,)
        Samples; 0 where there is none.
    """
    count = profiles.shape[1]
    # A blur along the profiles alone: the kernel is one row high.
    flat = (profiles - cv2.GaussianBlur(profiles, (0, 1), 14, None, 0.01)).astype(np.float64)
    spread = flat.std(axis=1)
    strength = np.clip((spread - 3.0) / 8.0, 0.0, 1.0)  # leads glint; moulding texture does not
    spectrum = np.fft.rfft(flat, 2 * count, axis=1)
    correlation = np.fft.irfft(np.abs(spectrum) ** 2, axis=1)[:, :count]
    correlation /= np.maximum(spread, 1e-9)[:, None] ** 2 * count
    out, pitch = np.zeros(len(profiles)), np.zeros(len(profiles))
    for k in np.flatnonzero(strength > 0):
        falls = np.flatnonzero(correlation[k] < 0)
        if len(falls) and falls[0] <= 40 and correlation[k, falls[0] : 56].max() > 0:
            tail = correlation[k, falls[0] : 56] * count / (count - np.arange(falls[0], 56))
            out[k] = strength[k] * float(np.clip(tail.max(), 0.0, 1.0))
            # The pitch itself, not a multiple of it that happens to fit a little better.
            pitch[k] = falls[0] + _first_summit(tail)
    return out, pitch


def _first_summit(values: NDArray[np.float64]) -> int:
    """Index of the first local maximum that is nearly as high as the highest value."""
    high = np.flatnonzero(values >= 0.8 * values.max())
    stretch = high[: int(np.argmax(np.r_[np.diff(high) > 1, True])) + 1]
    return int(stretch[np.argmax(values[stretch])])


def _surroundings(grey: NDArray[np.float32], corners: Corners) -> tuple[float, float, float]:
    """Return (weakest side's contrast in grey levels, lead regularity 0 to 1, distance of lead rows in pitches).

    All from strips along the four sides; the distance is 0 where no row is regular.
    """
    short = min(quad_sides(corners))
    near = max(2.0, 0.06 * short)
    strips = _strips(grey, corners, np.concatenate([[-near, near], short * _DEPTHS]))
    steps = np.median(np.abs(strips[:, 1] - strips[:, 0]), axis=1)
    groups = strips[:, 2:].reshape(4, -1, _AVERAGED, _SAMPLES).mean(axis=2)
    regular, pitch = (v.reshape(4, -1) for v in _regularity(groups.reshape(-1, _SAMPLES)))
    clearest = regular.argmax(axis=1)
    sides, best = np.arange(4), regular.max(axis=1)
    # One row of leads often lies in shadow: the better row counts for something by itself.
    pairs = [0.6 * min(best[i], best[i + 2]) + 0.4 * max(best[i], best[i + 2]) for i in (0, 1)]
    way = int(np.argmax(pairs))
    row = max((way, way + 2), key=lambda i: float(best[i]))
    lengths = quad_sides(corners)
    spacing = float(pitch[sides, clearest][row]) * lengths[way] * 0.96 / _SAMPLES
    return float(steps.min()), float(pairs[way]), lengths[1 - way] / spacing if spacing > 0 else 0.0


def _evenness(lab: NDArray[np.float32], corners: Corners) -> tuple[float, float, float]:
    """Return (share of the inside that has its median colour, median lightness, median chroma)."""
    x0, y0, x1, y1 = (int(v) for v in axis_box(corners))
    window = lab[max(0, y0) : y1 + 1, max(0, x0) : x1 + 1]
    mask = np.zeros(window.shape[:2], np.uint8)
    cv2.fillConvexPoly(mask, np.round(corners - [max(0, x0), max(0, y0)]).astype(np.int32), 1)
    pixels = window[mask > 0]
    if len(pixels) == 0:
        return 0.0, 255.0, 255.0
    colour = np.median(pixels, axis=0)
    near = np.sqrt(((pixels - colour) * [0.6, 1, 1]) ** 2 @ np.ones(3)) < 12
    return float(near.mean()), float(colour[0]), float(np.hypot(colour[1] - 128, colour[2] - 128))


def _texts_on(corners: Corners, middles: Sequence[Corners]) -> tuple[int, ...]:
    return tuple(i for i, middle in enumerate(middles) if inside(corners, middle))


def _sides_on_frame(corners: Corners, shape: tuple[int, ...]) -> int:
    """How many sides run along the photo's frame: a top may leave the picture on one side, hardly on three."""
    height, width = shape[:2]
    near = 0.012 * max(width, height)
    x0, y0, x1, y1 = axis_box(corners)
    return sum((x0 < near, y0 < near, x1 > width - near, y1 > height - near))


@dataclass(frozen=True, slots=True, eq=False)
class _Scored:
    """A proposal with its score, the texts on it, how regular the leads beside it are (0 to 1), and which rows."""

    score: float
    proposal: Proposal
    on: tuple[int, ...]
    leads: float
    rows: tuple[int, ...]


def _scored(
    proposal: Proposal,
    grey: NDArray[np.float32],
    lab: NDArray[np.float32],
    texts: Sequence[Corners],
    on: tuple[int, ...],
    rows: Sequence[LeadRow] | None,
) -> _Scored:
    flanking = proposal.rows or beside(proposal.corners, rows or ())
    if rows is not None and not on and not flanking:
        return _Scored(0.0, proposal, on, 0.0, ())  # neither print nor leads: no need to look closer
    short, long = sorted(quad_sides(proposal.corners))
    sized = [i for i in on if 0.05 < min(quad_sides(texts[i])) / short < 0.6]
    contrast, leads, apart_by = _surroundings(grey, proposal.corners)
    if rows is not None and proposal.rows and leads > _HINT:
        # Two facing rows were followed spot by spot: that they are leads is likelier still if they stretch outwards.
        leads = max(leads, 0.55 + 0.3 * float(np.clip(stretching_out(rows, proposal.rows), 0.0, 1.0)))
    even, lightness, chroma = _evenness(lab, proposal.corners)
    if not sized and leads < 0.5:
        return _Scored(0.0, proposal, on, leads, flanking)
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
        - (4.0 if leads > 0.6 and 0 < apart_by < _NARROWEST else 0.0)  # a strip between two chips
        - (0.0 if sized else 1.0)  # the ground beside a row of leads is a strip with leads, too, but bears no print
        - 3.6
    )
    return _Scored(float(1.0 / (1.0 + np.exp(-evidence))), proposal, on, leads, flanking)


def locate(image: Rgb, texts: Sequence[Corners] = (), *, glance: bool = False) -> list[Outline]:
    """Find the flat tops in a photo.

    Parameters
    ----------
    image : ndarray of uint8, shape (height, width, 3), RGB
    texts : sequence of ndarray, shape (4, 2)
        Lines of print seen in the photo, in its pixels.
    glance : bool
        Look at a smaller picture, at fewer levels, grow regions only from print that nothing else explains, and follow
        rows of leads.

    Returns
    -------
    list of Outline
        Best first; no two overlap by more than a third.
    """
    small, scale = _working(image, GLANCE_SIDE if glance else WORKING_SIDE)
    scaled = [np.asarray(t, float) * scale for t in texts]
    middles = [t.mean(axis=0) for t in scaled]
    grey = cv2.cvtColor(small, cv2.COLOR_RGB2GRAY).astype(np.float32)
    lab = cv2.cvtColor(small, cv2.COLOR_RGB2LAB).astype(np.float32)
    # Rows are for many small chips; in a close-up, and on a board full of headers, they mislead more than they help.
    seen = lead_rows(grey) if glance else []
    off_print = [row for row in seen if not any(inside(t, row.points.mean(axis=0)) for t in scaled)]
    rows = off_print if glance else None
    bare = print_removed(small, scaled)

    def judged(proposals: Iterable[Proposal]) -> list[_Scored]:
        return [_scored(p, grey, lab, scaled, _texts_on(p.corners, middles), rows) for p in proposals]

    between = judged(from_rows(grey, off_print))
    scored = between + judged(gathered(from_levels(bare, every=2 if glance else 1)))
    sure = [s.proposal for s in scored if _certain(s) or (glance and s.score >= _LIKELY)]
    unexplained = [t for t, m in zip(scaled, middles, strict=True) if not any(inside(p.corners, m) for p in sure)]
    scored += judged(gathered(from_texts(bare, unexplained)))
    tops = [s.proposal.corners for s in between if s.score >= 0.5]
    scored = sorted(
        (s for s in scored if s.score >= 0.5 and holds(s.proposal.corners, tops) < 2), key=lambda s: -s.score
    )
    wholes = _with_rows_of_their_own([_whole(candidate, scored) for candidate in scored])
    return apart(
        Outline(side_fit(w.proposal.contour, w.proposal.corners) / scale, w.score, w.on, w.leads) for w in wholes
    )


def _certain(one: _Scored) -> bool:
    """Whether print on a proposal needs no other explanation: many levels agree on it, and leads stand beside it."""
    clear = one.proposal.votes >= 8 and one.proposal.fill > 0.97 and one.leads > 0.6
    return clear or (bool(one.proposal.rows) and one.score >= _SURE)


def _with_rows_of_their_own(candidates: Sequence[_Scored]) -> list[_Scored]:
    """Drop what lies between two chips: its rows of leads belong to them."""
    kept: list[_Scored] = []
    claimed: set[int] = set()
    for one in candidates:
        lies_on = set(one.proposal.rows or one.rows)
        if claimed & set(one.proposal.rows) or (len(lies_on) >= 2 and lies_on <= claimed):
            continue
        claimed |= set(one.rows)
        kept.append(one)
    return kept


def _whole(patch: _Scored, scored: Sequence[_Scored]) -> _Scored:
    """Return the package around a proposal that is only a patch, label or window on its top."""
    area = quad_area(patch.proposal.corners)
    for other in scored:
        ratio = quad_area(other.proposal.corners) / area
        if other.score < 0.9 or other.proposal.fill < 0.97 or other.leads <= 0.6:
            continue
        if not 1.3 < ratio < 6.0 or not set(patch.on) <= set(other.on):
            continue
        if quad_overlap(patch.proposal.corners, other.proposal.corners, of_smaller=True) >= 0.9:
            return other
    return patch


def apart(outlines: Iterable[Outline]) -> list[Outline]:
    """Return the outlines, in order, that do not clash with one before them."""
    chosen: list[Outline] = []
    for outline in outlines:
        if not any(clash(outline.corners, other.corners) for other in chosen):
            chosen.append(outline)
    return chosen


def clash(one: Corners, other: Corners) -> bool:
    """Return whether two outlines cannot both be packages: they overlap, or one lies inside the other."""
    if box_overlap(axis_box(one), axis_box(other), of_smaller=True) < 0.3:
        return False
    return quad_overlap(one, other, of_smaller=True) > 0.3
