"""Invented chips: their bodies' measures, what their tops look like in every point, and what was done to them."""

from dataclasses import dataclass, field, replace

import cv2
import numpy as np

from sample_images.camera import Array, single, vec
from sample_images.grounds import noise
from sample_images.marks import Marking, mask_of


@dataclass(frozen=True)
class Package:
    """Outline measures in mm; `sides` 2 or 4 rows of leads; `legs` is how they bend."""

    name: str
    length: float
    width: float
    height: float
    pins: int
    pitch: float
    legs: str
    sides: int = 2
    reach: float = 0.9
    lead: float = 0.5
    shoulder: float = 0.5
    draft: float = 0.25
    bevel: float = 0.0
    notch: float = 0.0
    ejectors: tuple[tuple[float, float, float], ...] = ()
    dimple: tuple[float, float, float] | None = None


# Within the outlines of JEDEC MS-011 (DIP-40), MS-001 (DIP-14, -16), MS-012 (SOIC), MO-047 (PLCC-44), MS-022 (QFP);
# from memory, as are the details that outlines leave to the maker.
DIP40 = Package(
    "DIP-40", 52.2, 13.8, 3.9, 40, 2.54, "dip", shoulder=1.5, notch=1.7,
    ejectors=((-17.5, 0.0, 1.9), (17.5, 0.0, 1.9)), dimple=(-24.3, 5.0, 0.75),
)  # fmt: skip
DIP28 = replace(
    DIP40, name="DIP-28", length=36.3, width=13.7, pins=28, ejectors=((-11.5, 0.0, 1.8), (11.5, 0.0, 1.8)),
    dimple=(-16.4, 5.0, 0.75),
)  # fmt: skip
DIP16 = Package(
    "DIP-16", 19.4, 6.4, 3.3, 16, 2.54, "dip", shoulder=1.5, notch=1.0, ejectors=((7.6, 0.0, 0.7),),
    draft=0.3,
)  # fmt: skip
DIP14 = replace(DIP16, name="DIP-14", length=19.1, pins=14)
SOIC16 = Package(
    "SOIC-16", 9.9, 3.9, 1.5, 16, 1.27, "gull", reach=1.05, lead=0.42, shoulder=0.42, draft=0.12,
    dimple=(-4.1, 1.15, 0.3), bevel=0.28,
)  # fmt: skip
SOIC28 = replace(
    SOIC16, name="SOIC-28", length=17.9, width=7.5, height=2.4, pins=28, reach=1.4, dimple=(-8.0, 2.7, 0.42),
    ejectors=((6.8, 0.0, 0.6),),
)  # fmt: skip
PLCC44 = Package(
    "PLCC-44", 16.6, 16.6, 3.7, 44, 1.27, "j", 4, reach=0.48, lead=0.46, shoulder=0.72, draft=0.3, bevel=1.15,
    dimple=(0.0, -6.7, 0.6), ejectors=((5.3, 5.3, 0.9), (-5.3, 5.3, 0.9)),
)  # fmt: skip
QFP44 = Package(
    "QFP-44", 10.0, 10.0, 2.0, 44, 0.8, "gull", 4, reach=1.35, lead=0.34, shoulder=0.34, draft=0.12, bevel=0.35,
    dimple=(-3.8, 3.8, 0.45),
)  # fmt: skip


@dataclass(frozen=True)
class Work:
    """What was done to a top: 0 nothing, 1 all of it.

    `sanded` takes the moulded grain and part of the dimples away and leaves fine scratches along `direction` degrees;
    `coated` lays a thin even black paint over it; `wiped` is the share of paint and new ink a solvent took off.
    """

    sanded: float = 0.0
    direction: float = 0.0
    coated: float = 0.0
    wiped: float = 0.0
    old_mark: Marking | None = None
    old_strength: float = 1.0


@dataclass(frozen=True)
class Piece:
    """One chip on the bench: where, how turned (degrees, clockwise as seen), what stands on it."""

    package: Package
    place: tuple[float, float]
    marking: Marking
    angle: float = 0.0
    tone: tuple[float, float, float] = (0.042, 0.042, 0.043)
    gloss: float = 15.0
    grain: float = 1.0
    work: Work = field(default_factory=Work)
    upside_down: bool = False
    seated: bool = True
    """Leads pushed into foam up to their shoulders; otherwise the chip stands on their tips."""
    truth: str = "genuine"
    wear: float = 0.15


