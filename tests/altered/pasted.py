"""Genuine groups of real chips: one real top pasted several times as other photos of it would show it, on foam.

The folder of real photos is looked for as in `real_folder`; nothing of it is kept.
"""

import csv
import os
import re
from collections.abc import Sequence
from functools import cache
from pathlib import Path

import cv2
import numpy as np

from sample_images.grounds import noise

from .flat import Array, Base, Chip, Mark, Top
from .rendered import GROUPS, SIZE, as_kept

ROOT = Path(__file__).resolve().parents[2]
LEADS = 0.16
"""How much of the surroundings is pasted along with the leads, short sides: the shoulders of a DIP's leads."""
LENGTH = 245
"""Pixels a pasted chip is long, in the middle of what is used."""
LEAST_ROWS, LEAST_CONTRAST = 8, 25.0
"""Rows of a character, and grey levels between print and ground, that a person needs at that size."""


def real_folder() -> Path | None:
    """The folder of real photos: LOTPROOF_REAL_PHOTOS, else ../shared/photos beside the repository; None without."""
    named = os.environ.get("LOTPROOF_REAL_PHOTOS")
    folder = Path(named) if named else ROOT.parent / "shared" / "photos"
    return folder if (folder / "truth.csv").is_file() else None


def fold(text: str) -> str:
    """Letters and digits only; O and 0, I and 1 are one."""
    return re.sub(r"[^A-Z0-9]", "", text.upper()).replace("O", "0").replace("I", "1")


@cache
def cuttings(folder: Path) -> tuple[tuple[Array, Chip], ...]:
    """Real photos of one chip whose lines were all read as a person reads them, with what was found there.

    Returns
    -------
    tuple of (photo, chip)
        Long tops only: others would be squeezed when pasted among DIPs.
    """
    from tracker.knowledge.lexicon import lexicon
    from vision.inspection import PhotoSource, inspect

    found = []
    with (folder / "truth.csv").open(encoding="utf-8", newline="") as file:
        rows = [row for row in csv.DictReader(file) if (folder / _name(row)).is_file()]
    for row in rows:
        path = folder / _name(row)
        pieces = inspect([PhotoSource(str(path))], lexicon=lexicon()).photos[0].pieces
        wanted = [fold(line) for line in row["lines"].split(" / ")]
        for piece in pieces:
            lines = [line for line in piece.lines if fold(line.text) in wanted and not line.sideways]
            rows_, columns = piece.face.image.shape[:2]
            if len(lines) != len(wanted) or not 1.7 < columns / rows_ < 5:
                continue
            image = cv2.imdecode(np.fromfile(path, np.uint8), cv2.IMREAD_COLOR)[..., ::-1]
            marks = tuple(mark for line in lines for mark in _tight(image, line.text, np.array(line.outline)))
            chip = Chip(lines[0].text, np.array(piece.outline), marks)
            if _legible(image, chip):
                found.append((np.ascontiguousarray(image), chip))
            break
    return tuple(found)


