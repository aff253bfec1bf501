"""A pinhole camera, a lamp and a sky, and what a phone makes of the light: blur, noise, tone.

Millimetres; x to the right and y downwards as the picture shows them, z up from the bench towards the camera.
Colours are linear light, red, green, blue; 1 is what a white sheet sends back in the middle of the picture.
"""

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[Any]
Vec = tuple[float, float, float]
SUPERSAMPLE = 1.5


def vec(*values: float) -> Array:
    """Return a float32 vector."""
    return np.array(values, np.float32)


def single(values: Any) -> Array:
    """Return `values` as a float32 array."""
    return np.asarray(values, np.float32)


def unit(vectors: Array) -> Array:
    """Scale vectors along the last axis to length 1."""
    return single(vectors / np.sqrt((vectors * vectors).sum(axis=-1, keepdims=True)))


def dot(a: Array, b: Array) -> Array:
    """Return the dot product along the last axis."""
    return single((a * b).sum(axis=-1, dtype=np.float32))


@dataclass(frozen=True)
class Camera:
    """Where the phone is and how wide it sees: `field` is the width in mm seen at the target."""

    size: tuple[int, int]
    position: Vec
    target: Vec
    field: float
    roll: float = 0.0

    def axes(self) -> tuple[Array, Array, Array]:
        """Return unit vectors to the right, downwards and forwards."""
        forward = unit(vec(*self.target) - vec(*self.position))
        roll = np.radians(self.roll)
        right = vec(np.cos(roll), np.sin(roll), 0)
        right = unit(right - dot(right, forward) * forward)
        down = vec(-np.sin(roll), np.cos(roll), 0)
        down = unit(down - dot(down, forward) * forward - dot(down, right) * right)
        return right, down, forward

    def distance(self) -> float:
        """Return the distance to the target in mm."""
        return float(np.linalg.norm(vec(*self.target) - vec(*self.position)))

    def focal(self) -> float:
        """Return the focal length in pixels of the final picture."""
        return self.size[0] * self.distance() / self.field

    def project(self, points: NDArray[np.floating], scale: float = 1.0) -> Array:
        """Return picture coordinates (..., 2) of points (..., 3); pixel centres lie at whole numbers.

        Parameters
        ----------
        points : ndarray, shape (..., 3)
        scale : float
            Of the canvas against the final picture.
        """
        right, down, forward = self.axes()
        ray = np.asarray(points, np.float64) - np.array(self.position)
        depth = ray @ forward
        x = self.focal() * (ray @ right) / depth + self.size[0] / 2
        y = self.focal() * (ray @ down) / depth + self.size[1] / 2
        return np.stack([x * scale - 0.5, y * scale - 0.5], axis=-1).astype(np.float32)

    def on_ground(self, pixels: NDArray[np.floating]) -> Array:
        """Return where on the bench (z = 0) rays through final-picture coordinates (..., 2) end, as (..., 3)."""
        right, down, forward = self.axes()
        x = (np.asarray(pixels, np.float64) + 0.5 - np.array(self.size) / 2) / self.focal()
        ray = x[..., :1] * right + x[..., 1:] * down + forward
        start = np.array(self.position)
        return single(start - ray * (start[2] / ray[..., 2:]))


@dataclass(frozen=True)
class Light:
    """One lamp of some size, and the light of the room from all sides above."""

    lamp: Vec
    lamp_rgb: Vec = (0.62, 0.6, 0.56)
    sky_rgb: Vec = (0.36, 0.38, 0.42)
    softness: float = 3.0
    bench_rgb: Vec = (0.2, 0.2, 0.2)
    hot: float = 2.2
    """Brightness of the lamp's reflection in metal."""

    def fall(self, points: Array) -> tuple[Array, Array]:
        """Return unit vectors to the lamp and its strength at `points`, 1 at the origin."""
        to_lamp = vec(*self.lamp) - points
        squared = dot(to_lamp, to_lamp)
        origin = float(sum(c * c for c in self.lamp))
        return to_lamp / np.sqrt(squared)[..., None], origin / squared

    def around(self, direction: Array) -> Array:
        """Return what a mirror sees in `direction` (..., 3): ceiling, window side, lamp, bench."""
        up = direction[..., 2]
        # Rooms are brighter towards the lamp's side (the window, the wall it lights) than on the other.
        side = 0.5 + 0.5 * dot(direction, unit(vec(self.lamp[0], self.lamp[1], 0.0)))
        room = np.clip(up * 2.5, 0, 1) * (0.35 + 0.5 * np.clip(up, 0, 1) + 0.35 * side)
        lobe = np.exp(-(1 - np.clip(dot(direction, unit(vec(*self.lamp))), -1, 1)) / 0.06)
        bench = np.clip(-up * 3 + 0.2, 0, 1)
        return (
            room[..., None] * vec(*self.sky_rgb) * 1.7
            + self.hot * lobe[..., None] * vec(*self.lamp_rgb)
            + bench[..., None] * vec(*self.bench_rgb)
        ).astype(np.float32)


