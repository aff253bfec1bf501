"""One photograph: ground, shadows, chips, sensor."""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from sample_images.bodies import draw, footprint, outline_in_picture, pose_of, silhouettes
from sample_images.camera import SUPERSAMPLE, Array, Camera, Canvas, Light, Sensor, expose, matt, normals_of, vec
from sample_images.grounds import KINDS
from sample_images.marks import boxes_of
from sample_images.parts import Piece, corners
from sample_images.sheet import CardSheet, lay

MAX_BYTES = 480_000


@dataclass(frozen=True)
class Scene:
    """Everything one picture is made from. Piece numbers follow the order of `pieces`."""

    name: str
    about: str
    camera: Camera
    light: Light
    sensor: Sensor
    ground: str
    pieces: tuple[Piece, ...]
    seed: int
    sheet: CardSheet | None = None
    most_bytes: int = MAX_BYTES


@dataclass(frozen=True)
class Window:
    """The part of the bench that the picture shows, as a map of `res` pixels a mm."""

    low: Array
    shape: tuple[int, int]
    res: float

    def pixels(self, points: Array) -> Array:
        """Return map coordinates of bench points (n, 2)."""
        return ((points - self.low) * np.float32(self.res)).astype(np.float32)


def _window(camera: Camera) -> Window:
    width, height = camera.size
    frame = np.array([[0, 0], [width, 0], [width, height], [0, height]], np.float32)
    seen = camera.on_ground(frame)[:, :2]
    low, high = seen.min(axis=0) - 2, seen.max(axis=0) + 2
    res = width / camera.field * SUPERSAMPLE
    shape = (int((high[1] - low[1]) * res), int((high[0] - low[0]) * res))
    return Window(low.astype(np.float32), shape, res)


def _filled(window: Window, shapes: list[Array], step: int) -> Array:
    """Return a coarse map (1 / `step` of the window's) with the hulls of flat shapes filled."""
    mask = np.zeros((window.shape[0] // step + 1, window.shape[1] // step + 1), np.uint8)
    for shape in shapes:
        ring = cv2.convexHull(np.round(window.pixels(shape) / step * 16).astype(np.int32))
        cv2.fillConvexPoly(mask, ring, 255, cv2.LINE_AA, 4)
    return mask.astype(np.float32) / 255


def _shadows(window: Window, light: Light, pieces: tuple[Piece, ...]) -> tuple[Array, Array]:
    """Return how much lamp and how much sky reach each point of the window, 0 to 1."""
    step = max(1, int(window.res / 8))
    lamp = vec(*light.lamp)
    dark = np.zeros((window.shape[0] // step + 1, window.shape[1] // step + 1), np.float32)
    # The penumbra widens with the height of what casts it: low and high edges get their own blur.
    for piece in pieces:
        flats = []
        for shape in silhouettes(piece):
            away = lamp - shape
            flats.append((shape - away * (shape[:, 2:] / away[:, 2:]))[:, :2])
        height = pose_of(piece).top
        blur = light.softness * height / 10 * window.res / step
        dark = np.maximum(dark, cv2.GaussianBlur(_filled(window, flats, step), (0, 0), max(0.5, blur)))
    below = _filled(window, [footprint(piece)[:, :2] for piece in pieces], step)
    wide = cv2.GaussianBlur(below, (0, 0), 3.2 * window.res / step)
    near = cv2.GaussianBlur(below, (0, 0), 1.0 * window.res / step)
    closed = np.clip(0.55 * wide + 0.45 * near, 0, 0.9)
    size = (window.shape[1], window.shape[0])
    return (
        cv2.resize(1 - 0.93 * dark, size, interpolation=cv2.INTER_LINEAR),
        cv2.resize(1 - closed, size, interpolation=cv2.INTER_LINEAR),
    )


def _draw_ground(canvas: Canvas, scene: Scene, rng: np.random.Generator) -> None:
    window = _window(scene.camera)
    ground = KINDS[scene.ground](window.shape, window.res, rng)
    if scene.sheet is not None:
        ground = lay(ground, scene.sheet, window.low, window.res, rng)
    lit, open_sky = _shadows(window, scene.light, scene.pieces)
    rows, columns = window.shape
    x = window.low[0] + (np.arange(columns, dtype=np.float32) + 0.5) / window.res
    y = window.low[1] + (np.arange(rows, dtype=np.float32) + 0.5) / window.res
    texture = np.empty((rows, columns, 3), np.float32)
    normals = normals_of(ground.height, window.res, vec(1, 0, 0), vec(0, 1, 0), vec(0, 0, 1))
    for top in range(0, rows, 256):  # in bands, to keep memory small
        band = slice(top, min(top + 256, rows))
        points = np.zeros((band.stop - band.start, columns, 3), np.float32)
        points[..., 0], points[..., 1] = x, y[band, None]
        texture[band] = matt(
            points, normals[band], ground.albedo[band].astype(np.float32), scene.light, canvas.eye,
            exponent=ground.exponent, f0=ground.f0, lit=lit[band], open_sky=open_sky[band],
        )  # fmt: skip
    low, size = window.low, np.array([columns, rows], np.float32) / np.float32(window.res)
    corner = np.array([(0, 0), (1, 0), (1, 1), (0, 1)], np.float32) * size + low
    canvas.quad(np.concatenate([corner, np.zeros((4, 1), np.float32)], axis=1), texture)


def photograph(scene: Scene) -> tuple[NDArray[np.uint8], list[Array]]:
    """Render a scene.

    Returns
    -------
    picture : ndarray of uint8, shape (height, width, 3), RGB
    outlines : list of ndarray, shape (4, 2)
        The corners of each piece's flat top in pixels, clockwise from the upper left of the upright marking.
    """
    canvas = Canvas(scene.camera)
    seeds = np.random.SeedSequence(scene.seed).spawn(len(scene.pieces) + 2)
    _draw_ground(canvas, scene, np.random.default_rng(seeds[0]))
    order = sorted(range(len(scene.pieces)), key=lambda i: -float(np.linalg.norm(_place(scene, i) - canvas.eye)))
    for index in order:
        draw(canvas, scene.light, scene.pieces[index], np.random.default_rng(seeds[index + 2]))
    picture = expose(canvas, scene.sensor, np.random.default_rng(seeds[1]))
    return picture, [outline_in_picture(canvas, piece) for piece in scene.pieces]


def print_places(scene: Scene) -> list[list[Array]]:
    """Return, for each piece, where its lines and last its logo stand in the picture: corners (4, 2) in pixels."""
    found = []
    for piece in scene.pieces:
        pose, low = pose_of(piece), corners(piece.package)[0]
        boxes = boxes_of(piece.marking, (-2 * float(low[0]), -2 * float(low[1])))
        on_top = [pose.lifted((box + low).astype(np.float32), pose.top) for box in boxes]
        found.append([scene.camera.project(quad) for quad in on_top])
    return found


def _place(scene: Scene, index: int) -> Array:
    return vec(*scene.pieces[index].place, 0.0)
