"""Rows of leads are followed spot by spot, and tops stand between the rows that face each other."""

import cv2
import numpy as np
import pytest
from drawn_chips import Chip, drawn, iou
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from vision.between_rows import from_rows, from_single_rows, stretching_out
from vision.evidence import flanking
from vision.lead_rows import LeadRow, lead_rows


def spotted(places: NDArray[np.float64], size: float = 3.0, shape: tuple[int, int] = (420, 620)) -> NDArray[np.float32]:
    """A dark picture with bright spots at places (n, 2)."""
    y, x = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
    picture = np.full(shape, 40, np.float32)
    for px, py in places:
        picture += 90 * np.exp(-((x - px) ** 2 + (y - py) ** 2) / (2 * size**2)).astype(np.float32)
    return picture


@settings(max_examples=25, deadline=None, derandomize=True)
@given(
    count=st.integers(5, 14),
    pitch=st.floats(13, 26),
    turn=st.floats(0, 180),
    jitter=st.integers(0, 10_000),
)
def test_a_row_is_followed_at_any_angle_and_pitch(count: int, pitch: float, turn: float, jitter: int) -> None:
    way = np.array([np.cos(np.radians(turn)), np.sin(np.radians(turn))])
    share = (np.arange(count) - (count - 1) / 2) * pitch
    places = np.array([310.0, 210.0]) + share[:, None] * way
    places += np.random.default_rng(jitter).uniform(-0.03, 0.03, places.shape) * pitch
    row = lead_rows(spotted(places))[0]
    assert count - 1 <= len(row.points) <= count  # places are whole pixels, so a spot at the end may seem astray
    assert row.pitch == pytest.approx(pitch, rel=0.06)
    assert abs(float(row.along @ way)) > 0.999


def test_spots_at_random_places_make_no_long_row() -> None:
    places = np.random.default_rng(8).uniform(20, 400, (60, 2))
    assert all(len(row.points) < 6 for row in lead_rows(spotted(places)))


def test_a_lead_that_was_not_seen_does_not_end_its_row() -> None:
    whole = np.stack([np.arange(14) * 24.0 + 100, np.full(14, 200.0)], axis=1)
    (row,) = lead_rows(spotted(np.delete(whole, 6, axis=0)))
    assert len(row.points) == 13
    assert row.pitch == pytest.approx(24, rel=0.02)


def test_the_rows_of_two_chips_in_one_line_stay_two() -> None:
    one = np.stack([np.arange(7) * 24.0 + 60, np.full(7, 200.0)], axis=1)
    other = one + np.array([7 * 24.0 + 35, 0])  # not a whole number of pitches on
    assert [len(row.points) for row in lead_rows(spotted(np.vstack([one, other])))[:2]] == [7, 7]


def test_leads_tell_to_which_side_they_stretch() -> None:
    """Bars below the spots are what is seen of leads that stretch away from a body above."""
    grey = spotted(np.stack([np.arange(8) * 24.0 + 100, np.full(8, 200.0)], axis=1))
    for k in range(8):
        cv2.rectangle(grey, (int(100 + 24 * k - 4), 203), (int(100 + 24 * k + 4), 240), 80, -1)
    row = max(lead_rows(grey), key=lambda r: len(r.points))
    below = row.points.mean(axis=0) + np.array([0, 50])
    assert row.lean * float(np.sign((below - row.points[0]) @ row.across)) > 0.5


def rows_at(*heights: float, lean: float = 0.0) -> list[LeadRow]:
    return [LeadRow(np.stack([np.arange(7) * 20.0 + 100, np.full(7, y)], axis=1), 20.0, lean) for y in heights]


def test_leads_of_one_body_stretch_apart_and_those_of_neighbours_towards_each_other() -> None:
    # `across` of a row that runs to the right points down.
    up, down = rows_at(100, lean=-0.8), rows_at(160, lean=0.8)
    assert stretching_out([*up, *down], (0, 1)) == pytest.approx(1.6)
    assert stretching_out([*rows_at(100, lean=0.8), *rows_at(160, lean=-0.8)], (0, 1)) == pytest.approx(-1.6)


def test_rows_are_beside_the_sides_they_stand_at() -> None:
    corners = np.array([[90.0, 105.0], [230.0, 105.0], [230.0, 155.0], [90.0, 155.0]])
    assert [side.row for side in flanking(corners, rows_at(100, 160, 240))] == [0, -1, 1, -1]


def test_a_black_top_on_black_foam_is_proposed_by_its_leads() -> None:
    chip = Chip(top=(30, 30, 30), bars=None, turn=6, body=(300, 110))
    grey = cv2.cvtColor(drawn(chip, ground=(31, 31, 31)), cv2.COLOR_RGB2GRAY).astype(np.float32)
    assert max(iou(p.corners, chip.corners()) for p in from_rows(grey, lead_rows(grey))) > 0.75


def test_a_row_whose_fellow_is_hidden_proposes_the_top_on_the_side_away_from_its_leads() -> None:
    """Seven leads and a body two and a half pitches wide: a 14-lead DIP (JEDEC MS-001)."""
    (row,) = rows_at(200, lean=0.8)  # leads stretch down
    (proposal,) = from_single_rows([row])
    assert proposal.corners[:, 1].max() < 200
    assert np.ptp(proposal.corners[:, 1]) == pytest.approx(2.5 * 20)
    assert np.ptp(proposal.corners[:, 0]) == pytest.approx(7 * 20)
    assert len(from_single_rows(rows_at(200, lean=0.0))) == 2
