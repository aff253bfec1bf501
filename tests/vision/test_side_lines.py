"""Rough outlines come to lie on the edges of drawn tops, whose corners are exact."""

import cv2
import numpy as np
import pytest
from drawn_chips import Chip, drawn, iou

from vision.locate import seen
from vision.near_lines import on_its_edges
from vision.side_lines import fit


@pytest.mark.parametrize("turn", [0, 23, 90, 141])
@pytest.mark.parametrize(
    ("wider", "longer"), [(1.35, 1.0), (0.8, 1.0), (1.0, 1.12), (1.0, 0.85)], ids=["leads", "narrow", "long", "short"]
)
def test_an_outline_with_leads_or_without_an_end_is_mended(turn: float, wider: float, longer: float) -> None:
    chip = Chip(turn=turn)
    length, width = chip.body
    rough = Chip(turn=turn, body=(length * longer, width * wider)).corners()
    found = fit(seen(drawn(chip), []).lab, rough)
    assert found is not None
    assert iou(found.corners, chip.corners()) > max(0.88, iou(rough, chip.corners()))


def test_a_fit_tells_a_top_from_a_window_on_it() -> None:
    chip = Chip(bars=None)
    lab = seen(drawn(chip), []).lab
    top = fit(lab, chip.corners())
    window = fit(lab, Chip(body=(180, 60)).corners())
    assert top is not None
    assert window is not None
    assert max(top.beyond) < 0.5 < min(window.beyond)


@pytest.mark.parametrize("turn", [0, 17, 90, 133])
def test_a_skewed_outline_is_brought_onto_each_edge_by_itself(turn: float) -> None:
    chip = Chip(turn=turn)
    rough = chip.corners() + np.array([[6, -5], [-4, 7], [8, 3], [-7, -6]])
    found = on_its_edges(drawn(chip), rough)
    # Edges are a little soft (1 pixel): within three pixels everywhere, where the rough outline was off by up to nine.
    assert np.abs(found - chip.corners()).max() < 3.0


def test_a_notch_at_the_end_is_not_taken_for_the_end() -> None:
    chip = Chip(bars=None)
    picture = drawn(chip)
    left = int(chip.corners()[:, 0].min())
    cv2.circle(picture, (left, 320), 22, (8, 8, 8), -1)
    found = on_its_edges(picture, chip.corners())
    assert np.abs(found - chip.corners()).max() < 3.0


def test_an_outline_on_plain_ground_stays_about_where_it_was() -> None:
    rough = Chip(turn=12).corners()
    assert iou(on_its_edges(drawn(), rough), rough) > 0.75
    assert iou(on_its_edges(np.full((640, 900, 3), 90, np.uint8), rough), rough) > 0.95
