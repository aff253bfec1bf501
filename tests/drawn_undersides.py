"""Pieces on their backs, drawn with dimples of known place and size, lit from one side or another."""

from collections.abc import Sequence

import cv2
import numpy as np

from vision.observations import Face, Line, PieceView, Quad, Reading

Round = tuple[float, float, float]
"""Middle from the upper left and diameter, in the body's short side."""
PAIR: tuple[Round, ...] = ((0.35, 0.5, 0.3), (2.3, 0.5, 0.3))
MIDDLE: tuple[Round, ...] = ((1.33, 0.5, 0.4),)
RIM = 0.012
"""Width of a dimple's rim, in the body's short side."""


def box(left: float, top: float, width: float, height: float) -> Quad:
    """An upright rectangle."""
    return ((left, top), (left + width, top), (left + width, top + height), (left, top + height))


def underside(
    dimples: Sequence[Round] = PAIR,
    seed: int = 1,
    *,
    size: tuple[int, int] = (300, 800),
    lines: Sequence[tuple[str, Quad]] = (),
    roughness: float = 0.06,
    exposure: float = 1.0,
    photo: str = "one",
) -> PieceView:
    """A piece on its back; the seed chooses the grain and where the light is: one half of a rim is bright, one dark.

    `size` is rows and columns, `lines` are texts with their places in pixels, `roughness` is the grain's standard
    deviation relative to the ground.
    """
    rng = np.random.default_rng(seed)
    short, turn = float(min(size)), rng.uniform(0, 2 * np.pi)
    grain = cv2.GaussianBlur(rng.standard_normal(size), (0, 0), short / 200)
    y, x = np.mgrid[: size[0], : size[1]] / short
    height = np.zeros(size)
    for across, down, diameter in dimples:
        height -= 1 / (1 + np.exp((np.hypot(x - across, y - down) - diameter / 2) / RIM))
    falls, leans = np.gradient(height, 1 / short)
    shade = np.clip(1 + 2.4 * RIM * (leans * np.cos(turn) + falls * np.sin(turn)), 0.2, 4)
    light = exposure * 0.05 * (1 + roughness * grain / grain.std()) * shade * np.linspace(1, 0.6, size[1])
    light = np.clip(light + rng.standard_normal(size) * 0.002, 0, 1)
    # Coded as IEC 61966-2-1 (sRGB) has it.
    coded = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    face = Face(np.repeat(np.round(coded * 255).astype(np.uint8)[:, :, None], 3, axis=2), np.eye(3))
    read = tuple(Line(text, 0.95, place, place, (Reading("made", text, 0.95),)) for text, place in lines)
    return PieceView(box(0, 0, size[1], size[0]), 0.9, None, 0.0, read, face, photo=photo)
