"""What forgers do to a top, as pure functions: photo, chip and a random generator in, altered photo out.

Strengths are those a careful person sees when comparing side by side at the photo's own resolution, and no more; each
function states its own. All of them are common practice with no source.
"""

from collections.abc import Callable
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from .flat import SCALE, Array, Chip, Top

Photo = NDArray[np.uint8]
Alteration = Callable[[Photo, Chip, np.random.Generator], Photo]

DEJAVU = ("DejaVuSans.ttf", "DejaVuSans-Bold.ttf", "DejaVuSansMono.ttf", "DejaVuSerif.ttf", "DejaVuSansMono-Bold.ttf")
HERSHEY = (cv2.FONT_HERSHEY_COMPLEX, cv2.FONT_HERSHEY_DUPLEX, cv2.FONT_HERSHEY_TRIPLEX)


def other_font(photo: Photo, chip: Chip, rng: np.random.Generator) -> Photo:
    """Erase the print and print the same text in another typeface: place, height and width as before to 2 %."""
    top = Top(photo, chip)
    face: Any = rng.choice(np.array([*DEJAVU, *map(str, HERSHEY)]))
    mask = np.zeros((top.rows, top.columns), np.float32)
    for mark, (x0, y0, x1, y1) in zip(chip.marks, top.boxes, strict=True):
        drawn = _drawn(mark.text, str(face))
        wide, high = round((x1 - x0) * rng.uniform(0.98, 1.02)), round((y1 - y0) * rng.uniform(0.98, 1.02))
        _lay(mask, cv2.resize(drawn, (max(4, wide), max(4, high)), interpolation=cv2.INTER_AREA), x0, y0)
    kept = _logo_ink(top)
    return top.put_back(top.ground + kept + _inked(top, mask, rng))


def moved(photo: Photo, chip: Chip, rng: np.random.Generator) -> Photo:
    """Move the whole marking by 4 to 8 % of the body's length, where it has room."""
    top = Top(photo, chip)
    x0, y0, x1, y1 = _extent(top)
    away = rng.uniform(0.04, 0.08) * top.length
    rim = 0.03 * top.short
    room = {(1, 0): top.columns - rim - x1, (-1, 0): x0 - rim, (0, 1): top.rows - rim - y1, (0, -1): y0 - rim}
    free = [way for way, space in room.items() if space >= away]
    way = free[rng.integers(len(free))] if free else max(room, key=lambda w: room[w])
    shift = np.array([[1, 0, way[0] * away], [0, 1, way[1] * away]], np.float32)
    return top.put_back(top.ground + _warped(top.ink, shift))


def rescaled(photo: Photo, chip: Chip, rng: np.random.Generator) -> Photo:
    """Make the whole marking 10 to 20 % larger (where it has room) or smaller, about its middle."""
    top = Top(photo, chip)
    x0, y0, x1, y1 = _extent(top)
    factor = 1 + rng.uniform(0.10, 0.20)
    if rng.random() < 0.5 or (x1 - x0) * factor > 0.96 * top.columns or (y1 - y0) * factor > 0.94 * top.rows:
        factor = 1 / factor
    cx, cy = 0.5 * (x0 + x1), 0.5 * (y0 + y1)
    return top.put_back(
        top.ground + _warped(top.ink, np.array([[factor, 0, cx - factor * cx], [0, factor, cy - factor * cy]]))
    )


def sanded(photo: Photo, chip: Chip, rng: np.random.Generator) -> Photo:
    """Sand the top and print anew: fine lines of one direction, 0.8 to 1.4 times as strong as the texture was and at
    least 1.5 grey levels, 3 to 12 % lighter, dimples shallower by 60 %."""
    top = Top(photo, chip)
    direction = rng.uniform(-90, 90)
    side = int(np.hypot(top.rows, top.columns)) + 8
    lines = rng.standard_normal((side, side)).astype(np.float32)
    lines = cv2.GaussianBlur(lines, (0, 0), 14 * SCALE, None, 0.55 * SCALE)
    turn = cv2.getRotationMatrix2D((side / 2, side / 2), -direction, 1.0)
    turn[:, 2] += (top.columns / 2 - side / 2, top.rows / 2 - side / 2)
    scratches = cv2.warpAffine(lines, turn, (top.columns, top.rows), flags=cv2.INTER_LINEAR)
    scratches *= max(1.5, rng.uniform(0.8, 1.4) * top.noise) / float(scratches.std())
    rest = _shallower(top, 0.6)
    ground = top.slow * rng.uniform(1.03, 1.12) + 0.8 * rest + scratches[..., None]
    return top.put_back(_faded(top, ground) + top.ink)