@dataclass(frozen=True)
class Surface:
    """A top in every point: height (mm), colour, gloss, and 0 where there is no top."""

    height: Array
    albedo: Array
    exponent: Array
    f0: Array
    cover: Array


def outline(package: Package, inset: float) -> Array:
    """Return the body's corners (n, 2) seen from above, clockwise from the upper left, `inset` mm inside."""
    x, y = package.length / 2 - inset, package.width / 2 - inset
    if package.sides == 4 and package.bevel:
        cut = package.bevel
        ring = [(-x + cut, -y), (x, -y), (x, y), (-x, y), (-x, -y + cut)]
        if package.legs == "gull":  # the cut corner of a QFP is hardly one
            ring = [(-x, -y), (x, -y), (x, y), (-x + cut, y), (-x, y - cut)]
        return np.array(ring, np.float32)
    return np.array([(-x, -y), (x, -y), (x, y), (-x, y)], np.float32)


def corners(package: Package) -> Array:
    """Return the four corners (4, 2) of the flat top, cut corners completed."""
    x, y = package.length / 2 - package.draft, package.width / 2 - package.draft
    return np.array([(-x, -y), (x, -y), (x, y), (-x, y)], np.float32)


def _disc(grid: tuple[Array, Array], centre: tuple[float, float], radius: float, wall: float) -> Array:
    """Return 1 inside a disc and 0 outside, over a wall of some width (mm)."""
    away = np.hypot(grid[0] - centre[0], grid[1] - centre[1])
    edge = np.clip((radius - away) / wall + 0.5, 0, 1)
    return (edge * edge * (3 - 2 * edge)).astype(np.float32)


def _cover(package: Package, grid: tuple[Array, Array], res: float) -> tuple[Array, Array]:
    """Return where the top is, and every point's distance to its edge in mm."""
    low = corners(package)[0]
    ring = np.round((outline(package, package.draft) - low) * res * 16 - 8).astype(np.int32)
    mask = np.zeros(grid[0].shape, np.uint8)
    cv2.fillPoly(mask, [ring], 255, cv2.LINE_8, 4)
    if package.notch:
        mask[np.hypot(grid[0] - low[0], grid[1]) < package.notch] = 0
    padded = cv2.copyMakeBorder(mask, 1, 1, 1, 1, cv2.BORDER_CONSTANT, value=0)
    away = cv2.distanceTransform(padded, cv2.DIST_L2, 5)[1:-1, 1:-1] / res
    return mask.astype(np.float32) / 255, away.astype(np.float32)


def _scratches(shape: tuple[int, int], res: float, direction: float, rng: np.random.Generator) -> Array:
    """Return fine parallel scratches of deviation 1 along `direction`: short and long ones, some deep."""
    side = int(np.hypot(*shape)) + 8
    fine = noise((side, side), 1.6 * res, 0.03 * res, rng) + noise((side, side), 5.0 * res, 0.06 * res, rng)
    deep = np.clip(noise((side, side), 2.5 * res, 0.04 * res, rng) - 2.2, 0, 2)
    turn: Array = cv2.getRotationMatrix2D((side / 2, side / 2), -direction, 1.0)
    turn[:, 2] += (shape[1] / 2 - side / 2, shape[0] / 2 - side / 2)
    turned = cv2.warpAffine(fine - 3 * deep, turn, (shape[1], shape[0]), flags=cv2.INTER_LINEAR)
    return single(turned / turned.std())


def _reliefs(piece: Piece, grid: tuple[Array, Array], left: float) -> tuple[Array, Array]:
    """Return the depth (mm) of ejector marks and dimple, and where their smooth floors are."""
    depth = np.zeros(grid[0].shape, np.float32)
    floor = np.zeros(grid[0].shape, np.float32)
    package = piece.package
    for x, y, radius in package.ejectors:
        disc = _disc(grid, (x, y), radius, 0.1)
        rim = disc * (1 - _disc(grid, (x, y), radius - 0.12, 0.1))
        depth += (0.09 * disc + 0.03 * rim) * left
        floor = np.maximum(floor, disc)
    if package.dimple and not piece.upside_down:
        x, y, radius = package.dimple
        disc = _disc(grid, (x, y), radius, 0.22)
        depth += 0.2 * disc * max(0.0, 1.25 * left - 0.25)
        floor = np.maximum(floor, disc)
    return depth, floor


