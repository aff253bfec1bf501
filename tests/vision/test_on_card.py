"""Chips on the card: what a cell says, what is print, how large a top is."""

import csv
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pytest
from card_shots import Shot

from vision import photo
from vision.card_layout import Rect
from vision.faces import rectify
from vision.geometry import as_quad, clockwise
from vision.observations import CardView, NotMeasured, PhotoWarning, PieceView, TopSize
from vision.on_card import labelled, look, placed
from vision.top_edges import find_edges

SAMPLES = Path(__file__).resolve().parents[2] / "sample_images"
SHOT = Shot(tilt=12.0, px_per_mm=8.0, uneven=0.3)
BODY = (52.2, 13.8)


def piece(image: np.ndarray, corners: np.ndarray, label: str | None = None) -> PieceView:
    """A chip as it is found: an outline and its flat picture."""
    quad = clockwise(corners)
    return PieceView(as_quad(quad), 0.9, None, 0.0, (), rectify(image, quad), label=label)


def chip_at(shot: Shot, x: float, y: float, *, height: float = 0.0, body: tuple[float, float] = BODY) -> np.ndarray:
    """Photo corners of a body's top whose middle stands `height` mm above a place on the card."""
    long, wide = body
    solid = np.array([[-long, -wide], [long, -wide], [long, wide], [-long, wide]]) / 2 + [x, y]
    return shot.project(np.hstack([solid, np.full((4, 1), height)]))


def laid(shot: Shot, *tops: np.ndarray, tone: int = 45) -> np.ndarray:
    """A photo with plain dark tops drawn where they stand."""
    picture = shot.take().copy()
    for top in tops:
        cv2.fillConvexPoly(picture, np.round(top * 16).astype(np.int32), (tone, tone, tone), cv2.LINE_AA, 4)
    return cv2.GaussianBlur(picture, (0, 0), 0.7)


@dataclass(frozen=True)
class Told:
    card: CardView | None
    pieces: tuple[PieceView, ...]
    warnings: tuple[PhotoWarning, ...]


def told(image: np.ndarray, pieces: list[PieceView]) -> Told:
    """What a photo's inspection asks of the card, in its order."""
    sheet = look(image)
    chips = [p for p in pieces if not sheet.is_print(image, np.array(p.outline))]
    if sheet.card is not None:
        chips = [placed(p, sheet.card, image, (0, 0)) for p in chips]
    named, doubts = labelled(chips, sheet.card)
    return Told(sheet.card, named, sheet.warnings + doubts)


@cache
def scene() -> tuple[np.ndarray, tuple[np.ndarray, ...]]:
    cells = SHOT.plan.cells
    tops = tuple(chip_at(SHOT, *cells[k].centre, height=7.0) for k in (0, 3, 10))
    return laid(SHOT, *tops), tops


def seen(*extra: np.ndarray, label: str | None = None) -> Told:
    picture, tops = scene()
    return told(picture, [piece(picture, top, label) for top in (*tops, *extra)])


def test_chips_get_the_labels_of_their_cells() -> None:
    outcome = seen()
    assert [p.label for p in outcome.pieces] == ["L0002-01", "L0002-04", "L0002-11"]
    assert [p.cell for p in outcome.pieces] == [1, 4, 11]
    assert outcome.warnings == ()


def test_a_label_beside_a_chip_gives_way_to_the_cell_and_this_is_said() -> None:
    outcome = seen(label="L0002-09")
    assert [p.label for p in outcome.pieces] == ["L0002-01", "L0002-04", "L0002-11"]
    assert [w.code for w in outcome.warnings] == ["card-label"] * 3
    assert seen(label="L0002/1").warnings == ()  # the card's own code stands near many chips


def test_print_never_becomes_a_chip() -> None:
    plan = SHOT.plan
    wedge = Rect(plan.patches[0].area.x - 3, plan.patches[0].area.y - 2, 62, 14)
    around = plan.markers[4].shrunk(-4.0)
    digits = Rect(plan.scale.x + 20, plan.scale.y - 1, 50, 9)
    places = [*plan.marks, plan.title, plan.notes, plan.scale, plan.cells[1], wedge, around, digits]
    prints = [SHOT.project(np.array(place.corners)) for place in places]
    assert [p.cell for p in seen(*prints).pieces] == [1, 4, 11]


def test_pale_print_that_reaches_into_a_cell_goes_and_a_dark_chip_there_stays() -> None:
    cell = SHOT.plan.cells[-1]
    leaning = chip_at(SHOT, cell.centre[0], cell.y + cell.height - 2, body=(50, 16))
    picture = scene()[0]
    assert told(picture, [piece(picture, leaning)]).pieces == ()
    dark = laid(SHOT, leaning)
    assert [p.cell for p in told(dark, [piece(dark, leaning)]).pieces] == [12]


def test_a_chip_beside_the_cells_keeps_its_own_label() -> None:
    beside = chip_at(SHOT, -14.0, 60.0, body=(20, 6))
    picture = laid(SHOT, beside)
    (only,) = told(picture, [piece(picture, beside, "L0002-07")]).pieces
    assert (only.cell, only.label) == (None, "L0002-07")
    assert only.face.mm_per_px is not None