def coated(photo: Photo, chip: Chip, rng: np.random.Generator) -> Photo:
    """Paint the top and print anew: 30 to 50 % of the texture left, dimples filled by 80 %, rim softened, 4 to 12 %
    darker."""
    top = Top(photo, chip)
    rest = _shallower(top, 0.8)
    fine = rest - cv2.GaussianBlur(rest, (0, 0), 1.6 * SCALE)
    ground = top.slow * rng.uniform(0.88, 0.96) + rng.uniform(0.3, 0.5) * fine
    soft = cv2.GaussianBlur(ground, (0, 0), 0.02 * top.short)
    rim = _rim(top, 0.05)[..., None]
    return top.put_back(rim * soft + (1 - rim) * ground + top.ink)


def old_mark(photo: Photo, chip: Chip, rng: np.random.Generator) -> Photo:
    """Leave another marking faintly under the present one: 45 to 65 % of its contrast and at least 3.5 times the
    ground's noise, upright, upside down or across, some degrees off."""
    top = Top(photo, chip)
    high = float(np.median([y1 - y0 for _, y0, _, y1 in top.boxes])) * rng.uniform(0.9, 1.15)
    across = rng.random() < 0.25
    room = (top.rows if across else top.columns) * 0.88
    letters = "".join(rng.choice(list("ABCDEFHKLMNPRSTVX"), 3)) + "".join(rng.choice(list("0123456789"), 5))
    texts = [letters[1:6]] if across else [letters, letters[::-1][:6]] if high * 3 < top.rows else [letters]
    block = np.zeros((round(high * (1 + 1.5 * (len(texts) - 1))), round(room)), np.float32)
    for k, text in enumerate(texts):
        line = _drawn(text, str(rng.choice(np.array(DEJAVU[:3]))))
        wide = min(round(line.shape[1] * high / line.shape[0]), round(room))
        _lay(block, cv2.resize(line, (wide, round(high)), interpolation=cv2.INTER_AREA), 0, round(1.5 * high * k))
    block = block[:, : np.flatnonzero(block.max(axis=0) > 0.1)[-1] + 1]
    turn = float(rng.choice([90.0, -90.0]) if across else rng.choice([0.0, 0.0, 180.0])) + rng.normal(0, 2.0)
    matrix = cv2.getRotationMatrix2D((block.shape[1] / 2, block.shape[0] / 2), turn, 1.0)
    off = rng.uniform(-0.12, 0.12, 2) * (top.columns, top.rows)
    matrix[:, 2] += (top.columns / 2 + off[0] - block.shape[1] / 2, top.rows / 2 + off[1] - block.shape[0] / 2)
    mask = cv2.warpAffine(block, matrix, (top.columns, top.rows), flags=cv2.INTER_LINEAR)
    mask = cv2.GaussianBlur(mask * (1 - _rim(top, 0.06)), (0, 0), top.softness())
    level = top.level()
    least = 3.5 * top.noise / max(1e-3, float(np.abs(level).mean()))
    faint = mask[..., None] * level * max(rng.uniform(0.45, 0.65), min(1.0, least))
    ink = top.ink
    # The new print covers the old: the stronger of the two is seen.
    return top.put_back(top.ground + np.where(np.abs(ink) >= np.abs(faint), ink, faint))


def condensed(photo: Photo, chip: Chip, rng: np.random.Generator) -> Photo:
    """Make the whole marking 8 to 14 % narrower and no lower, about its middle."""
    top = Top(photo, chip)
    x0, _, x1, _ = _extent(top)
    factor, cx = 1 - rng.uniform(0.08, 0.14), 0.5 * (x0 + x1)
    return top.put_back(top.ground + _warped(top.ink, np.array([[factor, 0, cx - factor * cx], [0, 1, 0]])))


def rubbed(photo: Photo, chip: Chip, rng: np.random.Generator) -> Photo:
    """Rub the top by hand and print anew: short lines of two directions, 0.8 to 1.2 times as strong as the texture was
    and at least 1.5 grey levels, dimples shallower by half."""
    top = Top(photo, chip)
    side = int(np.hypot(top.rows, top.columns)) + 8
    total = np.zeros((top.rows, top.columns), np.float32)
    first = rng.uniform(-90, 90)
    for direction in (first, first + rng.uniform(25, 60)):
        lines = rng.standard_normal((side, side)).astype(np.float32)
        lines = cv2.GaussianBlur(lines, (0, 0), 8 * SCALE, None, 0.6 * SCALE)
        turn = cv2.getRotationMatrix2D((side / 2, side / 2), -direction, 1.0)
        turn[:, 2] += (top.columns / 2 - side / 2, top.rows / 2 - side / 2)
        total += cv2.warpAffine(lines, turn, (top.columns, top.rows), flags=cv2.INTER_LINEAR) / float(lines.std())
    total *= max(1.5, rng.uniform(0.8, 1.2) * top.noise) / float(total.std())
    ground = top.slow + 0.8 * _shallower(top, 0.5) + total[..., None]
    return top.put_back(_faded(top, ground) + top.ink)


KINDS: dict[str, Alteration] = {
    "other font": other_font,
    "moved": moved,
    "sanded": sanded,
    "old mark": old_mark,
    "rescaled": rescaled,
    "coated": coated,
    "condensed": condensed,
    "rubbed": rubbed,
}
HELD_OUT = ("condensed", "rubbed")
"""Kinds that no bound of the program was looked at with; they are reported apart."""