def _inked(mask: Array, res: float, grain: Array, rng: np.random.Generator) -> Array:
    """Return how thickly ink covers each point: ragged edges, thin places, pinholes on the grain's tips."""
    sway = [0.02 * res * noise(mask.shape, 0.12 * res, 0.12 * res, rng) for _ in range(2)]
    rows, columns = np.indices(mask.shape, np.float32)
    moved = cv2.remap(mask, columns + sway[0], rows + sway[1], cv2.INTER_LINEAR)
    edge = np.clip((moved + 0.1 * noise(mask.shape, 0.05 * res, 0.05 * res, rng) - 0.3) / 0.4, 0, 1)
    thick = 0.86 + 0.08 * noise(mask.shape, 0.9 * res, 0.9 * res, rng) - 0.07 * np.clip(grain - 0.8, 0, 2)
    return (edge * np.clip(thick, 0, 1)).astype(np.float32)


def _lasered(mask: Array, res: float, rng: np.random.Generator) -> Array:
    """Return how strongly a laser lightened each point: thin, dotted, uneven."""
    dots = 0.85 + 0.2 * noise(mask.shape, 0.035 * res, 0.035 * res, rng)
    drift = 1 + 0.1 * noise(mask.shape, 1.5 * res, 1.5 * res, rng)
    return np.clip(cv2.GaussianBlur(mask, (0, 0), max(0.4, 0.02 * res)) * dots * drift, 0, 1).astype(np.float32)


def _wipe(shape: tuple[int, int], grid: tuple[Array, Array], res: float, work: Work, rng: np.random.Generator) -> Array:
    """Return the share of paint and ink left after a swab went to and fro over the middle."""
    ragged = 0.8 * noise(shape, 1.6 * res, 0.5 * res, rng)
    inside = np.clip((7.5 - np.abs(grid[0] - 3.0) + ragged) / 1.5, 0, 1) * np.clip(
        (4.3 - np.abs(grid[1] + 0.3) + 0.5 * ragged) / 0.9, 0, 1
    )
    streaks = 0.75 + 0.25 * np.clip(noise(shape, 4 * res, 0.12 * res, rng), -1, 1)
    return (1 - work.wiped * inside * streaks).astype(np.float32)


def _moulded(piece: Piece, grid: tuple[Array, Array], res: float) -> Array:
    """Return raised letters in the mould of an underside (mm)."""
    mark = Marking(("CORVANE 7",), height=1.3, stroke=0.17, width=0.7)
    low = corners(piece.package)[0]
    return 0.06 * mask_of(mark, (-2 * float(low[0]), -2 * float(low[1])), res)[: grid[0].shape[0], : grid[0].shape[1]]


