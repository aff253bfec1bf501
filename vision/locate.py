"""Find every package in a photo: the outline of its flat top, with a score.

A package's top is a dark-grey, even, rectangular patch with print on it and leads along its sides. `proposals` and
`between_rows` say where such a patch could be, `side_lines` moves each to the lines in the picture, `evidence` says
what speaks for it, and `choose` keeps those that can be true together.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from vision.between_rows import from_rows, from_single_rows
from vision.choose import Candidate, chosen, clash
from vision.evidence import View, flanking, measured
from vision.geometry import Corners, clockwise, quad_overlap, quad_sides, worst_corner
from vision.lead_rows import lead_rows
from vision.near_lines import on_its_edges
from vision.observations import Rgb
from vision.proposals import Proposal, from_levels, from_texts, gathered, inside, print_removed
from vision.side_lines import Fit, fit

# Long side of the picture in which outlines are sought. This and the other bounds here are common practice, no source.
WORKING_SIDE = 1500
# Dark tones are spread: photon noise grows with the square root of the light (Anscombe 1948, Biometrika 35), so that
# one step of this picture means the same in shade and in light.
_TONES = np.round(255 * (np.arange(256) / 255) ** 0.5).astype(np.uint8)
_SURE = 0.8
MANY, MOST = 3, 0.9
"""So many tops that bear so much of the print seen are what the photo shows; with other print, it may be a board."""
_SAME, _NEAR = 0.93, 6.0  # overlap and distance in pixels of fits that are one
_BEYOND = 0.06  # how far outside the picture an outline may reach, in its short sides
_ASKEW = 0.08  # cosine of a corner from which a proposal is squared before it is fitted


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
    among_print : bool
        Whether print was seen in the photo that stands on no top, as on a board: then print alone makes no chip.
    """

    corners: Corners
    score: float
    texts: tuple[int, ...]
    among_print: bool = True


def locate(image: Rgb, texts: Sequence[Corners] = (), *, glance: bool = False) -> list[Outline]:
    """Find the flat tops in a photo.

    Parameters
    ----------
    image : ndarray of uint8, shape (height, width, 3), RGB
    texts : sequence of ndarray, shape (4, 2)
        Lines of print seen in the photo, in its pixels.
    glance : bool
        Look no further once several tops explain the print, and at fewer levels of brightness.

    Returns
    -------
    list of Outline
        Best first; no two overlap by more than a third.
    """
    small, scale = _working(image, WORKING_SIDE)
    view = seen(small, [np.asarray(t, float) * scale for t in texts])
    tops = chosen(candidates(small, view, glance=glance))
    return [_outline(image, top, scale) for top in tops]


def _outline(image: Rgb, top: Candidate, scale: float) -> Outline:
    corners = clockwise(on_its_edges(image, _in_photo(top.corners, scale)))
    return Outline(corners, top.score, top.evidence.on)


def _in_photo(corners: Corners, scale: float) -> Corners:
    """Corners of the working picture in the photo's pixels; whole numbers are pixel centres in both."""
    return (corners + 0.5) / scale - 0.5


