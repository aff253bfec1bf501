"""What chips lie on: antistatic foam, card, kraft paper, a wooden bench. Height in mm, colour as linear albedo."""

from dataclasses import dataclass

import cv2
import numpy as np

from sample_images.camera import Array, single, vec
from sample_images.marks import Marking, mask_of


@dataclass(frozen=True)
class Ground:
    """Maps of one ground, all the same size."""

    albedo: Array
    height: Array
    exponent: float
    f0: float


def linear(red: int, green: int, blue: int) -> Array:
    """Return the linear colour of 8-bit sRGB values (IEC 61966-2-1)."""
    value = vec(red, green, blue) / 255
    return np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4).astype(np.float32)


def noise(shape: tuple[int, int], sigma_x: float, sigma_y: float, rng: np.random.Generator) -> Array:
    """Return smooth noise of mean 0 and deviation 1; wide blurs are made on a coarser grid and enlarged."""
    step_x, step_y = max(1, int(sigma_x / 2)), max(1, int(sigma_y / 2))
    small = (shape[0] // step_y + 4, shape[1] // step_x + 4)
    field: Array = rng.standard_normal(small, np.float32)
    field = cv2.GaussianBlur(field, (0, 0), sigma_x / step_x, None, sigma_y / step_y)
    if step_x > 1 or step_y > 1:
        field = cv2.resize(field, (small[1] * step_x, small[0] * step_y), interpolation=cv2.INTER_CUBIC)
        field = field[step_y:, step_x:]
    field = field[: shape[0], : shape[1]]
    return single((field - field.mean()) / (field.std() + 1e-9))


def _pores(shape: tuple[int, int], res: float, every: float, radius: float, rng: np.random.Generator) -> Array:
    """Return 1 in the middle of randomly placed pores, falling to 0 outside; `every` is mm^2 a pore."""
    count = int(shape[0] * shape[1] / res**2 / every)
    seeds = np.full(shape, 255, np.uint8)
    seeds[rng.integers(0, shape[0], count), rng.integers(0, shape[1], count)] = 0
    away = cv2.distanceTransform(seeds, cv2.DIST_L2, 3) / res
    ragged = 1 + 0.25 * noise(shape, 0.12 * res, 0.12 * res, rng)
    return single(np.exp(-((away / (radius * ragged)) ** 4)))


def _foam(shape: tuple[int, int], res: float, colour: Array, rng: np.random.Generator) -> Ground:
    fine = _pores(shape, res, 0.1, 0.085, rng)
    coarse = _pores(shape, res, 0.9, 0.17, rng)
    skin = noise(shape, 0.1 * res, 0.1 * res, rng)
    swell = noise(shape, 5 * res, 5 * res, rng)
    height = 0.012 * skin - 0.05 * fine - 0.09 * coarse + 0.12 * swell
    shade = 1 + 0.05 * skin + 0.03 * noise(shape, 3 * res, 3 * res, rng) - 0.16 * fine - 0.3 * coarse
    return Ground(np.clip(shade, 0.1, 2)[..., None] * colour, height, 18.0, 0.03)


def pink_foam(shape: tuple[int, int], res: float, rng: np.random.Generator) -> Ground:
    """Antistatic foam as sellers use it."""
    return _foam(shape, res, linear(236, 165, 182), rng)


def black_foam(shape: tuple[int, int], res: float, rng: np.random.Generator) -> Ground:
    """Conductive foam."""
    return _foam(shape, res, linear(66, 66, 70), rng)


def _print(albedo: Array, res: float, text: str, at: tuple[float, float], height: float, font: str) -> None:
    """Print one line of text in ink on card, left end and middle of the line at `at` mm."""
    mark = Marking((text,), height=height, stroke=height * 0.11, face=font)
    size = (len(text) * height * 1.1 + 4, height * 2)
    mask = mask_of(mark, size, res)
    y, x = round((at[1] - size[1] / 2) * res), round(at[0] * res)
    patch = albedo[max(y, 0) : y + mask.shape[0], x : x + mask.shape[1]]
    patch *= 1 - 0.85 * mask[: patch.shape[0], : patch.shape[1], None]


def card(shape: tuple[int, int], res: float, rng: np.random.Generator) -> Ground:
    """White card with a printed grid of 10 mm and a heading, as a workshop would print for itself."""
    fibre = noise(shape, 0.12 * res, 0.06 * res, rng)
    tone = 0.8 * (1 + 0.012 * fibre + 0.015 * noise(shape, 6 * res, 6 * res, rng))
    albedo = tone[..., None] * vec(1.0, 0.99, 0.95)
    ink = linear(120, 150, 170) / 0.8
    for axis in (0, 1):
        for place in np.arange(4, shape[axis] / res, 10):
            line = slice(round((place - 0.09) * res), round((place + 0.09) * res) + 1)
            band = albedo[line] if axis == 0 else albedo[:, line]
            band *= ink
    _print(albedo, res, "Incoming parts", (14.6, 9.0), 2.6, "DejaVuSans.ttf")
    return Ground(albedo, 0.004 * fibre, 10.0, 0.03)


def paper(shape: tuple[int, int], res: float, rng: np.random.Generator) -> Ground:
    """A plain white sheet, slightly wavy."""
    fibre = noise(shape, 0.1 * res, 0.07 * res, rng)
    tone = 0.82 * (1 + 0.012 * fibre + 0.012 * noise(shape, 8 * res, 8 * res, rng))
    wave = noise(shape, 14 * res, 14 * res, rng)
    return Ground(tone[..., None] * vec(1.0, 0.995, 0.97), 0.004 * fibre + 0.35 * wave, 8.0, 0.03)


def kraft(shape: tuple[int, int], res: float, rng: np.random.Generator) -> Ground:
    """Brown wrapping paper with flecks and fibres along x."""
    fibre = noise(shape, 0.45 * res, 0.07 * res, rng) + noise(shape, 0.16 * res, 0.13 * res, rng)
    fleck = np.clip(noise(shape, 0.22 * res, 0.05 * res, rng) - 2.4, 0, 1)
    pale = np.clip(noise(shape, 0.5 * res, 0.05 * res, rng) - 2.2, 0, 1)
    tone = 1 + 0.018 * fibre + 0.025 * noise(shape, 0.8 * res, 0.6 * res, rng) - 0.45 * fleck + 0.25 * pale
    tone = tone + 0.03 * noise(shape, 7 * res, 7 * res, rng)
    return Ground(
        tone[..., None] * linear(186, 145, 103), 0.003 * fibre + 0.2 * noise(shape, 16 * res, 16 * res, rng), 10.0, 0.03
    )


def wood(shape: tuple[int, int], res: float, rng: np.random.Generator) -> Ground:
    """A varnished bench board: rings cut lengthwise, long pores, a few scratches."""
    rows = (np.arange(shape[0], dtype=np.float32) / res)[:, None]
    bend = 2.6 * noise(shape, 45 * res, 6 * res, rng) + 0.5 * noise(shape, 18 * res, 2 * res, rng)
    ring = (rows + bend) / 6.5
    ring = ring - np.floor(ring)
    late = np.clip(ring, 0, 1) ** 3 * np.clip((1 - ring) * 9, 0, 1)
    streak = noise(shape, 12 * res, 0.12 * res, rng)
    pore = np.clip(noise(shape, 1.1 * res, 0.05 * res, rng) - 1.7, 0, 1.2)
    blend = np.clip(0.32 + 0.5 * late + 0.09 * streak, 0, 1)[..., None]
    albedo = (1 - blend) * linear(206, 160, 108) + blend * linear(140, 90, 50)
    albedo = albedo * (1 + 0.05 * noise(shape, 20 * res, 10 * res, rng) - 0.3 * pore)[..., None]
    scratch = np.clip(noise(shape, 9 * res, 0.05 * res, rng) - 3.6, 0, 1)
    height = -0.02 * pore - 0.02 * scratch + 0.003 * streak + 0.03 * noise(shape, 6 * res, 6 * res, rng)
    return Ground(np.clip(albedo, 0.01, 1), height, 45.0, 0.035)


KINDS = {"pink foam": pink_foam, "black foam": black_foam, "card": card, "paper": paper, "kraft": kraft, "wood": wood}