def test_sizes_are_those_of_the_projection_on_the_card() -> None:
    """A top 7 mm high measures larger on the card by c / (c - 7), c being the camera's height: similar triangles."""
    outcome = seen()
    for one in outcome.pieces:
        assert isinstance(one.size, TopSize)
        larger = SHOT.height_mm() / (SHOT.height_mm() - 7.0)
        assert one.size.length.value == pytest.approx(BODY[0] * larger, abs=0.25)
        assert one.size.width.value == pytest.approx(BODY[1] * larger, abs=0.25)
        assert 0.05 < one.size.length.u < 0.4


def test_the_short_side_s_scale_is_set() -> None:
    outcome = seen()
    assert outcome.card is not None
    for one in outcome.pieces:
        short = min(one.face.image.shape[:2]) / 1.04  # a face has 2 % of air on either side
        assert one.face.mm_per_px is not None
        assert one.face.mm_per_px * short == pytest.approx(
            BODY[1] * SHOT.height_mm() / (SHOT.height_mm() - 7), rel=0.02
        )


def test_the_outline_becomes_that_of_the_edges_from_the_same_corner_on() -> None:
    picture, tops = scene()
    card = look(picture).card
    assert card is not None
    for turn in range(4):
        loose = np.roll(clockwise(tops[0]), turn, axis=0)
        found = replace(
            piece(picture, loose), outline=as_quad((loose - loose.mean(axis=0)) * 1.06 + loose.mean(axis=0))
        )
        assert np.array(placed(found, card, picture, (0, 0)).outline) == pytest.approx(loose, abs=1.5)


def test_a_part_of_the_photo_around_a_chip_is_enough() -> None:
    picture, tops = scene()
    whole, card = piece(picture, tops[1]), look(picture).card
    assert card is not None
    low = tops[1].min(axis=0).astype(int) - 80
    high = tops[1].max(axis=0).astype(int) + 80
    part = picture[low[1] : high[1], low[0] : high[0]]
    here = placed(whole, card, part, (int(low[0]), int(low[1])))
    there = placed(whole, card, picture, (0, 0))
    assert isinstance(here.size, TopSize)
    assert isinstance(there.size, TopSize)
    assert here.size.length.value == pytest.approx(there.size.length.value, abs=0.05)
    assert (here.cell, here.face.mm_per_px) == (there.cell, there.face.mm_per_px)


def test_an_outline_that_was_cut_short_is_measured_whole() -> None:
    picture, tops = scene()
    top = clockwise(tops[0])
    cut = top.copy()
    cut[[1, 2]] += 0.12 * (top[[0, 3]] - top[[1, 2]])
    wide = (top - top.mean(axis=0)) * [1.02, 1.18] + top.mean(axis=0)
    for outline in (top, cut, wide):
        edges = find_edges(picture, outline)
        assert edges is not None
        assert edges.corners == pytest.approx(top, abs=1.5)


def test_a_top_without_edges_is_not_measured() -> None:
    picture = scene()[0]
    cell = SHOT.plan.cells[5]
    nothing = chip_at(SHOT, *cell.centre)
    assert find_edges(picture, clockwise(nothing)) is None
    (blank,) = told(picture, [piece(picture, nothing)]).pieces
    assert isinstance(blank.size, NotMeasured)


def test_without_a_card_pieces_stay_as_they_were() -> None:
    picture = np.full((400, 600, 3), 200, np.uint8)
    one = piece(picture, np.array([[50, 50], [300, 50], [300, 120], [50, 120]], float), "L0001-02")
    outcome = told(picture, [one])
    assert (outcome.card, outcome.pieces, outcome.warnings) == (None, (one,), ())
    assert isinstance(one.size, NotMeasured)


@pytest.fixture(scope="module")
def sample() -> tuple[np.ndarray, list[dict[str, str]]]:
    rows = list(csv.DictReader((SAMPLES / "truth.csv").open(encoding="utf-8")))
    opened = photo.decode(*photo.load(str(SAMPLES / "card_lot.jpg")))
    return opened.image, [row for row in rows if row["file"] == "card_lot.jpg"]


def test_the_rendered_lot_lies_in_its_cells_and_measures_what_it_was_made(sample) -> None:
    """As rendered: bodies of 52.2 mm, the fourth of 56.0 mm, with tops 0.25 mm smaller on every side and 7.2 mm above
    the card, and the camera 236 mm above it."""
    image, rows = sample
    outlines = [np.array([[float(r[f"x{i}"]), float(r[f"y{i}"])] for i in range(4)]) for r in rows]
    outcome = told(image, [replace(piece(image, outline), label=None) for outline in outlines])
    assert [p.label for p in outcome.pieces] == [f"L0003-{n:02d}" for n in (1, 2, 3, 4, 5, 7)]
    assert outcome.card is not None
    assert outcome.card.residual_mm < 0.05
    assert abs(outcome.card.camera_height.value - 236) < 2 * outcome.card.camera_height.u
    for one, row in zip(outcome.pieces, rows, strict=True):
        assert isinstance(one.size, TopSize)
        body = 56.0 if "56.0" in row["truth"] else 52.2
        for side, true in ((one.size.length, body - 0.5), (one.size.width, 13.3)):
            larger = true * 236 / (236 - 7.2)
            assert abs(side.value - larger) < 3 * side.u
