"""The card's geometry: nothing overlaps, quiet zones and margins are kept, numbers name one page and place."""

from itertools import combinations

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from shapely import box

from tracker.dossier.card import PAPERS
from vision import card_layout
from vision.card_layout import (
    KINDS,
    MARKER_MODULES,
    MOST_PAGES,
    PLACES,
    Rect,
    code_text,
    layout,
    marker_number,
    read_code,
    read_number,
)
from vision.card_markers import pattern

kinds = pytest.mark.parametrize("kind", KINDS)


def shape(rect: Rect) -> object:
    return box(rect.x, rect.y, rect.x + rect.width, rect.y + rect.height)


@kinds
def test_nothing_printed_overlaps_and_cells_are_free(kind: str) -> None:
    plan = layout(kind)
    things = [*plan.marks, *plan.legends, plan.scale, plan.title, plan.notes]
    for one, other in combinations(map(shape, [*things, *plan.cells]), 2):
        assert one.intersection(other).area == pytest.approx(0, abs=1e-9)


@kinds
def test_markers_have_a_quiet_zone_of_a_module(kind: str) -> None:
    plan = layout(kind)
    for marker in plan.markers:
        quiet = shape(marker.shrunk(-marker.width / MARKER_MODULES))
        for other in (*plan.marks, *plan.cells, *plan.legends, plan.scale, plan.title, plan.notes):
            if other is not marker:
                assert quiet.intersection(shape(other)).area == pytest.approx(0, abs=1e-9)


@kinds
def test_codes_have_the_quiet_zone_of_the_standard(kind: str) -> None:
    """Four modules on every side (ISO/IEC 18004); the smallest code has 21 modules."""
    plan = layout(kind)
    for code in plan.codes:
        quiet = shape(code.shrunk(-code.width * 4 / 21 + 1e-6))
        for other in (*plan.marks, *plan.cells, plan.title, plan.notes):
            if other is not code:
                assert quiet.intersection(shape(other)).area == pytest.approx(0, abs=1e-6)


@kinds
@pytest.mark.parametrize("paper", sorted(PAPERS))
def test_every_paper_leaves_a_margin_of_ten_millimetres(kind: str, paper: str) -> None:
    plan, (width, height) = layout(kind), PAPERS[paper]
    assert (width - plan.width) / 2 >= 10
    assert (height - max(plan.height, plan.notes.y + plan.notes.height)) / 2 >= 10


@kinds
def test_every_quarter_shows_four_markers(kind: str) -> None:
    plan = layout(kind)
    for left in (0, plan.width / 2):
        for top in (0, plan.height / 2):
            quarter = shape(Rect(left - 8, top - 12, plan.width / 2 + 16, plan.height / 2 + 24))
            assert sum(quarter.contains(shape(marker)) for marker in plan.markers) >= 4


@kinds
def test_bands_and_cells_share_the_card_out(kind: str) -> None:
    plan = layout(kind)
    inside = plan.bands[:-1]  # the last one is the notes
    area = sum(r.width * r.height for r in (*inside, *plan.cells))
    assert area == pytest.approx(plan.width * plan.height)


@given(st.sampled_from(KINDS), st.integers(1, MOST_PAGES), st.integers(0, PLACES - 1))
def test_a_marker_s_number_names_its_kind_page_and_place(kind: str, page: int, place: int) -> None:
    number = marker_number(kind, page, place)
    assert 0 <= number < 1000
    assert read_number(number) == (kind, page, place)


def test_numbers_of_no_card() -> None:
    assert read_number(990) is None
    assert read_number(-1) is None
    with pytest.raises(ValueError, match="page 56"):
        marker_number("large", 56, 0)


@given(st.integers(1, 10**6), st.integers(1, MOST_PAGES))
def test_a_code_names_lot_and_page(lot: int, page: int) -> None:
    assert read_code(code_text(f"L{lot:04d}", page)) == (f"L{lot:04d}", page)


@pytest.mark.parametrize("text", ["L0002", "L0002-03", "", "/3", "L0002/x", "https://example.org/12x"])
def test_other_texts_are_no_card_s(text: str) -> None:
    assert read_code(text) is None


def test_grey_levels_are_those_of_the_standard() -> None:
    """IEC 61966-2-1 as scikit-image has it: 8-bit grey to CIE lightness, evenly spaced and paper being 100."""
    from skimage.color import rgb2lab

    greys = np.array([[[level] * 3 for level in (*card_layout.STEPS, 255)]], np.uint8)
    lightness = rgb2lab(greys)[0, :, 0]
    assert lightness == pytest.approx([85, 70, 55, 40, 25, 10, 100], abs=0.6)


def test_patterns_are_those_that_opencv_draws() -> None:
    drawn = cv2.aruco.generateImageMarker(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_6X6_1000), 437, 160)
    ours = np.kron(np.array(pattern(437)), np.ones((20, 20))) > 0
    assert (ours == (drawn == 0)).all()
