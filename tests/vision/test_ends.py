"""A line's box reaches its last characters, and no farther."""

import matplotlib.font_manager
import numpy as np
import pytest
from PIL import Image, ImageDraw, ImageFont

from vision.read.ends import to_the_ends
from vision.read.flat import flattened

FONT = ImageFont.truetype(matplotlib.font_manager.findfont("DejaVu Sans Mono"), 30)
LEFT, TOP, HIGH = 150, 60, 44
TEXT = "CV74HC163N"


def top(text: str, *, tone: int = 60, logo: bool = False) -> np.ndarray:
    """A flattened dark top with a line at a known place, and a logo higher than the line in front of it."""
    grain = np.random.default_rng(3).normal(0, 3, (160, 560))
    made = Image.fromarray(np.clip(40 + grain, 0, 255).astype(np.uint8))
    pen = ImageDraw.Draw(made)
    pen.text((LEFT, TOP + HIGH / 2), text, 40 + tone, font=FONT, anchor="lm")
    if logo:
        pen.ellipse((LEFT - 80, TOP - 18, LEFT - 12, TOP + 62), outline=40 + tone, width=6)
    return flattened(np.repeat(np.asarray(made)[:, :, None], 3, axis=2), 50)


def box(first: int, last: int) -> np.ndarray:
    """The box of some of the line's characters, corners clockwise from the upper left."""
    width = FONT.getlength("0")
    x0, x1 = LEFT + first * width - 4, LEFT + last * width + 4
    return np.array([[x0, TOP], [x1, TOP], [x1, TOP + HIGH], [x0, TOP + HIGH]], float)


@pytest.mark.parametrize("tone", [30, 60, 160])
@pytest.mark.parametrize(("first", "last"), [(1, 10), (0, 9), (2, 9), (0, 10)])
def test_clipped_ends_are_found(first: int, last: int, tone: int) -> None:
    found = to_the_ends(top(TEXT, tone=tone), box(first, last))
    whole = box(0, 10)
    assert np.abs(found - whole).max() < 0.35 * HIGH
    assert found[0, 0] <= LEFT + 3
    assert found[1, 0] >= LEFT + FONT.getlength(TEXT) - 3


def test_a_logo_higher_than_the_line_is_no_part_of_it() -> None:
    assert to_the_ends(top(TEXT, logo=True), box(0, 10))[0, 0] > LEFT - 10


@pytest.mark.parametrize("ends", [(0, 10), (2, 8), (0, 6)])
def test_bare_ground_adds_less_than_a_character(ends: tuple[int, int]) -> None:
    assert np.abs(to_the_ends(top(""), box(*ends)) - box(*ends)).max() < 0.5 * HIGH


def test_a_speck_stays_as_it_is() -> None:
    bare = top("")
    speck = np.array([[10.0, 10.0], [14.0, 10.0], [14.0, 14.0], [10.0, 14.0]])
    assert np.array_equal(to_the_ends(bare, speck), speck)


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("high", range(5, 14))
def test_a_line_of_a_few_pixels_is_measured_without_a_word(high: int) -> None:
    low = np.array([[LEFT, TOP], [LEFT + 90, TOP], [LEFT + 90, TOP + high], [LEFT, TOP + high]], float)
    found = to_the_ends(top(TEXT), low)
    assert np.isfinite(found).all()
    assert found[:, 1] == pytest.approx(low[:, 1])
