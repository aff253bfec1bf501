"""Packages are found where they lie, as many as there are, and nothing else is taken for one."""

import csv
from functools import cache
from itertools import combinations
from pathlib import Path

import cv2
import numpy as np
import pytest
from drawn_chips import Chip, Corners, drawn, iou
from shapely import Point, Polygon

from vision import photo
from vision.faces import rectify, resized
from vision.locate import Outline, locate
from vision.observations import Rgb
from vision.package import package_of
from vision.read.seeds import photo_texts

SAMPLES = Path(__file__).resolve().parents[2] / "sample_images"
ROWS = list(csv.DictReader((SAMPLES / "truth.csv").open(encoding="utf-8")))


def truth(name: str) -> list[Corners]:
    return [np.array([[float(r[f"x{i}"]), float(r[f"y{i}"])] for i in range(4)]) for r in ROWS if r["file"] == name]


@cache
def seen(name: str) -> tuple[Rgb, list[Corners], list[Outline]]:
    """A sample picture, where print was seen in it, and the packages found."""
    image = photo.decode(*photo.load(str(SAMPLES / name))).image
    texts = photo_texts(image)
    return image, texts, locate(image, texts)


@pytest.mark.parametrize(
    ("name", "mean"),
    # Ink and laser, long and square bodies, on wood and paper. A small body's slanting rim is a good part of its
    # top, and outlines may lie on either edge of it.
    [("mixed_bench.jpg", 0.8), ("swab_before.jpg", 0.9)],
)
def test_every_package_of_a_sample_picture_is_found_once(name: str, mean: float) -> None:
    _, _, outlines = seen(name)
    expected = truth(name)
    overlaps = np.array([[iou(e, o.corners) for o in outlines] for e in expected])
    assert overlaps.shape == (len(expected), len(expected))
    assert overlaps.max(axis=1).min() > 0.6
    assert overlaps.max(axis=1).mean() > mean
    assert sorted(overlaps.argmax(axis=1)) == list(range(len(expected)))


def test_outlines_come_best_first_apart_and_with_the_print_on_them() -> None:
    _, texts, outlines = seen("mixed_bench.jpg")
    scores = [o.score for o in outlines]
    assert scores == sorted(scores, reverse=True)
    assert 0.5 < scores[-1] <= scores[0] <= 1.0
    for one, other in combinations(outlines, 2):
        shared = Polygon(one.corners).intersection(Polygon(other.corners)).area
        assert shared < Polygon(one.corners).area / 3
    for outline in outlines:
        inside = {i for i, t in enumerate(texts) if Polygon(outline.corners).buffer(2).contains(Point(t.mean(axis=0)))}
        assert len(outline.texts) >= 2
        assert set(outline.texts) <= inside


def test_print_is_seen_on_every_package_at_any_angle() -> None:
    _, texts, _ = seen("mixed_bench.jpg")
    for top in truth("mixed_bench.jpg"):
        assert sum(Polygon(top).contains(Point(t.mean(axis=0))) for t in texts) >= 2


@pytest.mark.parametrize("turn", [0, 17, 45, 73, 90])
def test_outline_is_exact_at_any_angle(turn: float) -> None:
    chip = Chip(turn=turn)
    (outline,) = locate(drawn(chip), chip.rows())
    assert iou(outline.corners, chip.corners()) > 0.95
    assert outline.texts == (0, 1)
    # Clockwise as seen: with y downwards that is counter-clockwise to Shapely.
    assert Polygon(outline.corners).exterior.is_ccw


GROUNDS = {"paper": (225, 225, 222), "board": (35, 60, 40), "black foam": (28, 28, 28), "mid grey": (110, 110, 112)}


@pytest.mark.parametrize("ground", GROUNDS.values(), ids=GROUNDS)
def test_outline_is_found_on_any_ground(ground: tuple[int, int, int]) -> None:
    chip = Chip(turn=8)
    (outline,) = locate(drawn(chip, ground=ground), chip.rows())
    assert iou(outline.corners, chip.corners()) > 0.9


