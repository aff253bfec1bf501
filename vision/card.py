"""The printed inspection card in a photo: where it lies, which lot's it is, which cell is where, and its light."""

from dataclasses import dataclass

import cv2
import numpy as np

from vision.card_fit import Fit, camera_height, fit, place_u
from vision.card_layout import CODE_MODULES, QUIET_MODULES, Layout, Rect, layout, read_code, read_number
from vision.card_light import Greys, read_greys
from vision.card_markers import Marker, find_markers
from vision.geometry import apply, as_quad
from vision.observations import CardCell, CardMarker, CardView, Homography, PhotoWarning, Rgb

BENT_MM = 0.35
"""Residual above which sizes are said to be less sure (common practice, no source)."""
_CODE_PIXELS = 12
"""Pixels a module of a QR code that is made flat to be read."""


@dataclass(frozen=True, slots=True)
class NoCard:
    """No card that can be relied on; false. `warning` says why where something of a card is in view."""

    warning: PhotoWarning | None = None

    def __bool__(self) -> bool:
        return False


def find_card(image: Rgb, *, focal_35mm: float | None = None) -> CardView | NoCard:
    """Find the inspection card in a photo.

    Parameters
    ----------
    image : ndarray of uint8, shape (height, width, 3), RGB
    focal_35mm : float, optional
        The focal length the photo states, as on 35 mm film; it makes the camera's height surer.

    Returns
    -------
    CardView or NoCard
        NoCard where there is none, where fewer than three markers can be seen, where they stand in one line or
        contradict each other, and where two cards are in view.

    Notes
    -----
    Whether the sheet was printed at its nominal size cannot be seen: every length carries the printer's scale.
    """
    found = find_markers(image)
    chosen = _one_card(found)
    if isinstance(chosen, NoCard):
        return chosen
    kind, page, markers = chosen
    plan = layout(kind)
    lie = fit(markers, plan)
    if isinstance(lie, str):
        return NoCard(PhotoWarning("card-unsure", f"{lie} No scale and no cells are taken from it: {_REMEDY}"))
    lot = _lot(image, lie.to_photo, plan, page)
    greys = read_greys(image, lie.to_photo, plan)
    seen = np.concatenate([markers[p].corners for p in sorted(markers) if p not in lie.strays])
    scale = scale_at(lie.to_photo, plan.markers[4].centre)
    height, width = image.shape[:2]
    return CardView(
        kind=kind,
        lot=lot,
        page=page,
        markers=tuple(_marker(p, markers[p], lie) for p in sorted(markers)),
        to_photo=lie.to_photo,
        mm_per_px=scale,
        residual_mm=lie.residual_mm,
        camera_height=camera_height(
            lie.corners, seen, (width, height), residual_px=lie.residual_mm / scale, focal_35mm=focal_35mm
        ),
        white_balance=greys.white_balance if isinstance(greys, Greys) else greys,
        tone=greys.tone if isinstance(greys, Greys) else (),
        cells=_cells(plan, lie, lot, page),
    )


_REMEDY = "lay one card flat and leave at least three corners of it free."


def warnings_of(card: CardView) -> tuple[PhotoWarning, ...]:
    """Return what makes a card's measures less sure, each with what to do."""
    found = []
    if card.lot is None:
        found.append(
            PhotoWarning(
                "card-lot-not-read", "Neither QR code of the card can be read, so its lot is not known: uncover one."
            )
        )
    if card.residual_mm > BENT_MM:
        message = f"The card is not flat, or the lens bends lines: its marks are off by {card.residual_mm:.1f} mm."
        found.append(PhotoWarning("card-not-flat", f"{message} Lay it on something flat, with the camera above it."))
    if isinstance(card.white_balance, tuple):
        return tuple(found)
    why = card.white_balance.reason
    return (*found, PhotoWarning("card-greys", f"Colour and tone are not taken from the card: {why}."))