def top_of(piece: Piece, res: float, rng: np.random.Generator) -> Surface:
    """Work out the top (or, upside down, the bottom) of a piece at `res` pixels a mm."""
    package, work = piece.package, piece.work
    low = corners(package)[0]
    shape = (round(-2 * float(low[1]) * res), round(-2 * float(low[0]) * res))
    xs = (np.arange(shape[1], dtype=np.float32) + 0.5) / res + low[0]
    ys = (np.arange(shape[0], dtype=np.float32) + 0.5) / res + low[1]
    grid = tuple(np.meshgrid(xs, ys))
    cover, away = _cover(package, grid, res)

    grain = 0.8 * noise(shape, 0.035 * res, 0.035 * res, rng) + 0.6 * noise(shape, 0.09 * res, 0.09 * res, rng)
    kept = 1 - work.sanded
    relief, floor = _reliefs(piece, grid, 1 - 0.72 * work.sanded)
    rough = piece.grain * (1 - 0.75 * floor * (1 - 0.6 * work.sanded))
    height = 0.0021 * grain * rough * (0.15 + 0.85 * kept) + 0.012 * noise(shape, 4 * res, 4 * res, rng)
    scratch = _scratches(shape, res, work.direction, rng) if work.sanded else np.zeros(shape, np.float32)
    scratch = scratch * (1 - 0.5 * np.clip(relief * 20, 0, 1))
    paint = np.full(shape, work.coated, np.float32)
    left = _wipe(shape, grid, res, work, rng) if work.wiped else np.ones(shape, np.float32)
    paint = paint * left
    height += 0.0036 * work.sanded * scratch * (1 - 0.72 * paint)
    height += 0.0011 * paint * noise(shape, 0.06 * res, 0.06 * res, rng)
    height -= relief * (1 - 0.35 * paint)
    radius = 0.24 - 0.12 * work.sanded
    if package.sides == 2 and package.bevel:  # the long edge at pin 1 of an SOIC slopes
        height -= 0.6 * np.clip(package.bevel - (float(corners(package)[2][1]) - grid[1]), 0, None)
    height -= radius - np.sqrt(np.clip(radius**2 - np.clip(radius - away, 0, radius) ** 2, 0, None))

    tone = 1 + 0.035 * grain * kept + 0.03 * noise(shape, 5 * res, 5 * res, rng) - 0.12 * floor * kept
    tone += work.sanded * (0.28 + 0.15 * scratch + 0.07 * noise(shape, 3 * res, 1.5 * res, rng)) * (1 - paint)
    tone -= 0.2 * paint
    albedo = np.clip(tone, 0.2, 3)[..., None] * vec(*piece.tone)
    exponent = np.clip(piece.gloss + 14 * floor * kept - 3 * work.sanded * (1 - paint) + 6 * paint, 3, 60)
    f0 = np.full(shape, 0.05, np.float32) * (1 + 0.15 * floor)

    size = (-2 * float(low[0]), -2 * float(low[1]))
    if work.old_mark is not None:
        ghost = cv2.GaussianBlur(mask_of(work.old_mark, size, res), (0, 0), 0.05 * res)
        ghost = ghost * (0.75 + 0.25 * noise(shape, 0.5 * res, 0.3 * res, rng)) * work.old_strength
        albedo = albedo * (1 + 0.85 * ghost * (1 - 0.66 * paint))[..., None]
        height -= 0.0022 * ghost
    if piece.upside_down:
        height += _moulded(piece, grid, res)
    else:
        mask = mask_of(piece.marking, size, res)
        if piece.marking.kind == "ink":
            ink = _inked(mask, res, grain * kept, rng) * left[...]
            ink *= 1 - piece.wear * np.clip(noise(shape, 1.3 * res, 1.3 * res, rng), 0, 2) * 0.5
            albedo += ink[..., None] * (vec(*piece.marking.tone) - albedo)
            exponent -= 3 * ink
        else:
            burnt = _lasered(mask, res, rng)
            albedo += burnt[..., None] * (vec(*piece.marking.tone) - albedo)
            height -= 0.004 * burnt
            exponent -= 4 * burnt
    _dust(albedo, res, rng)
    return Surface(height, albedo, np.clip(exponent, 3, 60).astype(np.float32), f0, cover)


def _dust(albedo: Array, res: float, rng: np.random.Generator) -> None:
    """Lay a few grains and a fibre of dust on a surface, in place."""
    rows, columns = albedo.shape[:2]
    mask = np.zeros((rows, columns), np.uint8)
    for _ in range(rng.poisson(rows * columns / res**2 / 28)):
        at = (int(rng.integers(0, columns)) * 16, int(rng.integers(0, rows)) * 16)
        cv2.circle(mask, at, int(rng.uniform(0.015, 0.05) * res * 16), int(rng.integers(40, 150)), -1, cv2.LINE_AA, 4)
    if rng.random() < 0.35:
        turns = np.cumsum(np.cumsum(rng.normal(0, 0.05, 26))) * 0.2 + rng.uniform(0, 6.3)
        steps = np.stack([np.cos(turns), np.sin(turns)], axis=1) * 0.09 * res
        start = np.array([rng.uniform(0, columns), rng.uniform(0, rows)])
        path = start + np.cumsum(steps, axis=0)
        cv2.polylines(mask, [np.round(path * 16).astype(np.int32)], False, 70, 1, cv2.LINE_AA, 4)
    share = (mask.astype(np.float32) / 255)[..., None]
    albedo += share * (vec(0.55, 0.53, 0.5) - albedo)
