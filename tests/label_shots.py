"""Photos of chips with printed labels beside them, rendered with a known camera; everything is invented."""

from __future__ import annotations

import io
from collections.abc import Sequence

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image

from sample_images import photo as photos
from sample_images.camera import Camera, Light, Sensor
from sample_images.grounds import KINDS, Ground
from sample_images.marks import Marking
from sample_images.parts import DIP40, Piece
from sample_images.photo import Scene, photograph
from tracker.dossier.labels import HEIGHT_MM, WIDTH_MM, LabelText, render

Array = NDArray[np.float64]
PORT = Marking(("CV6522AP", "8733 K2104"), logo="corvane", height=1.75, stroke=0.2, pitch=2.75)
LIGHT = Light((-150, -120, 210), lamp_rgb=(0.86, 0.8, 0.7), sky_rgb=(0.27, 0.29, 0.33), bench_rgb=(0.3, 0.2, 0.2))
Laid = tuple[str, tuple[float, float], float]
"""What a label reads, where its middle lies in mm, and its turn in degrees."""


def _with_labels(ground: Ground, low: Array, res: float, labels: Sequence[Laid]) -> Ground:
    """Paste printed labels flat on a ground, as paper and ink."""
    albedo, height = ground.albedo.copy(), ground.height.copy()
    for text, (x, y), turn in labels:
        png = Image.open(io.BytesIO(render(LabelText(text, ("CV6522AP  2031-04-02", "Quayside Surplus")))))
        grey = np.asarray(png.convert("L"), np.float32) / 255
        along, down = WIDTH_MM / grey.shape[1] * res, HEIGHT_MM / grey.shape[0] * res
        c, s = np.cos(np.radians(turn)), np.sin(np.radians(turn))
        half = np.array([c * WIDTH_MM - s * HEIGHT_MM, s * WIDTH_MM + c * HEIGHT_MM]) / 2
        at = (np.array([x, y]) - low - half) * res
        matrix = np.array([[c * along, -s * down, at[0]], [s * along, c * down, at[1]]], np.float32)
        size = (albedo.shape[1], albedo.shape[0])
        paper = 0.03 + 0.8 * cv2.warpAffine(grey, matrix, size, flags=cv2.INTER_AREA)
        on = cv2.warpAffine(np.ones_like(grey), matrix, size) > 0.5
        albedo[on] = paper[on][:, None] * np.array([1.0, 0.995, 0.97], np.float32)
        height[on] = 0.0
    return Ground(albedo, height, ground.exponent, ground.f0)


def shot(
    chips: Sequence[tuple[float, float, float]],
    labels: Sequence[Laid],
    monkeypatch: pytest.MonkeyPatch,
    *,
    size: tuple[int, int] = (1600, 1200),
    from_above: tuple[float, float, float] = (10, 95, 250),
    ground: str = "pink foam",
    blur: float = 0.0,
    quality: int = 88,
    seed: int = 20,
) -> bytes:
    """Return a photo, 131 mm across, of DIP-40 at places (x, y, turn) in mm and degrees, with labels beside them."""
    camera = Camera(size, from_above, (0, 0, 2), 131, roll=1)
    low = photos._window(camera).low
    plain = KINDS[ground]
    monkeypatch.setitem(
        KINDS, "labelled", lambda shape, res, rng: _with_labels(plain(shape, res, rng), low, res, labels)
    )
    rng = np.random.default_rng(seed)
    pieces = [
        Piece(DIP40, (x, y), PORT, turn, (0.04,) * 3, gloss=16, wear=float(rng.uniform(0, 0.2))) for x, y, turn in chips
    ]
    sensor = Sensor(exposure=1.0, focus=(0, 2), depth_blur=0.025)
    picture, _ = photograph(Scene("labels", "", camera, LIGHT, sensor, "labelled", tuple(pieces), seed))
    picture = cv2.GaussianBlur(picture, (0, 0), blur) if blur else picture
    out = io.BytesIO()
    Image.fromarray(picture).save(out, "JPEG", quality=quality)
    return out.getvalue()


def bagged(data: bytes, seed: int) -> bytes:
    """Return a photo as through a plastic bag: paler, with creases that shine."""
    picture = np.asarray(Image.open(io.BytesIO(data)), np.float32)
    rng = np.random.default_rng(seed)
    shine = np.zeros(picture.shape[:2], np.float32)
    for _ in range(16):
        start, angle = rng.uniform(0, 1, 2) * shine.shape[::-1], rng.uniform(0, np.pi)
        end = start + rng.uniform(80, 320) * np.array([np.cos(angle), np.sin(angle)])
        cv2.line(shine, start.astype(int).tolist(), end.astype(int).tolist(), float(rng.uniform(0.3, 0.9)), 4)
    veil = 12 + 150 * cv2.GaussianBlur(shine, (0, 0), 2.5)[..., None]
    out = io.BytesIO()
    Image.fromarray(np.clip(0.93 * picture + veil, 0, 255).astype(np.uint8)).save(out, "JPEG", quality=88)
    return out.getvalue()


FOUR = [("L0007-01", (-30.0, -18.0), 4.0), ("L0007-02", (30.0, -18.0), -9.0),
        ("L0007-03", (-30.0, 26.0), 175.0), ("L0007-04", (30.0, 26.0), 2.0)]  # fmt: skip
PLACES = [(-30.0, -33.0, 1.0), (30.0, -33.0, -2.0), (-30.0, 11.0, 0.0), (30.0, 11.0, 181.0)]
