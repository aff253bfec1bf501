"""Tops of one group brought to a common size with what is around them, ready to be laid over each other."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.body import Body, find_body
from vision.faces import air
from vision.light import FloatImage, linear_luminance, robust_sd
from vision.observations import Lettering, Measure, PieceView
from vision.seat import Profile, profile

TALLEST, SMALLEST = 160, 64
"""Rows a body is brought to; the group's own size in between. A character is then 15 to 40 rows high."""
SOFT = 0.8
"""Gaussian sigma, rows, laid over every picture: below the eye of any phone at this size, above its noise."""
DARKEST, BRIGHTEST = 0.4, 2.5
"""What lies around a top counts no darker and no brighter than this against it, or it would light the ground."""
SPILT, ROUNDS = 1.1, 3
"""Print counts no brighter or darker than this against the light around it, and in so many rounds the light under it is
that of the ground to a part of the texture (common practice, no source)."""
LEADS = 0.19, 0.0
"""Where leads are looked for, body units outside the face (common practice, no source)."""
RIM = 0.09
CLOSE = 0.25
"""Ground above and below characters that still belongs to their line, heights (common practice, no source)."""
LEVEL_ROWS = 36
"""Rows a body has where only its landmarks are asked for; a dimple is then some four pixels across."""
BESIDE = 0.03
"""What is this close to a line box may be its print, body units."""


Box = tuple[float, float, float, float]


@dataclass(frozen=True, slots=True, eq=False)
class Top:
    """A body, and what is around it, brought to the group's common size.

    Parameters
    ----------
    image : ndarray of float32, shape (rows, columns)
        Luminance over its surroundings' mean, minus one, softened by SOFT.
    boxes : tuple of (x0, y0, x1, y1)
        The piece's lines there, closely.
    printed : tuple of (x0, y0, x1, y1)
        The reader's boxes of them.
    body : (x0, y0, x1, y1)
        The body's edges there, as they show.
    face : (x0, y0, x1, y1)
        The face's edges there, which the outline gave.
    level : ndarray of float32
        Logarithm of the luminance itself, as large as a body of LEVEL_ROWS rows makes it.
    noise : float
        Robust deviation of `image` beside the print.
    combs : (ndarray, ndarray) or None
        Profiles of the leads above and below, where the surroundings were kept.
    """

    image: FloatImage
    boxes: tuple[Box, ...]
    printed: tuple[Box, ...]
    body: tuple[float, float, float, float]
    face: tuple[float, float, float, float]
    level: FloatImage
    noise: float
    combs: tuple[Profile, Profile] | None


def body_of(view: PieceView, luminance: FloatImage, coarse: Body) -> Body:
    """Return the top's edges, none of them within its print.

    A small step may be the rim, or the print's own edge where that stands near the rim.

    Parameters
    ----------
    view : PieceView
    luminance : ndarray of float32, shape (height, width)
        Of its face.
    coarse : Body
        Its edges by large steps alone.
    """
    fine = find_body(luminance, small_steps=True)
    lines = [np.asarray(line.face_outline) for line in view.lines]
    if not lines:
        return fine
    (left, upper), (right, lower) = np.concatenate(lines).min(axis=0), np.concatenate(lines).max(axis=0)
    slack = BESIDE * fine.short
    inside = (
        fine.x0 <= left + slack, fine.y0 <= upper + slack, fine.x1 >= right - slack, fine.y1 >= lower - slack,
    )  # fmt: skip
    if all(inside):
        return fine
    x0, y0, x1, y1 = (
        one if fits else other
        for one, other, fits in zip(
            (fine.x0, fine.y0, fine.x1, fine.y1), (coarse.x0, coarse.y0, coarse.x1, coarse.y1), inside, strict=True
        )
    )
    return Body(x0, y0, x1, y1, coarse.seen, max(fine.u, coarse.u))


def common_size(bodies: Sequence[Body]) -> tuple[int, int]:
    """Return the common short side and length, pixels."""
    rows = int(np.clip(np.median([body.short for body in bodies]), SMALLEST, TALLEST))
    return rows, round(rows * float(np.median([(b.x1 - b.x0) / (b.y1 - b.y0) for b in bodies])))