def _font_file(name: str) -> Path:
    """A DejaVu face inside matplotlib's wheel."""
    spec = find_spec("matplotlib")
    assert spec is not None
    assert spec.submodule_search_locations is not None
    return Path(next(iter(spec.submodule_search_locations))) / "mpl-data" / "fonts" / "ttf" / name


def _drawn(text: str, face: str) -> Array:
    """Text as coverage 0 to 1, cut close, about 80 rows high."""
    if face.endswith(".ttf"):
        font = ImageFont.truetype(str(_font_file(face)), 100)
        image = Image.new("L", (int(font.getlength(text)) + 40, 180))
        ImageDraw.Draw(image).text((20, 130), text, fill=255, font=font, anchor="ls")
        mask = np.asarray(image, np.float32) / 255
    else:
        (wide, _), _ = cv2.getTextSize(text, int(face), 3.4, 7)
        canvas = np.zeros((180, wide + 40), np.uint8)
        cv2.putText(canvas, text, (20, 130), int(face), 3.4, 255, 7, cv2.LINE_AA)
        mask = canvas.astype(np.float32) / 255
    rows, columns = np.flatnonzero(mask.max(axis=1) > 0.3), np.flatnonzero(mask.max(axis=0) > 0.3)
    return np.asarray(mask[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1])


def _lay(canvas: Array, patch: Array, x: int, y: int) -> None:
    """Lay a patch onto a canvas, in place, cut at its borders."""
    target = canvas[max(0, y) : y + patch.shape[0], max(0, x) : x + patch.shape[1]]
    part = patch[: target.shape[0], : target.shape[1]]
    np.maximum(target[: part.shape[0], : part.shape[1]], part, out=target[: part.shape[0], : part.shape[1]])


def _inked(top: Top, mask: Array, rng: np.random.Generator) -> Array:
    """Print a mask with the colour, softness and unevenness that the present print has."""
    uneven = cv2.GaussianBlur(rng.standard_normal(mask.shape).astype(np.float32), (0, 0), 1.5 * SCALE)
    uneven = 1 + 0.08 * uneven / float(uneven.std())
    soft = cv2.GaussianBlur(mask * uneven, (0, 0), top.softness())
    # Thin strokes lose height in the blur; the print's own level is what is seen after it.
    peak = float(np.percentile(soft[mask > 0.5], 85)) if (mask > 0.5).any() else 1.0
    return np.asarray(soft[..., None] / max(peak, 0.3) * top.level())


def _logo_ink(top: Top) -> Array:
    """The ink of logos alone."""
    lines = np.zeros(top.printed.shape, bool)
    for x0, y0, x1, y1 in top.boxes:
        pad = max(2, (y1 - y0) // 6)
        lines[max(0, y0 - pad) : y1 + pad, max(0, x0 - pad) : x1 + pad] = True
    return np.asarray(top.ink * ~lines[..., None])


def _extent(top: Top) -> tuple[float, float, float, float]:
    """Box of everything printed."""
    ys, xs = np.nonzero(np.abs(top.ink).mean(axis=2) > top.noise)
    if xs.size < 20:
        ys, xs = np.nonzero(top.printed)
    low, high = np.percentile(xs, (1, 99)), np.percentile(ys, (1, 99))
    return float(low[0]), float(high[0]), float(low[1]), float(high[1])


def _warped(layer: Array, matrix: Array) -> Array:
    size = (layer.shape[1], layer.shape[0])
    return cv2.warpAffine(layer, np.asarray(matrix, np.float32), size, flags=cv2.INTER_CUBIC)


def _rim(top: Top, depth: float) -> Array:
    """1 at the top's edges, falling to 0 at `depth` short sides inside."""
    y, x = np.indices((top.rows, top.columns), np.float32)
    away = np.minimum(np.minimum(x, top.columns - 1 - x), np.minimum(y, top.rows - 1 - y))
    return np.clip(1 - away / (depth * top.short), 0, 1)


def _shallower(top: Top, share: float) -> Array:
    """The ground's texture with dimples and notches weaker by `share`."""
    rest = top.ground - top.slow
    coarse = cv2.GaussianBlur(rest, (0, 0), 0.02 * top.short)
    grey = np.abs(coarse.mean(axis=2))
    deep = np.clip(grey / (3 * max(1.0, float(np.median(grey)) * 1.4826)) - 0.5, 0, 1) * (1 - _rim(top, 0.06))
    deep = cv2.GaussianBlur(deep, (0, 0), 0.02 * top.short)[..., None]
    return np.asarray(rest - share * deep * coarse)


def _faded(top: Top, ground: Array) -> Array:
    """Let an edited ground fade into the old one at the rim, so that no seam is left."""
    rim = _rim(top, 0.03)[..., None]
    return np.asarray(rim * top.ground + (1 - rim) * ground)
