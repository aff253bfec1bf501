"""Signs the reader mistakes are found in drawn lines, and are not where none is drawn."""

import cv2
import matplotlib.font_manager
import numpy as np
import pytest
from PIL import Image, ImageDraw, ImageFont

from vision.read import signs

FONTS = [matplotlib.font_manager.findfont(name) for name in ("DejaVu Sans", "DejaVu Sans Mono")]


def line(text: str, font: str, *, angle: float = 0.0, ink: int = 150, noise: float = 4.0) -> np.ndarray:
    """A line of light print on a dark, unevenly lit ground, with its whole front before it."""
    letters = ImageFont.truetype(font, 40)
    width = int(letters.getlength(text)) + 120
    picture = Image.new("L", (width, 60), 40)
    ImageDraw.Draw(picture).text((84, 6), text, ink, font=letters)
    turn = cv2.getRotationMatrix2D((84.0, 30.0), angle, 1.0)
    grey = cv2.warpAffine(np.asarray(picture), turn, (width, 60), borderMode=cv2.BORDER_REPLICATE)
    shade = np.linspace(0.8, 1.2, width)[None, :]
    grain = np.random.default_rng(len(text)).normal(0, noise, grey.shape)
    grey = cv2.GaussianBlur(np.clip(grey * shade + grain, 0, 255).astype(np.uint8), (0, 0), 1.0)
    return np.repeat(grey[:, :, None], 3, axis=2)


@pytest.mark.parametrize("font", FONTS)
@pytest.mark.parametrize("angle", [-2.0, 0.0, 2.0])
@pytest.mark.parametrize("printed", ["7/86", "11/84", "1/91", "10/79", "3/88"])
def test_a_slash_is_told_from_a_one(printed: str, angle: float, font: str) -> None:
    mistaken = printed.replace("/", "1")
    assert signs.with_signs(mistaken, line(printed, font, angle=angle)) == printed
    assert signs.with_signs(mistaken, line(mistaken, font, angle=angle)) == mistaken


def circled(picture: np.ndarray, letter: str, ink: int) -> np.ndarray:
    """The line with a circle before it, and a letter in the circle."""
    made = Image.fromarray(picture)
    pen = ImageDraw.Draw(made)
    pen.ellipse((42, 13, 76, 47), outline=(ink,) * 3, width=3)
    pen.text((59, 30), letter, (ink,) * 3, font=ImageFont.truetype(FONTS[0], 18), anchor="mm")
    return np.asarray(made)


@pytest.mark.parametrize("ink", [90, 220])
@pytest.mark.parametrize("font", FONTS)
def test_a_circled_m_is_seen_before_the_copyright_sign(font: str, ink: int) -> None:
    """Outside truth: the notice on mask works is an M in a circle (17 U.S.C. 909 (b))."""
    plain = line("©CV87", font, ink=ink)
    assert signs.with_signs("©CV87", plain) == "©CV87"
    assert signs.with_signs("©CV87", circled(plain, "M", ink)) == "M©CV87"


def test_an_empty_ring_is_a_dimple() -> None:
    assert signs.with_signs("©CV87", circled(line("©CV87", FONTS[1]), "", 150)) == "©CV87"


def test_other_lines_are_left_alone() -> None:
    blank = np.full((60, 200, 3), 40, np.uint8)
    for text in ("CV6522AP", "8733 K2104", "7186", "1331", "©", "", "0186", "13186"):
        assert signs.with_signs(text, blank) == text
    assert not any(signs.possible(text) for text in ("CV6522AP", "8733", "13186", "1386"))
    assert all(signs.possible(text) for text in ("7186", "12186", "©CV87"))


def test_the_front_shows_what_stands_before_a_line() -> None:
    photo = np.full((300, 400, 3), 30, np.uint8)
    cv2.rectangle(photo, (110, 140), (140, 160), (200, 200, 200), -1)
    corners = np.array([[160.0, 130.0], [260.0, 130.0], [260.0, 170.0], [160.0, 170.0]])
    assert signs.front(photo, corners).shape == (40, 152, 3)
    assert signs.front(photo, corners)[:, :52].max() == 200
