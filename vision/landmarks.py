"""Dimples, notches and ejector marks: what a mould leaves in one place on every sibling, whatever is printed there.

An outline may slide along a body by some percent, most easily where leads or a shadow stand in for an end. What is
moulded into the top does not: laid over each other, two siblings' landmarks tell how far their outlines are apart.
"""

from collections.abc import Mapping

import cv2
import numpy as np

from vision.light import FloatImage, Mask, robust_sd
from vision.observations import Lettering, Measure, PieceView
from vision.stand_ins import stand_ins
from vision.tops import LEVEL_ROWS as ROWS
from vision.tops import Top

ASIDE, DOWN = 0.25, 0.08
"""How far apart outlines may be, along and across, body units."""
RIM, ENDS = 0.12, 0.06
"""Left out along the long and the short edges, body units: there the outline itself would be found again."""
ALIKE, SINGLE = 0.3, 0.06
"""Correlation of two siblings' landmarks, and by how much it stands above any other place (common practice)."""
PRINTED = 0.3
"""What stands out like the print by this part of it is taken for a logo."""
CLIPPED = 8.0

Shift = tuple[float, float] | None


def shifts(views: Mapping[int, PieceView], tops: Mapping[int, Top], rows: int) -> dict[int, Shift]:
    """Return how far each piece's landmarks stand from the others', right and down, body units of the common size.

    Parameters
    ----------
    views : mapping of int to PieceView
        The pieces to compare.
    tops : mapping of int to Top
        The same, brought to one size.
    rows : int
        Short side of the bodies there.

    Returns
    -------
    dict of int to (float, float) or None
        None where landmarks do not show, or not alike, on this piece and at least half of those that stand for the
        others.
    """
    members = sorted(tops)
    if len(members) < 2:
        return dict.fromkeys(members)
    plain = {k: _plain(views[k], tops[k], ROWS / rows) for k in members}
    asked = stand_ins(members)
    result: dict[int, Shift] = {}
    for k in members:
        found = [_between(plain[j], plain[k]) for j in asked if j != k]
        known = [shift for shift in found if shift is not None]
        if 2 * len(known) < len(found):
            result[k] = None
        else:
            right, down = np.median(known, axis=0)
            result[k] = (float(right), float(down))
    return result


def _plain(view: PieceView, top: Top, scale: float) -> tuple[FloatImage, FloatImage]:
    """The light inside the rim, print left out, over its surroundings; and where it counts."""
    flat = top.level
    x0, y0, x1, y1 = (v * scale for v in top.body)
    bare = np.zeros(flat.shape, bool)
    bare[round(y0 + RIM * ROWS) : round(y1 - RIM * ROWS), round(x0 + ENDS * ROWS) : round(x1 - ENDS * ROWS)] = True
    for box in top.printed:
        a, b, c, d = (v * scale for v in box)
        bare[max(0, int(b) - 1) : max(0, int(d) + 2), max(0, int(a) - 1) : max(0, int(c) + 2)] = False
    bare &= ~_logos(view, flat, bare)
    weight = bare.astype(np.float32)
    total = cv2.GaussianBlur(flat * weight, (0, 0), ROWS / 6)
    rest = flat - total / np.maximum(cv2.GaussianBlur(weight, (0, 0), ROWS / 6), np.float32(1e-3))
    limit = np.float32(CLIPPED * robust_sd(rest[bare])) if bare.any() else np.float32(0)
    return np.where(bare, np.clip(rest, -limit, limit), np.float32(0)).astype(np.float32), weight


def _logos(view: PieceView, image: FloatImage, bare: Mask) -> Mask:
    """What stands out of the top in the print's own sense and a good part of its strength."""
    lines = view.lettering.lines if isinstance(view.lettering, Lettering) else ()
    contrasts = [line.contrast.value for line in lines if isinstance(line.contrast, Measure)]
    if not contrasts or not bare.any():
        return np.zeros(bare.shape, bool)
    strongest = max(contrasts, key=abs)
    level = abs(float(np.log((1 + strongest) / max(1e-3, 1 - strongest))))
    over = float(np.sign(strongest)) * (image - cv2.GaussianBlur(image, (0, 0), image.shape[0] / 5))
    strong = over > max(PRINTED * level, 2.5 * robust_sd(over[bare]))
    count, labels, stats, _ = cv2.connectedComponentsWithStats(strong.astype(np.uint8), connectivity=8)
    large = np.array([k > 0 and stats[k][4] >= 4 for k in range(count)])
    return cv2.dilate(large[labels].astype(np.uint8), np.ones((5, 5), np.uint8)) > 0


def _between(one: tuple[FloatImage, FloatImage], other: tuple[FloatImage, FloatImage]) -> Shift:
    """How far the second's landmarks stand to the right of and below the first's; None where that does not show."""
    aside, down = round(ASIDE * ROWS), round(DOWN * ROWS)
    room = cv2.copyMakeBorder(other[0], down, down, aside, aside, cv2.BORDER_CONSTANT, value=0)
    if not one[1].any() or not other[1].any() or any(r < o for r, o in zip(room.shape, one[0].shape, strict=True)):
        return None
    product = cv2.matchTemplate(room, one[0], cv2.TM_CCORR)
    energy = cv2.matchTemplate(room * room, one[1], cv2.TM_CCORR)
    scale = np.sqrt(np.maximum(energy, np.float32(1e-9)) * np.float32(max(float((one[0] ** 2).sum()), 1e-9)))
    alike = (product / scale).astype(np.float32)
    y, x = (int(v) for v in np.unravel_index(int(np.argmax(alike)), alike.shape))
    best = float(alike[y, x])
    elsewhere = alike.copy()
    elsewhere[max(0, y - 2) : y + 3, max(0, x - 3) : x + 4] = -1
    if best < ALIKE or best - float(elsewhere.max()) < SINGLE:
        return None
    return (x - aside + _top_of(alike[y, x - 1 : x + 2])) / ROWS, (y - down + _top_of(alike[y - 1 : y + 2, x])) / ROWS


def _top_of(three: FloatImage) -> float:
    """Place of the maximum between neighbours, by a parabola, -0.5 to 0.5."""
    if three.size < 3:
        return 0.0
    bend = float(three[0] - 2 * three[1] + three[2])
    return 0.0 if bend == 0 else float(np.clip(0.5 * float(three[0] - three[2]) / bend, -0.5, 0.5))
