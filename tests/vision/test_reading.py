"""Tops of known place are turned upright and read line by line as the truth table has them."""

import csv
from pathlib import Path

import numpy as np
import pytest
from drawn_chips import Corners, iou
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from vision import photo
from vision.faces import rectify, turned
from vision.geometry import apply
from vision.lexicon import NoLexicon
from vision.observations import Face, Line, Rgb
from vision.read.lines import draft, settled
from vision.read.second import SecondReader
from vision.read.seeds import photo_texts
from vision.read.upright import Upright, upright

SAMPLES = Path(__file__).resolve().parents[2] / "sample_images"
ROWS = list(csv.DictReader((SAMPLES / "truth.csv").open(encoding="utf-8")))
# One of each kind: square with ink, square with laser, long and upside down, small with laser on black foam.
CHOSEN = [("mixed_bench.jpg", "1"), ("mixed_bench.jpg", "3"), ("marketplace_lot.jpg", "4"), ("soic_lot.jpg", "5")]


def quad(row: dict[str, str]) -> Corners:
    return np.array([[float(row[f"x{i}"]), float(row[f"y{i}"])] for i in range(4)])


def read(face: Face, image: Rgb | None = None) -> tuple[Upright, Face, tuple[Line, ...]]:
    """Turn and read a face cut from an image, with both readers; a face by itself is its own image."""
    seen = upright(face, NoLexicon())
    up = turned(face, seen.turn)
    found = draft(face.image if image is None else image, up, seen, NoLexicon())
    return seen, up, settled(found, SecondReader().read(found.crops), NoLexicon())


@pytest.mark.parametrize("chosen", CHOSEN, ids=[f"{n.split('_')[0]}-{p}" for n, p in CHOSEN])
def test_top_is_turned_upright_and_read_line_by_line(chosen: tuple[str, str]) -> None:
    (row,) = [r for r in ROWS if (r["file"], r["piece"]) == chosen]
    image = photo.decode(*photo.load(str(SAMPLES / chosen[0]))).image
    # The truth's corners start at the upper left of the upright marking; locate knows nothing of that yet.
    seen, face, lines = read(rectify(image, np.roll(quad(row), 2, axis=0)), image)
    assert [line.text for line in lines] == row["lines"].split(" / ")
    assert seen.confidence > 0.5
    height, width = face.image.shape[:2]
    corner = apply(face.to_photo, np.array([[0.0, 0.0]]))[0]
    assert np.linalg.norm(quad(row)[0] - corner) < 0.1 * min(height, width)
    for line in lines:
        assert 0.3 < line.confidence <= 1.0
        assert not line.sideways
        assert {r.reader for r in line.readings} == {"rapidocr", "tesseract"}
        assert iou(apply(face.to_photo, np.array(line.face_outline)), line.outline) > 0.99
        assert iou(quad(row), line.outline) > 0.01  # on the top it was read from


def top_with(*prints: tuple[str, tuple[int, int], int, int], size: tuple[int, int] = (620, 240)) -> Rgb:
    """A flat top with print: (text, middle, letter size, quarter turns clockwise)."""
    picture = Image.new("RGB", size, (48, 48, 51))
    for text, at, letters, quarters in prints:
        label = Image.new("L", (int(0.75 * letters * len(text)) + 20, int(1.4 * letters)))
        middle = label.size[0] // 2, label.size[1] // 2
        ImageDraw.Draw(label).text(middle, text, 255, ImageFont.load_default(letters), anchor="mm")
        label = label.rotate(-90 * quarters, expand=True)
        corner = at[0] - label.size[0] // 2, at[1] - label.size[1] // 2
        picture.paste((212, 212, 208), corner, label)
    noise = np.random.default_rng(6).normal(0, 3, (size[1], size[0], 1))
    return (np.asarray(picture, float) + noise).clip(0, 255).astype(np.uint8)


def as_face(image: NDArray[np.uint8]) -> Face:
    return Face(image, np.eye(3))


MARKING = (("HDS62256LP-10", (310, 80), 48, 0), ("9214 N3307", (310, 165), 48, 0))


@pytest.mark.parametrize("half_turned", [False, True])
def test_lines_come_top_to_bottom_and_stand_where_they_are_printed(half_turned: bool) -> None:
    image = top_with(*MARKING)
    seen, _, lines = read(as_face(np.ascontiguousarray(image[::-1, ::-1]) if half_turned else image))
    assert seen.turn == (2 if half_turned else 0)
    assert [line.text for line in lines] == ["HDS62256LP-10", "9214 N3307"]
    for line, middle in zip(lines, ((310, 80), (310, 165)), strict=True):
        assert np.mean(line.face_outline, axis=0) == pytest.approx(middle, abs=12)