@pytest.mark.parametrize("body", [(200, 190), (300, 200), (560, 100)], ids=["square", "broad", "long"])
def test_outline_is_found_whatever_the_proportions(body: tuple[float, float]) -> None:
    chip = Chip(body=body, turn=-5)
    (outline,) = locate(drawn(chip), chip.rows())
    assert iou(outline.corners, chip.corners()) > 0.9


def test_leads_alone_tell_a_package_whose_print_is_gone() -> None:
    chip = Chip(bars=None)
    (outline,) = locate(drawn(chip))
    assert iou(outline.corners, chip.corners()) > 0.9


def test_several_chips_are_several_outlines() -> None:
    chips = [Chip(at=(240, 120)), Chip(at=(660, 300), turn=90), Chip(at=(260, 480), turn=12)]
    outlines = locate(drawn(*chips), [row for chip in chips for row in chip.rows()])
    assert len(outlines) == 3
    for index, chip in enumerate(chips):
        (best,) = [o for o in outlines if iou(o.corners, chip.corners()) > 0.9]
        assert best.texts == (2 * index, 2 * index + 1)


def test_outline_keeps_its_place_when_the_picture_is_scaled() -> None:
    chip = Chip(turn=21)
    picture = drawn(chip)
    for scale in (0.5, 2.5):  # 2.5: larger than the working size
        (outline,) = locate(resized(picture, scale), [row * scale for row in chip.rows()])
        assert iou(outline.corners / scale, chip.corners()) > 0.93


NO_CHIPS = {
    "ground alone": (),
    "a dark slab without print or leads": (Chip(bars=None, leads=False),),
    "a white label": (Chip(top=(235, 235, 230), bars=(30, 30, 30), leads=False),),
    "print on the ground itself": (Chip(top=(150, 120, 85), leads=False),),
}


@pytest.mark.parametrize("things", NO_CHIPS.values(), ids=NO_CHIPS)
def test_what_is_no_package_is_not_found(things: tuple[Chip, ...]) -> None:
    assert locate(drawn(*things), [row for thing in things for row in thing.rows()]) == []


@pytest.mark.parametrize(
    "picture",
    [
        np.zeros((32, 32, 3), np.uint8),
        np.full((40, 1100, 3), 255, np.uint8),
        np.random.default_rng(4).integers(0, 256, (200, 150, 3), np.uint8),
    ],
    ids=["tiny", "strip", "noise"],
)
def test_odd_pictures_hold_no_package(picture: Rgb) -> None:
    assert locate(picture, photo_texts(picture)) == []


def test_lines_of_print_beyond_the_frame_or_without_size_do_no_harm() -> None:
    chip = Chip()
    odd = [np.full((4, 2), 60.0), chip.rows()[0] - 2000, chip.rows()[0] + [0, 5000]]
    (outline,) = locate(drawn(chip), [*chip.rows(), *odd])
    assert outline.texts == (0, 1)


def test_package_is_named_with_the_leads_that_show() -> None:
    """Seven leads a side, two and a half pitches between the rows: a 14-lead DIP (JEDEC MS-001); bare, a guess only."""
    chip, bare = Chip(turn=3), Chip(leads=False)
    name, confidence = package_of(drawn(chip), chip.corners())
    assert name == "DIP-14"
    assert confidence > 0.5
    assert package_of(drawn(bare), bare.corners())[1] <= 0.35


def test_rectified_outline_shows_the_top_and_no_ground() -> None:
    chip = Chip(turn=30)
    (outline,) = locate(drawn(chip), chip.rows())
    face = cv2.cvtColor(rectify(drawn(chip), outline.corners, margin=0.0).image, cv2.COLOR_RGB2GRAY)
    assert float((np.abs(face.astype(int) - 46) < 15).mean()) > 0.8
    assert float(np.median(face[[3, -4]])) == pytest.approx(46, abs=8)
