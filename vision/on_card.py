"""Chips on the inspection card: the cell each lies in, how large its top is, and what is no chip but print.

What a photo's inspection needs of the card is one call, `told`.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np

from vision.card import NoCard, find_card, warnings_of
from vision.card_layout import Layout, Rect, layout, read_code
from vision.geometry import Corners, apply, axis_box, clockwise, quad_area, quad_overlap, quad_sides
from vision.light import linear_luminance
from vision.observations import CardView, Face, Homography, Measure, NotMeasured, PhotoWarning, PieceView, Rgb, TopSize
from vision.top_edges import find_edges

PRINTED_SHARE, PALE_SHARE = 0.5, 0.15
"""Share of an outline that lies on the card's bands of print from which it is print: any outline, and one as pale as
the paper around it. A chip in a cell beside a band may lean over it, for it stands higher than the card. These bounds:
common practice, no source."""
PALE = 0.8
"""Luminance over that of what is around, from which a place is as pale as paper."""
FRAME_OVERLAP = 0.8
"""Intersection over union with a cell's own frame from which an outline is the frame."""
EDGE_SHARE = 0.01
"""Standard uncertainty of each of a top's edges, as a share of its short side, where it shows."""


@dataclass(frozen=True, slots=True, eq=False)
class OnCard:
    """What the card says of a photo: `pieces` in their order, less what was print, with labels, cells and sizes."""

    card: CardView | None
    pieces: tuple[PieceView, ...]
    warnings: tuple[PhotoWarning, ...]


def told(image: Rgb, pieces: Sequence[PieceView], *, focal_35mm: float | None = None) -> OnCard:
    """Look for the card and tell the chips found what it says of them.

    Parameters
    ----------
    image : ndarray of uint8, shape (height, width, 3), RGB
    pieces : sequence of PieceView
        With the labels that were seen beside them, if any.
    focal_35mm : float, optional
        The focal length the photo states, as on 35 mm film.
    """
    card = find_card(image, focal_35mm=focal_35mm)
    # A card's own code stands near many chips and is none's label.
    pieces = [replace(p, label=None) if p.label and read_code(p.label) else p for p in pieces]
    if isinstance(card, NoCard):
        return OnCard(None, tuple(pieces), (card.warning,) if card.warning else ())
    plan = layout(card.kind)
    to_card: Homography = np.asarray(np.linalg.inv(card.to_photo), float)
    chips = [piece for piece in pieces if not _is_print(image, piece, to_card, plan)]
    placed = [_placed(image, piece, card, plan, to_card) for piece in chips]
    return OnCard(card, tuple(placed), warnings_of(card) + _contradictions(chips, placed))


def _is_print(image: Rgb, piece: PieceView, to_card: Homography, plan: Layout) -> bool:
    """Tell whether an outline is print: on a band, around a marker, code or grey step, or a cell's own frame."""
    outline = apply(to_card, np.array(piece.outline))
    area = quad_area(outline)
    if area <= 0:
        return True
    if any(_share(rect, outline) > 0.8 and area > rect.width * rect.height for rect in plan.marks):
        return True
    on_bands = sum(_share(band, outline) * min(area, band.width * band.height) for band in plan.bands) / area
    if on_bands >= PRINTED_SHARE or (on_bands >= PALE_SHARE and _is_pale(image, np.array(piece.outline))):
        return True
    return any(quad_overlap(outline, np.array(cell.corners, float)) > FRAME_OVERLAP for cell in plan.cells)


def _share(rect: Rect, outline: Corners) -> float:
    """Overlap of a printed rectangle and an outline (card mm) over the smaller one's area."""
    corners = np.array(rect.corners, float)
    if (corners[2] < outline.min(axis=0)).any() or (corners[0] > outline.max(axis=0)).any():
        return 0.0
    return quad_overlap(outline, corners, of_smaller=True)


def _is_pale(image: Rgb, outline: Corners) -> bool:
    """Tell whether a place is about as pale as what is around it, as print on paper is."""
    x0, y0, x1, y1 = axis_box(outline)
    air = 0.15 * min(x1 - x0, y1 - y0)
    low = np.maximum(np.floor([x0 - air, y0 - air]), 0).astype(int)
    window = image[low[1] : int(y1 + air) + 1, low[0] : int(x1 + air) + 1]
    inside = np.zeros(window.shape[:2], np.uint8)
    cv2.fillConvexPoly(inside, np.round(outline - low).astype(np.int32), 1)
    light = linear_luminance(window)
    if not inside.any() or inside.all():
        return False
    return float(np.median(light[inside > 0])) > PALE * float(np.percentile(light[inside == 0], 80))


def _placed(image: Rgb, piece: PieceView, card: CardView, plan: Layout, to_card: Homography) -> PieceView:
    """The piece with its cell, the cell's label, its scale and its size; a chip beside the cells keeps its label."""
    middle = apply(to_card, np.mean(piece.outline, axis=0, keepdims=True))[0]
    short_px = min(piece.face.image.shape[:2])
    face = replace(piece.face, mm_per_px=_short_mm(piece.face, to_card) / short_px)
    inside = next((i for i, cell in enumerate(plan.cells) if _holds(cell, middle)), None)
    if inside is None:
        return replace(piece, face=face, size=_size(image, piece, to_card, card.residual_mm))
    cell = card.cells[inside]
    size = _size(image, piece, to_card, float(np.hypot(cell.u_mm, card.residual_mm)))
    return replace(piece, face=face, size=size, cell=cell.number, label=cell.label or piece.label)


def _holds(cell: Rect, point: Corners) -> bool:
    return bool(cell.x <= point[0] < cell.x + cell.width and cell.y <= point[1] < cell.y + cell.height)


def _short_mm(face: Face, to_card: Homography) -> float:
    """Length in mm, on the card's plane, of the face picture's short side through its middle."""
    height, width = face.image.shape[:2]
    x, y = width / 2 - 0.5, height / 2 - 0.5
    ends = [[x, -0.5], [x, height - 0.5]] if height <= width else [[-0.5, y], [width - 0.5, y]]
    one, other = apply(to_card, apply(face.to_photo, np.array(ends, float)))
    return float(np.linalg.norm(one - other))


def _size(image: Rgb, piece: PieceView, to_card: Homography, card_u: float) -> TopSize | NotMeasured:
    """Both sides of the top, with what its edges and the card's plane leave unsure."""
    edges = find_edges(image, clockwise(np.array(piece.outline)))
    if edges is None:
        return NotMeasured("not every edge of the top shows")
    sides = sorted(quad_sides(apply(to_card, edges.corners)))
    scale = np.sqrt(sides[0] * sides[1] / max(quad_area(edges.corners), 1e-9))
    edge_u = float(np.hypot(edges.u_px * scale, EDGE_SHARE * sides[0]))
    u = float(np.hypot(np.sqrt(2) * edge_u, card_u))
    return TopSize(Measure(sides[1], "mm", u, 2), Measure(sides[0], "mm", u, 2))


def _contradictions(before: Sequence[PieceView], after: Sequence[PieceView]) -> tuple[PhotoWarning, ...]:
    """Say where a label lies beside a chip in another piece's cell."""
    found = []
    for one, other in zip(before, after, strict=True):
        said, cell = one.label, other.label
        if said and cell and said != cell and "-" in said:
            message = f"A label {said} lies beside the chip in the cell of {cell}; the cell was believed."
            found.append(PhotoWarning("card-label", f"{message} Move one of them."))
    return tuple(found)
