"""Labels in view: the QR codes of a photo, and which chip each label lies beside.

A label that lies as near to one chip as to another names neither: a wrong name is worse than none.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
import zxingcpp

from vision.geometry import Corners, apply, quad_sides
from vision.observations import PhotoWarning, PieceView, Rgb

OF_A_PIECE = re.compile(r"[A-Z]+\d+-\d+", re.IGNORECASE)
"""What a code must read to name a chip; codes of cards, bags and delivery notes name none."""
_QR = zxingcpp.BarcodeFormats(zxingcpp.BarcodeFormat.QRCode)
REACH = 3.0
"""Farthest a label may lie from its chip, in sides of its code: some 27 mm of the usual label (common practice, no
source)."""
FARTHER, FARTHER_BY = 1.5, 0.4
"""How much farther the next chip must be: this many times, and by this many sides of the code (common practice, no
source)."""
PAPER = ((-0.3, -0.3), (2.9, -0.3), (2.9, 1.3), (-0.3, 1.3))
"""Corners of a label in sides of its code, from the code's upper left: the code, its margin, and at least as much text
to its right as the shortest label has."""


@dataclass(frozen=True, slots=True, eq=False)
class Label:
    """One QR code in a photo.

    Parameters
    ----------
    text : str
    corners : ndarray of float64, shape (4, 2)
        Of the code without its margin, clockwise from its own upper left, in photo pixels.
    """

    text: str
    corners: Corners

    @property
    def side(self) -> float:
        """The code's side in pixels."""
        return max(1.0, sum(quad_sides(self.corners)) / 2)

    @property
    def paper(self) -> Corners:
        """The corners of the label it stands on, in photo pixels."""
        unit = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], np.float32)
        to_photo = cv2.getPerspectiveTransform(unit, self.corners.astype(np.float32))
        return apply(np.asarray(to_photo, float), np.array(PAPER))

    def gap(self, outline: Corners) -> float:
        """Return how far a chip is from the label, in sides of the code; 0 where one lies on the other."""
        return _gap(self.paper, outline) / self.side


def read(image: Rgb) -> tuple[Label, ...]:
    """Return the QR codes in view, from the upper left downwards.

    Parameters
    ----------
    image : ndarray of uint8, shape (height, width, 3), RGB
    """
    grey = cv2.cvtColor(image, cv2.COLOR_RGB2GRAY)
    found = []
    for one in zxingcpp.read_barcodes(grey, formats=_QR):
        at = one.position
        corners = [(p.x, p.y) for p in (at.top_left, at.top_right, at.bottom_right, at.bottom_left)]
        if one.text:
            found.append(Label(one.text, np.array(corners, float)))
    return tuple(sorted(found, key=lambda label: (label.corners[:, 1].min(), label.corners[:, 0].min())))


def covers(labels: Sequence[Label], outline: Corners) -> bool:
    """Tell whether what was taken for a chip is a code: it lies on one, and is hardly larger."""
    middle = outline.mean(axis=0)
    inside = [one for one in labels if cv2.pointPolygonTest(one.corners.astype(np.float32), _point(middle), False) >= 0]
    return any(max(quad_sides(outline)) < 1.5 * one.side for one in inside)


def given(
    pieces: Sequence[PieceView], labels: Sequence[Label]
) -> tuple[tuple[PieceView, ...], tuple[PhotoWarning, ...]]:
    """Give each label of a piece to the one chip that it lies beside, and say of which labels that is not clear.

    Parameters
    ----------
    pieces : sequence of PieceView
    labels : sequence of Label
    """
    named, warnings = list(pieces), []
    claims: dict[int, list[tuple[float, Label]]] = {}
    for one in (label for label in labels if OF_A_PIECE.fullmatch(label.text.strip())):
        gaps = sorted((one.gap(np.array(piece.outline)), index) for index, piece in enumerate(pieces))
        if not gaps or gaps[0][0] > REACH:
            continue
        if len(gaps) > 1 and not _clearly(gaps[0][0], gaps[1][0]):
            warnings.append(_unclear(f"The label {one.text} lies between two chips"))
            continue
        claims.setdefault(gaps[0][1], []).append((gaps[0][0], one))
    for index, rivals in sorted(claims.items()):
        rivals.sort(key=lambda claim: claim[0])
        first, others = rivals[0], [rival for rival in rivals if rival[1].text != rivals[0][1].text]
        if others and not _clearly(first[0], others[0][0]):
            both = " and ".join(sorted({rival[1].text for rival in rivals}))
            warnings.append(_unclear(f"The labels {both} lie beside one chip"))
            continue
        named[index] = replace(named[index], label=first[1].text)
    return tuple(named), tuple(warnings)


def _clearly(near: float, far: float) -> bool:
    return far >= FARTHER * near and far >= near + FARTHER_BY


def _unclear(what: str) -> PhotoWarning:
    return PhotoWarning("label-unclear", f"{what}, so it names none: lay each label closer to its own chip.")


def _gap(one: Corners, other: Corners) -> float:
    """Return the distance in pixels between two convex quadrilaterals; 0 where they overlap."""
    near = max(_depth(one, other), _depth(other, one))
    overlap, _ = cv2.intersectConvexConvex(one.astype(np.float32), other.astype(np.float32))
    return 0.0 if overlap > 0 else max(0.0, -near)


def _depth(inside: Corners, points: Corners) -> float:
    """Return how deep the deepest corner of one lies in the other; below 0 it is the distance outside it."""
    ring = inside.astype(np.float32)
    return max(float(cv2.pointPolygonTest(ring, _point(point), True)) for point in points)


def _point(point: Corners) -> tuple[float, float]:
    return float(point[0]), float(point[1])