def test_words_of_one_line_are_one_line_left_to_right() -> None:
    _, _, lines = read(as_face(top_with(("8733", (170, 80), 48, 0), ("K2104", (430, 80), 48, 0), MARKING[1])))
    assert [line.text for line in lines] == ["8733 K2104", "9214 N3307"]


def test_print_across_the_top_is_read_and_said_to_be_sideways() -> None:
    prints = (("CV74HC245N", (250, 80), 48, 0), ("9214 K2", (250, 165), 48, 0), ("CV8733", (570, 120), 40, 1))
    _, _, lines = read(as_face(top_with(*prints)))
    assert [(line.text, line.sideways) for line in lines] == [
        ("CV74HC245N", False),
        ("9214 K2", False),
        ("CV8733", True),
    ]
    across = np.array(lines[2].face_outline)
    assert across.mean(axis=0) == pytest.approx((570, 120), abs=12)
    assert np.ptp(across[:, 1]) > 2 * np.ptp(across[:, 0])


@pytest.mark.parametrize("quarters", [1, 3])
def test_short_lines_across_a_long_top_are_the_marking(quarters: int) -> None:
    column = ((400, "CV28C64"), (340, "15PC"), (280, "8951"))
    prints = [(text, (x if quarters == 1 else 680 - x, 130), 38, quarters) for x, text in column]
    seen, _, lines = read(as_face(top_with(*prints, size=(700, 260))))
    assert seen.turn == 4 - quarters
    assert [(line.text, line.sideways) for line in lines] == [(text, False) for _, text in column]


def test_print_at_the_very_edge_of_a_top_is_read() -> None:
    image = top_with(("CV74LS161AN", (150, 24), 30, 0), ("ACJ5659", (110, 52), 30, 0), size=(290, 110))
    cut = np.eye(3)
    cut[1, 2] = 13.0  # the top was outlined right at the print
    face = Face(np.ascontiguousarray(image[13:]), cut)
    _, _, lines = read(face, image)
    assert [line.text for line in lines] == ["CV74LS161AN", "ACJ5659"]


def test_a_bare_top_has_no_lines_and_no_way_up() -> None:
    seen, _, lines = read(as_face(top_with()))
    assert lines == ()
    assert seen.confidence == 0.25


def test_a_small_top_does_not_stop_the_reading() -> None:
    for size in ((8, 8), (60, 9), (33, 32)):
        assert read(as_face(top_with(size=size)))[2] == ()


def test_without_a_second_reader_the_first_reads_alone() -> None:
    face = as_face(top_with(*MARKING))
    found = draft(face.image, face, upright(face, NoLexicon()), NoLexicon())
    lines = settled(found, [None] * len(found.crops), NoLexicon())
    assert [line.text for line in lines] == ["HDS62256LP-10", "9214 N3307"]
    assert {r.reader for line in lines for r in line.readings} == {"rapidocr"}


class Whims:
    """A lexicon that wishes for other texts than those printed."""

    def plausibility(self, text: str) -> float:
        return 4.0 if text in ("HDS62256LP-70", "9214 N3301") else -2.0


def test_the_lexicon_cannot_change_what_is_plainly_printed() -> None:
    face = as_face(top_with(*MARKING))
    found = draft(face.image, face, upright(face, Whims()), Whims())
    lines = settled(found, [None] * len(found.crops), Whims())
    assert [line.text for line in lines] == ["HDS62256LP-10", "9214 N3307"]


def test_print_anywhere_in_a_photo_is_pointed_at_once() -> None:
    ground = np.full((700, 900, 3), 170, np.uint8)
    ground[60:300, 40:660] = top_with(*MARKING)
    ground[330:, 600:840] = np.rot90(top_with(*MARKING))[:370]
    texts = photo_texts(ground)
    level = [t for t in texts if t[:, 1].max() < 310]
    assert sorted(t[:, 1].mean() for t in level) == pytest.approx([140, 225], abs=12)
    assert [t[:, 0].mean() for t in level] == pytest.approx([350, 350], abs=25)
    assert any(np.ptp(t[:, 1]) > 2 * np.ptp(t[:, 0]) for t in texts if t[:, 1].min() > 310)