def matt(
    points: Array,
    normals: Array,
    albedo: Array,
    light: Light,
    eye: Array,
    *,
    exponent: Array | float = 8.0,
    f0: Array | float = 0.04,
    lit: Array | float = 1.0,
    open_sky: Array | float = 1.0,
) -> Array:
    """Return the light that plastic, paper, foam or wood sends to the eye.

    Lambert's law for the body colour, a normalised Blinn-Phong lobe with Schlick's Fresnel term for the gloss, from
    the lamp (`lit` 0 to 1 for shadow) and from the sky (`open_sky` 0 to 1 for occlusion).
    """
    to_lamp, strength = light.fall(points)
    to_eye = unit(eye - points)
    facing = np.clip(dot(normals, to_lamp), 0, 1)
    half = unit(to_lamp + to_eye)
    cosine = np.clip(dot(normals, half), 0, 1)
    gleam = (f0 + (1 - f0) * (1 - np.clip(dot(to_eye, half), 0, 1)) ** 5) * (exponent + 8) / 8 * cosine**exponent
    lamp = strength * facing * lit
    sky = open_sky * (0.5 + 0.5 * normals[..., 2])
    mirror = f0 + (1 - f0) * (1 - np.clip(dot(normals, to_eye), 0, 1)) ** 5
    colour = albedo if albedo.ndim == normals.ndim else albedo[..., None]
    return single(
        lamp[..., None] * vec(*light.lamp_rgb) * (colour + gleam[..., None])
        + sky[..., None] * vec(*light.sky_rgb) * (colour + 0.6 * mirror[..., None])
    )


def metal(points: Array, normals: Array, light: Light, eye: Array, *, tint: Vec = (0.78, 0.77, 0.73)) -> Array:
    """Return the light that tinned metal reflects from the room, the lamp and the bench."""
    to_eye = unit(eye - points)
    mirrored = 2 * dot(normals, to_eye)[..., None] * normals - to_eye
    to_lamp, strength = light.fall(points)
    dull = strength * np.clip(dot(normals, to_lamp), 0, 1)
    glow = dull[..., None] * vec(*light.lamp_rgb) * 0.3 + vec(*light.sky_rgb) * 0.1
    return single((light.around(unit(mirrored)) * 0.75 + glow) * vec(*tint))


def normals_of(height: Array, res: float, right: Array, down: Array, up: Array) -> Array:
    """Return unit normals of a height field in mm at `res` pixels a mm, in the axes of its face."""
    slope_x = cv2.Sobel(height, cv2.CV_32F, 1, 0, ksize=3, scale=res / 8)
    slope_y = cv2.Sobel(height, cv2.CV_32F, 0, 1, ksize=3, scale=res / 8)
    return unit(up - slope_x[..., None] * right - slope_y[..., None] * down)