def _legible(image: Array, chip: Chip) -> bool:
    """Whether a person would still read the print once the chip is pasted at its reduced size."""
    scale = LENGTH / float(np.linalg.norm(chip.outline[1] - chip.outline[0]))
    small = cv2.resize(image, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    marks = tuple(Mark(mark.text, mark.quad * scale) for mark in chip.marks)
    top = Top(small, Chip(chip.part, chip.outline * scale, marks))
    rows = min(y1 - y0 for _, y0, _, y1 in top.boxes) * LENGTH / top.columns
    return bool(rows >= LEAST_ROWS and float(np.abs(top.level()).mean()) >= LEAST_CONTRAST)


def _name(row: dict[str, str]) -> str:
    return row.get("photo") or row.get("file") or next(iter(row.values()))


def _tight(image: Array, text: str, quad: Array) -> list[Mark]:
    """The words of a line, each with a close box: characters of one height on one line, logos left out."""
    wide, high = np.linalg.norm(quad[1] - quad[0]), np.linalg.norm(quad[3] - quad[0])
    size = (max(8, round(2 * float(wide))), max(8, round(2 * float(high))))
    frame = np.array([[0, 0], [size[0], 0], [size[0], size[1]], [0, size[1]]], np.float32)
    turn = cv2.getPerspectiveTransform(quad.astype(np.float32), frame)
    grey = cv2.warpPerspective(image.astype(np.float32).mean(axis=2), turn, size)
    ink = np.abs(cv2.GaussianBlur(grey, (0, 0), 1.0) - np.median(grey))
    count, _, stats, _ = cv2.connectedComponentsWithStats((ink > 0.45 * np.percentile(ink, 97)).astype(np.uint8))
    boxes = [stats[k] for k in range(1, count) if stats[k][3] > 0.3 * size[1]]
    if len(boxes) < 2:
        return [Mark(text, quad)]
    usual, foot = np.median([b[3] for b in boxes]), np.median([b[1] + b[3] for b in boxes])
    boxes = [b for b in boxes if b[3] < 1.2 * usual and abs(b[1] + b[3] - foot) < 0.2 * usual]
    boxes.sort(key=lambda b: int(b[0]))
    words = text.split()
    gaps = sorted(range(1, len(boxes)), key=lambda i: boxes[i][0] - boxes[i - 1][0] - boxes[i - 1][2], reverse=True)
    cuts = [0, *sorted(gaps[: len(words) - 1]), len(boxes)]
    if len(cuts) != len(words) + 1:
        cuts, words = [0, len(boxes)], [text]
    marks = []
    for word, start, end in zip(words, cuts, cuts[1:], strict=False):
        part = np.array(boxes[start:end])
        x0, y0 = part[:, 0].min(), part[:, 1].min()
        x1, y1 = (part[:, 0] + part[:, 2]).max(), (part[:, 1] + part[:, 3]).max()
        box = np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]], np.float32).reshape(-1, 1, 2)
        marks.append(Mark(word, cv2.perspectiveTransform(box, np.linalg.inv(turn)).reshape(4, 2).astype(np.float64)))
    return marks


def pasted(seed: int, folder: Path) -> Base:
    """Paste four real chips 5, 4, 4 and 3 times onto foam, each time seen a little otherwise.

    Parameters
    ----------
    seed : int
    folder : Path
        Of real photos.
    """
    rng = np.random.default_rng(8000 + seed)
    sources = cuttings(folder)
    chosen = rng.permutation(len(sources))[: len(GROUPS)]
    order = [k for k, count in enumerate(GROUPS[: len(chosen)]) for _ in range(count)]
    where = rng.permutation(18)
    picture = _foam(rng)
    chips: list[Chip] = []
    length = LENGTH * float(rng.uniform(0.88, 1.12))
    for k, cell in zip(order, where, strict=False):
        image, chip = sources[int(chosen[k])]
        picture, placed = _paste(picture, image, chip, int(cell), length, rng)
        chips.append(placed)
    groups = tuple(tuple(i for i, k in enumerate(order) if k == group) for group in range(len(chosen)))
    return Base(f"pasted {seed}", "pasted real", _photographed(picture, rng), tuple(chips), groups)


def _foam(rng: np.random.Generator) -> Array:
    shape = (SIZE[1], SIZE[0])
    tone = np.array([[52, 52, 55], [150, 92, 108], [70, 66, 64]][rng.integers(3)], np.float32)
    texture = 1 + 0.07 * noise(shape, 1.2, 1.2, rng) + 0.06 * np.clip(noise(shape, 3, 3, rng) - 1.2, 0, 2)
    return np.asarray(texture[..., None] * tone, np.float32)


