"""Comparison plates: tops cut out flat and upright at one scale, so that an eye can lay one beside another.

Nothing here measures. A plate shows where a difference was measured, and how the same place looks elsewhere.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot

import cv2
import numpy as np
from PIL import Image, ImageDraw

from vision import photo as photos
from vision.geometry import Box, Corners, apply, axis_box, quad_sides
from vision.light import Mask
from vision.observations import Homography, Quad, Rgb
from vision.overlay import PAPER, PENCIL, font

LENGTH = 900
"""Pixels a body is long on a plate: 84 mm wide on paper at 270 dpi (common practice, no source)."""
FINER = 2
"""How much finer a top is kept, for its parts to be shown enlarged."""
AIR = 0.08
"""Shown around a top, of its short side: its own edges belong to the comparison."""
_FLAT = 1 / 12
"""Sigma, of the short side, of what counts as light and not as texture: wider than a character's stroke."""
_BUSY, _RIM = 97.5, 0.2
"""Percentile of the texture that reaches black or white, and how much of the short side is left aside along the edges,
where light falls off (common practice, no source)."""
_LINE, _HALO = 3, 3


@dataclass(frozen=True, slots=True, eq=False)
class Top:
    """One top, upright and flat.

    Parameters
    ----------
    image : ndarray of uint8, shape (height, width, 3), RGB
        Its body is FINER times LENGTH pixels long, with AIR around it.
    from_photo : ndarray of float64, shape (3, 3)
        Homography from photo pixels to its own.
    short : float
        The body's short side in its pixels.
    native : float
        The body's length in pixels of the photo: how much of what is shown the camera saw.
    """

    image: Rgb
    from_photo: Homography
    short: float
    native: float

    def box(self, quads: Sequence[Quad]) -> Box:
        """Return (x0, y0, x1, y1) around outlines of the photo, in this picture's pixels."""
        points = np.vstack([apply(self.from_photo, np.array(quad)) for quad in quads])
        return axis_box(points)


def top(photo: photos.Picture, outline: Quad, *, length: float = FINER * LENGTH) -> Top:
    """Return a top upright and flat, at the scale of all plates or at another.

    Parameters
    ----------
    photo : Picture
    outline : Quad
        In pixels of the photo itself, clockwise from the upper left of the upright marking; the upright top may be
        higher than wide.
    length : float
        Pixels its body is long.
    """
    corners = np.array(outline, float)
    across, down = quad_sides(corners)
    native = max(across, down, 1.0)
    scale = length / native
    wide, high = max(8.0, across * scale), max(8.0, down * scale)
    pad = AIR * min(wide, high)
    size = max(1, round(wide + 2 * pad)), max(1, round(high + 2 * pad))
    to_photo = cv2.getPerspectiveTransform(_box(pad, wide, high), corners.astype(np.float32))
    to_image = np.diag([1 / photo.step, 1 / photo.step, 1.0]) @ to_photo
    # Where the photo has more pixels than that, several are averaged: plain sampling would invent texture.
    finer = max(1, min(4 * max(1, round(FINER * LENGTH / length)), round(1 / scale / photo.step)))
    sampled = cv2.warpPerspective(
        photo.image,
        to_image @ np.diag([1 / finer, 1 / finer, 1.0]),
        (size[0] * finer, size[1] * finer),
        flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )
    flat = cv2.resize(sampled, size, interpolation=cv2.INTER_AREA) if finer > 1 else sampled
    return Top(np.asarray(flat, np.uint8), np.linalg.inv(np.asarray(to_photo, float)), min(wide, high), native)


def within(outline: Quad, longest: float) -> tuple[float, tuple[int, int]]:
    """Return how long a body is to be for its picture's longer side to be `longest`, and the picture's size then.

    Returns
    -------
    float
        For `length` of `top`.
    tuple of int
        Width and height.
    """
    across, down = _sides(outline)
    pad = 2 * AIR * min(across, down)
    scale = longest / (max(across, down) + pad)
    size = max(1, round((across + pad) * scale)), max(1, round((down + pad) * scale))
    return max(across, down) * scale, size


def body_length(outline: Quad) -> float:
    """Return how many pixels of its photo a body is long."""
    return max(_sides(outline))


def _sides(outline: Quad) -> tuple[float, float]:
    # As `quad_sides`, without arrays: a page asks for some hundreds.
    (ax, ay), (bx, by), (cx, cy), (dx, dy) = outline
    across = (hypot(bx - ax, by - ay) + hypot(cx - dx, cy - dy)) / 2
    down = (hypot(dx - ax, dy - ay) + hypot(cx - bx, cy - by)) / 2
    return max(across, 1e-6), max(down, 1e-6)


def whole(shown: Top) -> Rgb:
    """Return a top as it goes on a plate, its body LENGTH pixels long."""
    return np.asarray(_plain(shown).image)