class Canvas:
    """The picture while it is painted, larger than the final one by SUPERSAMPLE."""

    def __init__(self, camera: Camera) -> None:
        self.camera = camera
        self.size = (round(camera.size[0] * SUPERSAMPLE), round(camera.size[1] * SUPERSAMPLE))
        self.pixels = np.zeros((self.size[1], self.size[0], 3), np.float32)
        self.eye = vec(*camera.position)

    def quad(self, corners: Array, texture: Array, cover: Array | None = None) -> None:
        """Paint a flat texture onto the four points (4, 3) that its corners have in space, upper left first."""
        place = self.camera.project(corners, SUPERSAMPLE)
        low = np.maximum(np.floor(place.min(axis=0)).astype(int) - 1, 0)
        high = np.minimum(np.ceil(place.max(axis=0)).astype(int) + 2, self.size)
        if (high <= low).any():
            return
        rows, columns = texture.shape[:2]
        frame = np.array([[0, 0], [columns, 0], [columns, rows], [0, rows]], np.float32) - 0.5
        turn = cv2.getPerspectiveTransform(frame, (place - low.astype(np.float32)))
        size = (int(high[0] - low[0]), int(high[1] - low[1]))
        colour = cv2.warpPerspective(texture, turn, size, flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        if cover is None:
            filled = np.zeros((size[1], size[0]), np.uint8)
            ring = np.round((place - low.astype(np.float32)) * 16).astype(np.int32)
            mask = single(cv2.fillConvexPoly(filled, ring, 255, cv2.LINE_AA, 4))[..., None] / 255
        else:
            mask = single(cv2.warpPerspective(cover, turn, size, flags=cv2.INTER_LINEAR))[..., None]
        target = self.pixels[low[1] : high[1], low[0] : high[0]]
        target += mask * (colour - target)


@dataclass(frozen=True)
class Sensor:
    """What the phone adds. `depth_blur` is in pixels of blur a mm of distance from the plane in focus."""

    exposure: float = 1.0
    white: Vec = (1.0, 1.0, 1.0)
    depth_blur: float = 0.03
    focus: tuple[float, float] = (0.0, 0.0)
    softness: float = 0.75
    noise: float = 1.0
    sharpen: float = 0.5
    vignette: float = 0.18


def _blurred(pixels: Array, radius: Array) -> Array:
    """Blur by a radius that changes over the picture: between copies blurred by fixed radii."""
    steps = [0.0, 1.0, 2.0, 3.5, 5.5]
    layers = [pixels] + [cv2.GaussianBlur(pixels, (0, 0), step) for step in steps[1:] if step < radius.max() + 2]
    out = layers[0].copy()
    for near, far, layer in zip(steps, steps[1:], layers[1:], strict=False):
        share = np.clip((radius - near) / (far - near), 0, 1)[..., None]
        out += share * (layer - out)
    return out


def expose(canvas: Canvas, sensor: Sensor, rng: np.random.Generator) -> NDArray[np.uint8]:
    """Turn painted light into the 8-bit RGB picture a phone would keep."""
    camera = canvas.camera
    width, height = camera.size
    light = cv2.resize(canvas.pixels, camera.size, interpolation=cv2.INTER_AREA)
    grid_x, grid_y = np.meshgrid(np.arange(width, dtype=np.float32), np.arange(height, dtype=np.float32))
    coarse = camera.on_ground(np.stack([grid_x[::8, ::8], grid_y[::8, ::8]], axis=-1))
    _, _, forward = camera.axes()
    depth = (coarse - vec(*camera.position)) @ forward
    focus = float((vec(sensor.focus[0], sensor.focus[1], 2.0) - vec(*camera.position)) @ forward)
    radius = cv2.resize(np.abs(depth - focus) * sensor.depth_blur, camera.size, interpolation=cv2.INTER_LINEAR)
    light = single(cv2.GaussianBlur(_blurred(light, radius), (0, 0), sensor.softness))
    off = np.hypot(grid_x / width - 0.5, (grid_y - height / 2) / width) / 0.6
    light = light * (sensor.exposure * (1 - sensor.vignette * off**2))[..., None] * vec(*sensor.white)
    # Photon noise grows with the square root of the light; the phone's own smoothing makes it slightly coarse.
    spread = np.sqrt(4.5e-4 * np.clip(light, 0, 1) + 4e-6) * sensor.noise
    grain: Array = rng.standard_normal(light.shape, np.float32)
    grain = 1.7 * single(cv2.GaussianBlur(grain, (0, 0), 0.7))
    light = light + spread * (0.65 * grain.mean(axis=2, keepdims=True) * 1.7 + 0.5 * grain)
    light = np.clip(light, 0, None)
    light = light / (1 + np.clip(light - 0.75, 0, None) * 0.8)  # a shoulder instead of hard white
    light = np.clip(light, 0, 1)
    tone = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)  # IEC 61966-2-1
    tone = tone + 0.05 * np.sin((tone - 0.5) * 2 * np.pi) * 0.6
    tone += sensor.sharpen * (tone - cv2.GaussianBlur(tone, (0, 0), 1.2))
    return np.asarray(np.clip(np.round(tone * 255), 0, 255), np.uint8)