def _working(image: Rgb, side: int) -> tuple[Rgb, float]:
    scale = min(1.0, side / max(image.shape[:2]))
    small = image if scale == 1.0 else cv2.resize(image, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    return cv2.bilateralFilter(small, 5, 25, 5).astype(np.uint8), scale


def seen(small: Rgb, texts: Sequence[Corners]) -> View:
    """Return what proposals are made from and judged by.

    Parameters
    ----------
    small : ndarray of uint8, shape (height, width, 3), RGB
        The photo at its working size.
    texts : sequence of ndarray, shape (4, 2)
        In its pixels.
    """
    spread = cv2.LUT(small, _TONES)
    grey = cv2.cvtColor(spread, cv2.COLOR_RGB2GRAY).astype(np.float32)
    lab = cv2.cvtColor(spread, cv2.COLOR_RGB2LAB).astype(np.float32)
    plain = cv2.cvtColor(small, cv2.COLOR_RGB2LAB).astype(np.float32)
    return View(grey, lab, plain, tuple(texts), tuple(lead_rows(grey)))


def candidates(small: Rgb, view: View, *, glance: bool = False) -> list[Candidate]:
    """Return everything that could be a top, fitted to the picture's lines and judged.

    Parameters
    ----------
    small : ndarray of uint8, shape (height, width, 3), RGB
    view : View
        The same picture.
    glance : bool
        Look no further once several tops explain the print.
    """
    found = _judged([*from_rows(view.grey, view.rows), *from_single_rows(view.rows)], view, ())
    if glance and _explained(found, view):
        return found
    bare = print_removed(small, view.texts)
    found += _judged(gathered(from_levels(bare, every=2 if glance else 1)), view, found)
    if glance and len(chosen(found)) >= MANY:
        return found
    return [*found, *_judged(gathered(from_texts(bare, _off(found, view))), view, found)]


def _explained(found: Sequence[Candidate], view: View) -> bool:
    """Whether there are several tops and hardly any print elsewhere."""
    return len(chosen(found)) >= MANY and len(_off(found, view)) <= (1 - MOST) * len(view.texts)


def _off(found: Sequence[Candidate], view: View) -> list[Corners]:
    """The print that stands on nothing that is surely a top."""
    sure = [c.corners for c in found if c.score >= _SURE]
    return [t for t in view.texts if not any(inside(corners, t.mean(axis=0)) for corners in sure)]


def _judged(proposals: Iterable[Proposal], view: View, known: Sequence[Candidate]) -> list[Candidate]:
    fits: list[Fit] = []
    corners = [c.corners for c in known]
    for proposal in proposals:
        if not (proposal.rows or _promising(proposal.corners, view)):
            continue
        one = fit(view.lab, _squared(proposal.corners))
        if one is None or not _in_picture(one.corners, view) or any(_same(one.corners, other) for other in corners):
            continue
        corners.append(one.corners)
        fits.append(one)
    return [Candidate(one.corners, measured(view, one)[1]) for one in fits]


def _promising(corners: Corners, view: View) -> bool:
    """Whether there is print on it or a row of leads beside it: otherwise there is no need to look closer."""
    printed = any(inside(corners, text.mean(axis=0)) for text in view.texts)
    return printed or any(side.cover > 0 for side in flanking(corners, view.rows))


def _in_picture(corners: Corners, view: View) -> bool:
    air = _BEYOND * min(quad_sides(corners))
    low, high = corners.min(axis=0), corners.max(axis=0)
    return bool((low > -air).all() and high[0] < view.grey.shape[1] + air and high[1] < view.grey.shape[0] + air)


def _same(one: Corners, other: Corners) -> bool:
    return bool(np.abs(one.mean(axis=0) - other.mean(axis=0)).max() < _NEAR) and quad_overlap(one, other) > _SAME


def _squared(corners: Corners) -> Corners:
    """The rectangle of an outline's middle, mean sides and longer direction, where the outline is askew."""
    if worst_corner(corners) < _ASKEW:
        return corners
    first, second = quad_sides(corners)
    along, down = corners[1] - corners[0] + corners[2] - corners[3], corners[3] - corners[0] + corners[2] - corners[1]
    way = along if first >= second else np.array([down[1], -down[0]])
    across = way / (np.linalg.norm(way) + 1e-9) * first / 2
    down = np.array([-across[1], across[0]]) / max(first, 1e-9) * second
    middle = corners.mean(axis=0)
    signs = ((-1, -1), (1, -1), (1, 1), (-1, 1))
    return clockwise(np.array([middle + x * across + y * down for x, y in signs]))


def apart(outlines: Iterable[Outline]) -> list[Outline]:
    """Return the outlines, in order, that do not clash with one before them."""
    kept: list[Outline] = []
    for outline in outlines:
        if not any(clash(outline.corners, other.corners) for other in kept):
            kept.append(outline)
    return kept