def _paste(
    picture: Array, image: Array, chip: Chip, cell: int, length: float, rng: np.random.Generator
) -> tuple[Array, Chip]:
    """Lay one chip with its leads into a cell: turned, slightly tilted, its light and focus its own."""
    corners = chip.outline
    across = 0.5 * (np.linalg.norm(corners[1] - corners[0]) + np.linalg.norm(corners[2] - corners[3]))
    down = 0.5 * (np.linalg.norm(corners[3] - corners[0]) + np.linalg.norm(corners[2] - corners[1]))
    scale = length / across * rng.uniform(0.97, 1.03)
    half = np.array([0.5 * across, 0.5 * down]) * scale * rng.uniform(0.985, 1.015, 2)
    square = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]], np.float64) * half
    square *= 1 + rng.normal(0, 0.006, (4, 1))
    turn = np.radians(float(rng.choice([0, 180, 0, 180, 90, 270])) + rng.normal(0, 5))
    matrix = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    centre = np.array([(cell % 3 + 0.5) / 3 * SIZE[0], (cell // 3 + 0.5) / 6 * SIZE[1]]) + rng.normal(0, 6, 2)
    target = square @ matrix.T + centre
    to_photo = cv2.getPerspectiveTransform(corners.astype(np.float32), target.astype(np.float32))
    # What is shown of the surroundings: the leads above and below, and a little of both ends.
    shown = np.array([[-1.03, -1 - 2 * LEADS], [1.03, -1 - 2 * LEADS], [1.03, 1 + 2 * LEADS], [-1.03, 1 + 2 * LEADS]])
    frame = (shown * half) @ matrix.T + centre
    soft = max(0.3, 0.45 / scale)
    source = cv2.GaussianBlur(image.astype(np.float32), (0, 0), soft) if scale < 1 else image.astype(np.float32)
    seen = cv2.warpPerspective(source, to_photo, SIZE, flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    mask = np.zeros((SIZE[1], SIZE[0]), np.uint8)
    cv2.fillConvexPoly(mask, np.round(frame * 16).astype(np.int32), 255, cv2.LINE_AA, 4)
    seen = cv2.GaussianBlur(seen, (0, 0), float(rng.uniform(0.35, 0.75))) * np.exp(rng.normal(0, 0.06))
    share = cv2.GaussianBlur(mask, (0, 0), 0.8).astype(np.float32)[..., None] / 255
    marks = tuple(Mark(m.text, _mapped(m.quad, to_photo)) for m in chip.marks)
    return picture + share * (seen - picture), Chip(chip.part, target, marks)


def _mapped(quad: Array, matrix: Array) -> Array:
    return cv2.perspectiveTransform(quad.reshape(-1, 1, 2).astype(np.float32), matrix).reshape(4, 2).astype(np.float64)


def _photographed(picture: Array, rng: np.random.Generator) -> Array:
    """Unequal light, sensor noise that grows with the root of the light, a phone's sharpening and compression."""
    rows, columns = picture.shape[:2]
    y, x = np.mgrid[-1 : 1 : rows * 1j, -1 : 1 : columns * 1j]
    turn, slope = rng.uniform(0, 2 * np.pi), rng.uniform(0.1, 0.3)
    light = 1 + slope * (x * np.cos(turn) + y * np.sin(turn)) - 0.12 * (x**2 + y**2)
    lit = np.clip(picture * light[..., None] * rng.uniform(0.8, 1.05), 0, 255)
    grain = cv2.GaussianBlur(rng.standard_normal(lit.shape).astype(np.float32), (0, 0), 0.6) * 1.6
    lit = lit + grain * np.sqrt(0.02 * lit + 0.6) * rng.uniform(0.8, 1.4)
    lit = lit + rng.uniform(0.2, 0.6) * (lit - cv2.GaussianBlur(lit, (0, 0), 1.2))
    return as_kept(np.clip(np.rint(lit), 0, 255).astype(np.uint8), int(rng.integers(82, 92)))


def outline_of(chips: Sequence[Chip]) -> list[Array]:
    """The outlines alone."""
    return [chip.outline for chip in chips]