def laid_out(view: PieceView, body: Body, coarse: Body, size: tuple[int, int]) -> Top:
    """Bring one body to the common size, by its length: ends that are off matter less to it than sides to its width.

    Parameters
    ----------
    view : PieceView
    body : Body
        Its edges in face pixels, from `body_of`.
    coarse : Body
        Those that its lettering was measured by.
    size : (int, int)
        From `common_size`.
    """
    rows, columns = size
    pad = air(view.face)
    bare_face = cv2.copyMakeBorder(view.face.image, pad, pad, pad, pad, cv2.BORDER_REPLICATE).astype(np.uint8)
    luminance = linear_luminance(bare_face if view.around is None else view.around)
    down = (body.x1 - body.x0) / columns
    canvas = (round(luminance.shape[1] / down), round(luminance.shape[0] / down))
    if down > 1.5:
        luminance = cv2.GaussianBlur(luminance, (0, 0), 0.4 * down).astype(np.float32)
    image = cv2.resize(luminance, canvas, interpolation=cv2.INTER_LINEAR if down > 1.5 else cv2.INTER_CUBIC)
    scale = np.array([canvas[0] / luminance.shape[1], canvas[1] / luminance.shape[0]])
    edges = (np.array([[body.x0, body.y0], [body.x1, body.y1]]) + pad) * scale
    (x0, y0), (x1, y1) = edges
    combs = None
    if view.around is not None:
        begin, end = pad * scale[1], canvas[1] - pad * scale[1]
        far, near = (round(share * rows) for share in LEADS)
        above = image[max(0, round(begin) - far) : max(1, round(begin) - near)]
        below = image[round(end) + near : round(end) + far]
        combs = profile(above, rows), profile(below, rows)
    share = LEVEL_ROWS / rows
    small = round(image.shape[1] * share), round(image.shape[0] * share)
    level = cv2.resize(np.log(np.maximum(image, np.float32(1e-3))), small, interpolation=cv2.INTER_AREA)
    known = [np.asarray(line.face_outline) for line in view.lines]
    printed = (np.concatenate(known) + pad) * scale if known else edges
    # An outline may cut through the print, and what is printed is bright.
    image = _within_reason(image, edges, np.concatenate([edges, printed]))
    light = _light(image, rows / 9)
    relative = cv2.GaussianBlur((image / light - 1).astype(np.float32), (0, 0), SOFT).astype(np.float32)
    boxes: list[Box] = []
    printed_boxes: list[Box] = []
    close = _close_boxes(view, coarse, pad)
    bare = np.zeros(relative.shape, bool)
    rim = round(RIM * rows)
    bare[round(y0) + rim : round(y1) - rim, round(x0) + rim : round(x1) - rim] = True
    for number, line in enumerate(view.lines):
        points = (np.asarray(line.face_outline) + pad) * scale
        (a, b), (c, d) = points.min(axis=0), points.max(axis=0)
        upper, lower = (v * scale[1] for v in close[number]) if number in close else (b, d)
        printed_boxes.append((float(a), float(b), float(c), float(d)))
        boxes.append((float(a), float(max(b, upper)), float(c), float(min(d, lower))))
        bare[max(0, int(b) - 3) : max(0, int(d) + 4), max(0, int(a) - 3) : max(0, int(c) + 4)] = False
    noise = robust_sd(relative[bare]) if bare.sum() > 200 else 0.05
    first, last = pad * scale, np.array(canvas) - pad * scale
    return Top(
        relative, tuple(boxes), tuple(printed_boxes), (float(x0), float(y0), float(x1), float(y1)),
        (float(first[0]), float(first[1]), float(last[0]), float(last[1])), level.astype(np.float32), noise, combs,
    )  # fmt: skip


def _light(image: FloatImage, sigma: float) -> FloatImage:
    """The light on the ground, without what print adds to it: or the ground beside print would seem dark."""
    light = cv2.GaussianBlur(image, (0, 0), sigma)
    for _ in range(ROUNDS):
        light = cv2.GaussianBlur(np.clip(image, light / SPILT, light * SPILT), (0, 0), sigma)
    return np.asarray(light, np.float32)


def _close_boxes(view: PieceView, body: Body, pad: int) -> dict[int, tuple[float, float]]:
    """First and last row of the measured lines, pixels of the surroundings: a reader's box may hold more."""
    if not isinstance(view.lettering, Lettering):
        return {}
    found = {}
    for entry in view.lettering.lines:
        base, height, angle = entry.baseline, entry.character_height, entry.baseline_angle
        if not (isinstance(base, Measure) and isinstance(height, Measure)):
            continue
        x = np.asarray(view.lines[entry.line].face_outline)[:, 0]
        leaning = abs(np.tan(np.radians(angle.value))) if isinstance(angle, Measure) else 0.0
        air = CLOSE * height.value * body.short + 0.5 * float(np.ptp(x)) * leaning
        foot = body.y0 + base.value * body.short + pad
        found[entry.line] = (foot - height.value * body.short - air, foot + air)
    return found


def _within_reason(image: NDArray[Any], body: NDArray[np.float64], kept: NDArray[np.float64]) -> FloatImage:
    """Let nothing outside the body and its print be much darker or brighter than the body is."""
    (x0, y0), (x1, y1) = body.astype(int)
    usual = np.float32(max(1e-4, float(np.median(image[y0:y1:2, x0:x1:2]))))
    calm = np.clip(image, np.float32(DARKEST) * usual, np.float32(BRIGHTEST) * usual)
    (x0, y0), (x1, y1) = np.maximum(kept.min(axis=0), 0).astype(int), np.maximum(kept.max(axis=0), 0).astype(int)
    calm[y0:y1, x0:x1] = np.maximum(image[y0:y1, x0:x1], np.float32(1e-5))
    return np.asarray(calm, np.float32)
