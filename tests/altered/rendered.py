"""Genuine groups from this project's own renderer, as a phone shows loose chips on foam: 18 a photo, poor light."""

from dataclasses import replace

import cv2
import numpy as np

from sample_images.camera import Camera, Light, Sensor
from sample_images.marks import Marking, boxes_of
from sample_images.parts import DIP14, DIP16, Package, Piece
from sample_images.photo import Scene, photograph, print_places

from .flat import Array, Base, Chip, Mark

SIZE = (1148, 2048)
GROUPS = (5, 4, 4, 3)
"""Pieces of one part each; what is left of the 18 are parts of their own."""
PARTS = (
    "CV74HC08N", "CV74HC163N", "CV4075BE", "HDS74HC4075B1", "TRV6821P", "CV74LS244N", "HDS74HC32", "CV74HC595N",
    "TRV1489AN", "HDS4066BE", "CV75188N", "TRV339N",
)  # fmt: skip


def rendered(seed: int) -> Base:
    """Render one photo of 18 genuine chips, four groups of 5, 4, 4 and 3 among them.

    Parameters
    ----------
    seed : int
        Decides everything: parts, dates, typefaces, light, places.
    """
    rng = np.random.default_rng(7000 + seed)
    names = list(rng.permutation(np.array(PARTS)))
    order = [k for k, count in enumerate(GROUPS) for _ in range(count)]
    order += list(range(len(GROUPS), len(GROUPS) + 18 - len(order)))
    marks = [_marking(str(names[k]), rng) for k in range(max(order) + 1)]
    packages = [DIP14 if rng.random() < 0.5 else DIP16 for _ in marks]
    same_date = rng.random(len(marks)) < 0.5
    field = float(rng.uniform(78, 100))
    places = [_place(i, field, rng) for i in range(18)]
    where = rng.permutation(18)
    pieces = [
        _piece(packages[k], marks[k], bool(same_date[k]), places[int(w)], rng)
        for k, w in zip(order, where, strict=True)
    ]
    scene = Scene(
        f"rendered {seed}", "", _camera(field, rng), _light(rng), _sensor(rng),
        str(rng.choice(["black foam", "pink foam", "black foam", "kraft"])), tuple(pieces), 100 + seed,
    )  # fmt: skip
    picture, outlines = photograph(scene)
    chips = tuple(
        _chip(piece, outline, boxes)
        for piece, outline, boxes in zip(pieces, outlines, print_places(scene), strict=True)
    )
    return Base(scene.name, "rendered", as_kept(picture, 88), chips, _groups(order))


def as_kept(picture: Array, quality: int) -> Array:
    """A picture as a phone keeps it."""
    _, coded = cv2.imencode(".jpg", picture[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, quality])
    return np.ascontiguousarray(cv2.imdecode(coded, cv2.IMREAD_COLOR)[..., ::-1])


def _groups(order: list[int]) -> tuple[tuple[int, ...], ...]:
    return tuple(tuple(i for i, k in enumerate(order) if k == group) for group in range(len(GROUPS)))


def _marking(name: str, rng: np.random.Generator) -> Marking:
    """One maker's habit for one part."""
    laser = rng.random() < 0.6
    tone = float(rng.uniform(0.10, 0.19)) if laser else float(rng.uniform(0.3, 0.65))
    height = float(rng.uniform(1.15, 1.5))
    return Marking(
        (name, _date(rng)), height=height, stroke=float(rng.uniform(0.11, 0.15)) * height / 1.2,
        pitch=height * float(rng.uniform(1.45, 1.65)), width=float(rng.uniform(0.52, 0.62)),
        kind="laser" if laser else "ink", tone=(tone, tone, 0.97 * tone),
        logo=str(rng.choice(["corvane", "halden"])) if rng.random() < 0.7 else None,
        place=(float(rng.uniform(-1.0, 0.6)), float(rng.uniform(-0.15, 0.15))),
    )  # fmt: skip


def _date(rng: np.random.Generator) -> str:
    return f"{rng.integers(78, 99)}{rng.integers(1, 53):02d} {rng.choice(list('ABKL'))}{rng.integers(1, 9)}"


def _piece(
    package: Package, mark: Marking, same_date: bool, place: tuple[float, float, float], rng: np.random.Generator
) -> Piece:
    """One of a group: its own slip of the press, wear and date."""
    lines = mark.lines if same_date else (mark.lines[0], _date(rng))
    slip = rng.normal(0, 0.12, 2)
    shade = float(rng.normal(1, 0.04))
    dated = replace(mark, lines=lines)
    # A press sets all lines from one left edge, however long this piece's date is.
    start = _left(mark, package) - _left(dated, package)
    mark = replace(
        dated, place=(mark.place[0] + start + float(slip[0]), mark.place[1] + 0.6 * float(slip[1])),
        angle=float(rng.normal(0, 0.3)), tone=tuple(float(t * np.exp(rng.normal(0, 0.06))) for t in mark.tone[:1]) * 3,
    )  # fmt: skip
    return Piece(
        package, place[:2], mark, place[2], (0.040 * shade, 0.040 * shade, 0.041 * shade),
        gloss=float(rng.uniform(14, 19)), wear=float(rng.uniform(0.05, 0.3)), seated=False,
    )  # fmt: skip


def _left(mark: Marking, package: Package) -> float:
    """Where the first line begins on the face, mm."""
    return float(boxes_of(mark, (package.length - 2 * package.draft, package.width - 2 * package.draft))[0][0, 0])


def _place(index: int, field: float, rng: np.random.Generator) -> tuple[float, float, float]:
    """A cell of a loose grid of 3 by 6: x, y and angle."""
    column, row = index % 3, index // 3
    turn = float(rng.choice([0.0, 180.0, 0.0, 180.0, 90.0, 270.0]))
    x = (column - 1) * field * 0.325 + rng.normal(0, 0.5)
    y = (row - 2.5) * field * 1.78 / 6.3 + rng.normal(0, 0.5)
    return float(x), float(y), turn + float(rng.normal(0, 5.0))


def _camera(field: float, rng: np.random.Generator) -> Camera:
    x, y = (float(v) for v in rng.uniform(-35, 35, 2))
    return Camera(
        SIZE, (x, y + 15, field * float(rng.uniform(2.7, 3.2))), (0, 0, 2), field, roll=float(rng.normal(0, 1))
    )


def _light(rng: np.random.Generator) -> Light:
    """A lamp from some side, near enough to light the photo unequally."""
    angle, away = rng.uniform(0, 2 * np.pi), rng.uniform(110, 190)
    return Light(
        (float(away * np.cos(angle)), float(away * np.sin(angle)), float(rng.uniform(110, 190))),
        lamp_rgb=(0.72, 0.65, 0.54), sky_rgb=(0.22, 0.24, 0.27), bench_rgb=(0.1, 0.09, 0.09),
    )  # fmt: skip


def _sensor(rng: np.random.Generator) -> Sensor:
    return Sensor(
        exposure=float(rng.uniform(0.65, 1.0)), noise=float(rng.uniform(0.9, 1.5)), depth_blur=0.03,
        softness=float(rng.uniform(0.7, 1.0)), sharpen=float(rng.uniform(0.3, 0.8)),
    )  # fmt: skip


def _chip(piece: Piece, outline: Array, boxes: list[Array]) -> Chip:
    texts = piece.marking.lines
    marks = tuple(Mark(text, boxes[k].astype(np.float64)) for k, text in enumerate(texts))
    return Chip(texts[0], outline.astype(np.float64), marks, tuple(boxes[len(texts) :]))
