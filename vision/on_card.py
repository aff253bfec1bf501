"""Chips on the inspection card: the cell each lies in, how large its top is, and what is no chip but print.

A photo's inspection calls `look` when it opens a photo, `placed` for each chip, and `labelled` at the end.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np

from vision.card import NoCard, find_card, warnings_of
from vision.card_layout import Layout, Rect, layout, read_code
from vision.geometry import Corners, apply, as_quad, axis_box, clockwise, quad_area, quad_overlap, quad_sides
from vision.light import linear_luminance
from vision.observations import CardView, Face, Homography, Measure, NotMeasured, PhotoWarning, PieceView, Rgb, TopSize
from vision.top_edges import TopEdges, find_edges

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
class Sheet:
    """What is known of the card in a photo before its chips are looked at."""

    card: CardView | None
    warnings: tuple[PhotoWarning, ...]

    def is_print(self, image: Rgb, outline: Corners) -> bool:
        """Tell whether an outline is print of the card: on a band, around a marker, code or grey step, or a frame.

        Parameters
        ----------
        image : ndarray of uint8, shape (height, width, 3), RGB
            The whole photo.
        outline : ndarray of float64, shape (4, 2)
            Photo pixels.
        """
        if self.card is None:
            return False
        to_card = np.asarray(np.linalg.inv(self.card.to_photo), float)
        return _is_print(image, clockwise(outline), to_card, layout(self.card.kind))


def look(image: Rgb, *, focal_35mm: float | None = None) -> Sheet:
    """Look for the card in a photo.

    Parameters
    ----------
    image : ndarray of uint8, shape (height, width, 3), RGB
    focal_35mm : float, optional
        The focal length the photo states, as on 35 mm film.
    """
    card = find_card(image, focal_35mm=focal_35mm)
    if isinstance(card, NoCard):
        return Sheet(None, (card.warning,) if card.warning else ())
    return Sheet(card, warnings_of(card))


def placed(piece: PieceView, card: CardView, region: Rgb, offset: tuple[int, int]) -> PieceView:
    """Return a piece with its cell, its face's scale, and its top's outline and size by the edges seen on the card.

    Parameters
    ----------
    piece : PieceView
        In photo pixels.
    card : CardView
    region : ndarray of uint8, shape (height, width, 3), RGB
        The part of the photo around the chip.
    offset : tuple of int
        The part's upper left in the photo.
    """
    plan, to_card = layout(card.kind), np.asarray(np.linalg.inv(card.to_photo), float)
    middle = apply(to_card, np.mean(piece.outline, axis=0, keepdims=True))[0]
    inside = next((i for i, cell in enumerate(plan.cells) if _holds(cell, middle)), None)
    cell = None if inside is None else card.cells[inside]
    doubt = card.residual_mm if cell is None else float(np.hypot(cell.u_mm, card.residual_mm))
    scale = _short_mm(piece.face, to_card) / min(piece.face.image.shape[:2])
    outline = np.array(piece.outline)
    edges = find_edges(region, clockwise(outline - offset))
    if edges is not None:
        piece = replace(piece, outline=as_quad(_in_order(edges.corners + offset, outline)))
    return replace(
        piece,
        face=replace(piece.face, mm_per_px=scale),
        size=_size(edges, to_card @ _shift(offset), doubt),
        cell=cell.number if cell else None,
    )


def labelled(
    pieces: Sequence[PieceView], card: CardView | None
) -> tuple[tuple[PieceView, ...], tuple[PhotoWarning, ...]]:
    """Return the pieces with the labels of their cells, and what contradicts these.

    Parameters
    ----------
    pieces : sequence of PieceView
        With the labels that were seen beside them, if any; outside the cells these stay.
    card : CardView or None
    """
    # A card's own code stands near many chips and is none's label.
    beside = [replace(p, label=None) if p.label and read_code(p.label) else p for p in pieces]
    if card is None:
        return tuple(beside), ()
    of_cell = {cell.number: cell.label for cell in card.cells}
    named = [p if p.cell is None else replace(p, label=of_cell.get(p.cell) or p.label) for p in beside]
    return tuple(named), _contradictions(beside, named)


def _in_order(corners: Corners, like: Corners) -> Corners:
    """Clockwise corners, beginning where another outline of the same top begins."""
    turns = [np.roll(corners, -k, axis=0) for k in range(4)]
    return min(turns, key=lambda turned: float(np.abs(turned - like).sum()))


def _shift(offset: tuple[int, int]) -> Homography:
    return np.array([[1.0, 0.0, offset[0]], [0.0, 1.0, offset[1]], [0.0, 0.0, 1.0]])


def _is_print(image: Rgb, seen: Corners, to_card: Homography, plan: Layout) -> bool:
    outline = apply(to_card, seen)
    area = quad_area(outline)
    if area <= 0:
        return True
    if any(_share(rect, outline) > 0.8 and area > rect.width * rect.height for rect in plan.marks):
        return True
    on_bands = sum(_share(band, outline) * min(area, band.width * band.height) for band in plan.bands) / area
    if on_bands >= PRINTED_SHARE or (on_bands >= PALE_SHARE and _is_pale(image, seen)):
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


def _holds(cell: Rect, point: Corners) -> bool:
    return bool(cell.x <= point[0] < cell.x + cell.width and cell.y <= point[1] < cell.y + cell.height)


def _short_mm(face: Face, to_card: Homography) -> float:
    """Length in mm, on the card's plane, of the face picture's short side through its middle."""
    height, width = face.image.shape[:2]
    x, y = width / 2 - 0.5, height / 2 - 0.5
    ends = [[x, -0.5], [x, height - 0.5]] if height <= width else [[-0.5, y], [width - 0.5, y]]
    one, other = apply(to_card, apply(face.to_photo, np.array(ends, float)))
    return float(np.linalg.norm(one - other))


def _size(edges: TopEdges | None, to_card: Homography, card_u: float) -> TopSize | NotMeasured:
    """Both sides of the top, with what its edges and the card's plane leave unsure."""
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