def _plain(shown: Top) -> Top:
    """Return a top at the plate's own scale."""
    height, width = shown.image.shape[:2]
    size = round(width / FINER), round(height / FINER)
    smaller = np.diag([1 / FINER, 1 / FINER, 1.0])
    image = np.asarray(cv2.resize(shown.image, size, interpolation=cv2.INTER_AREA), np.uint8)
    return Top(image, smaller @ shown.from_photo, shown.short / FINER, shown.native)


def _box(pad: float, wide: float, high: float) -> Corners:
    corners = [[pad, pad], [pad + wide, pad], [pad + wide, pad + high], [pad, pad + high]]
    return np.array(corners, np.float32)


def window(shown: Top, box: Box, *, width: int = LENGTH) -> Rgb:
    """Return a part of a top enlarged.

    Parameters
    ----------
    shown : Top
    box : Box
        In its pixels: the same box of several tops shows the same place of the body at the same scale.
    width : int
        Pixels of the picture returned.
    """
    x0, y0, x1, y1 = box
    scale = width / max(x1 - x0, 1.0)
    matrix = np.array([[scale, 0, -x0 * scale], [0, scale, -y0 * scale]])
    size = (width, max(1, round((y1 - y0) * scale)))
    seen = cv2.warpAffine(shown.image, matrix, size, flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(seen, np.uint8)


def texture(tops: Sequence[Top], print_at: Sequence[Sequence[Quad]]) -> list[Rgb]:
    """Return the tops in grey with the light evened out and the texture raised, by one and the same factor.

    Parameters
    ----------
    tops : sequence of Top
    print_at : sequence of sequence of Quad
        Lines of print of each, in pixels of its photo; they do not set the factor.
    """
    tops = [_plain(one) for one in tops]
    fine = [_texture(one) for one in tops]
    bare = [values[_away_from(one, quads)] for one, quads, values in zip(tops, print_at, fine, strict=True)]
    loudest = max((float(np.percentile(np.abs(values), _BUSY)) for values in bare if len(values)), default=1.0)
    gain = 110.0 / max(loudest, 1.0)
    return [np.repeat(np.clip(128 + gain * values, 0, 255).astype(np.uint8)[..., None], 3, axis=2) for values in fine]


def _texture(one: Top) -> np.ndarray:
    grey = cv2.cvtColor(one.image, cv2.COLOR_RGB2GRAY).astype(np.float32)
    return np.asarray(grey - cv2.GaussianBlur(grey, (0, 0), max(1.0, _FLAT * one.short)))


def _away_from(one: Top, quads: Sequence[Quad]) -> Mask:
    height, width = one.image.shape[:2]
    mask = np.zeros((height, width), bool)
    air = round((AIR + _RIM) * one.short)
    mask[air : height - air, air : width - air] = True
    for quad in quads:
        x0, y0, x1, y1 = one.box([quad])
        mask[max(0, int(y0) - 4) : int(y1) + 5, max(0, int(x0) - 4) : int(x1) + 5] = False
    return mask


def numbered(shown: Top, places: Sequence[tuple[int, Quad]]) -> Rgb:
    """Return a top with outlines of its photo drawn in and numbered, dark in a pale halo: it must print in black.

    Parameters
    ----------
    shown : Top
    places : sequence of (int, Quad)
        The number and where; places that coincide share one frame.
    """
    shown = _plain(shown)
    picture = Image.fromarray(shown.image)
    pencil = ImageDraw.Draw(picture)
    written: dict[Quad, list[int]] = {}
    for number, quad in places:
        written.setdefault(quad, []).append(number)
    letters = font(max(18, round(shown.short / 9)), bold=True)
    for quad in written:
        corners = [(float(x), float(y)) for x, y in apply(shown.from_photo, np.array(quad))]
        pencil.line([*corners, corners[0]], fill=PAPER, width=_LINE + 2 * _HALO, joint="curve")
        pencil.line([*corners, corners[0]], fill=PENCIL, width=_LINE, joint="curve")
    for quad, numbers in written.items():
        _tag(pencil, picture.size, shown.box([quad]), ", ".join(map(str, numbers)), letters)
    return np.asarray(picture, np.uint8)


def _tag(pencil: ImageDraw.ImageDraw, size: tuple[int, int], box: Box, text: str, letters: object) -> None:
    """Write a number on a plate of paper, to the left of its frame where there is room, else above its corner."""
    x0, y0, _, _ = box
    left, upper, right, lower = pencil.textbbox((0, 0), text, font=letters)  # type: ignore[arg-type]
    wide, high = right - left + 12, lower - upper + 12
    x = x0 - wide - 4 if x0 - wide - 4 >= 0 else min(max(0.0, x0), size[0] - wide)
    y = min(max(0.0, y0), size[1] - high)
    pencil.rectangle([x, y, x + wide, y + high], fill=PAPER, outline=PENCIL, width=2)
    pencil.text((x + 6 - left, y + 6 - upper), text, fill=PENCIL, font=letters)  # type: ignore[arg-type]