def _one_card(found: list[Marker]) -> tuple[str, int, dict[int, Marker]] | NoCard:
    """Return the kind, page and markers (by place) of the one card in view."""
    cards: dict[tuple[str, int], dict[int, Marker]] = {}
    twice = False
    for marker in found:
        read = read_number(marker.number)
        if read is None:
            continue
        kind, page, place = read
        places = cards.setdefault((kind, page), {})
        twice = twice or place in places
        places.setdefault(place, marker)
    # One marker alone of another card may be misread; two are not.
    certain = [card for card, places in cards.items() if len(places) > 1]
    if twice or len(certain) > 1:
        return NoCard(
            PhotoWarning("card-two", "Two inspection cards are in view, and neither is used: photograph one at a time.")
        )
    if not certain:
        return NoCard()
    (card,) = certain
    return *card, cards[card]


def _marker(place: int, marker: Marker, lie: Fit) -> CardMarker:
    return CardMarker(place, as_quad(marker.corners), round(lie.residuals[place], 4), place not in lie.strays)


def scale_at(to_photo: Homography, point: tuple[float, float]) -> float:
    """Return the millimetres a pixel at a point of the card: the root of the area that one pixel covers."""
    x, y = point
    square = apply(to_photo, np.array([[x - 1, y - 1], [x + 1, y - 1], [x + 1, y + 1], [x - 1, y + 1]]))
    one, other = square[2] - square[0], square[3] - square[1]
    return float(2 / np.sqrt(abs(one[0] * other[1] - one[1] * other[0]) / 2))


def _lot(image: Rgb, to_photo: Homography, plan: Layout, page: int) -> str | None:
    """Read the lot from whichever QR code is to be seen; one of another page is not this card's."""
    lots = set()
    for place in plan.codes:
        text = _code(image, to_photo, place)
        read = read_code(text) if text else None
        if read and read[1] == page:
            lots.add(read[0])
    return lots.pop() if len(lots) == 1 else None


def _code(image: Rgb, to_photo: Homography, place: Rect) -> str:
    """Text of the QR code printed at a place; its corners are known, so that nothing need be searched for."""
    modules = CODE_MODULES + 2 * QUIET_MODULES
    flat = flattened(
        image, to_photo, place.shrunk(-place.width * QUIET_MODULES / CODE_MODULES),
        px_per_mm=_CODE_PIXELS * CODE_MODULES / place.width,
    )  # fmt: skip
    low, high = QUIET_MODULES * _CODE_PIXELS - 0.5, (modules - QUIET_MODULES) * _CODE_PIXELS - 0.5
    corners = np.array([[[low, low], [high, low], [high, high], [low, high]]], np.float32)
    try:
        text, _ = cv2.QRCodeDetector().decode(cv2.cvtColor(flat, cv2.COLOR_RGB2GRAY), corners)
    except cv2.error:  # where something covers the code its decoder may run astray
        return ""
    return str(text)


def flattened(image: Rgb, to_photo: Homography, area: Rect, *, px_per_mm: float) -> Rgb:
    """Return a part of the card as if seen straight from above.

    Parameters
    ----------
    image : ndarray of uint8, shape (height, width, 3), RGB
    to_photo : ndarray of float64, shape (3, 3)
        From card mm to photo pixels.
    area : Rect
    px_per_mm : float

    Returns
    -------
    ndarray of uint8, shape (area.height * px_per_mm, area.width * px_per_mm, 3), RGB
        What lies outside the photo is white.
    """
    size = max(1, round(area.width * px_per_mm)), max(1, round(area.height * px_per_mm))
    step = 1 / px_per_mm
    to_card = np.array([[step, 0, area.x + step / 2], [0, step, area.y + step / 2], [0, 0, 1]])
    flat = cv2.warpPerspective(
        image,
        to_photo @ to_card,
        size,
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=(255, 255, 255),
    )
    return np.asarray(flat, np.uint8)


def _cells(plan: Layout, lie: Fit, lot: str | None, page: int) -> tuple[CardCell, ...]:
    first = (page - 1) * len(plan.cells) + 1
    middles = np.array([cell.centre for cell in plan.cells])
    unsure = place_u(
        lie.to_photo, lie.corners, middles, lie.residual_mm / scale_at(lie.to_photo, plan.markers[4].centre)
    )
    return tuple(
        CardCell(
            number,
            f"{lot}-{number:02d}" if lot else None,
            as_quad(apply(lie.to_photo, np.array(cell.corners, float))),
            round(float(u), 4),
        )
        for number, (cell, u) in enumerate(zip(plan.cells, unsure, strict=True), first)
    )
