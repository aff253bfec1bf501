"""Comparison plates: tops of one body come out at one scale wherever and however askew they lay in their photos."""

import cv2
import numpy as np
import pytest

from vision import plate
from vision.photo import Picture

BODY = (520, 140)
"""Pixels of the drawn body, long and short side."""
DOTS = ((60, 30), (300, 70), (460, 110))


def drawn():
    """Return a dark body with three white dots at known places."""
    face = np.full((BODY[1], BODY[0], 3), 50, np.uint8)
    for place in DOTS:
        cv2.circle(face, place, 8, (240, 240, 240), -1)
    return face


def photographed(corners, size=(1000, 800)):
    """Return a photo in which the body's corners lie at `corners`, on a mid-grey ground."""
    face = drawn()
    source = np.array([[0, 0], [BODY[0], 0], [BODY[0], BODY[1]], [0, BODY[1]]], np.float32)
    matrix = cv2.getPerspectiveTransform(source, np.array(corners, np.float32))
    inside = cv2.warpPerspective(np.full(face.shape[:2], 255, np.uint8), matrix, size)
    seen = cv2.warpPerspective(face, matrix, size, flags=cv2.INTER_AREA)
    return Picture(np.where(inside[..., None] > 127, seen, np.uint8(130)), size)


UPRIGHT = ((100, 200), (620, 200), (620, 340), (100, 340))
TURNED = ((700, 700), (180, 690), (185, 550), (705, 560))
"""Upside down, and a little rotated."""
ASKEW = ((150, 150), (820, 210), (800, 420), (170, 300))


def dots(picture):
    """Return the middles of the white dots."""
    white = (cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY) > 190).astype(np.uint8)
    _, _, stats, middles = cv2.connectedComponentsWithStats(white)
    kept = [m for m, s in zip(middles[1:], stats[1:], strict=True) if s[cv2.CC_STAT_AREA] > 100]
    return np.array(sorted(kept, key=lambda m: m[0]))


def _far(one, other):
    return np.hypot(*np.subtract(one, other))


@pytest.mark.parametrize("corners", [UPRIGHT, TURNED, ASKEW], ids=["upright", "turned", "askew"])
def test_every_place_of_a_body_is_at_the_same_place_of_the_plate(corners):
    """Worked out from the drawing: LENGTH over the body's length, and AIR of its short side around it."""
    shown = plate.whole(plate.top(photographed(corners), corners))
    across = np.mean([_far(corners[0], corners[1]), _far(corners[3], corners[2])])
    down = np.mean([_far(corners[1], corners[2]), _far(corners[0], corners[3])])
    short = plate.LENGTH * down / across
    pad = plate.AIR * short
    wanted = np.array([[pad + x / BODY[0] * plate.LENGTH, pad + y / BODY[1] * short] for x, y in DOTS])
    assert dots(shown) == pytest.approx(wanted, abs=6)
    assert shown.shape[1] == round(plate.LENGTH + 2 * pad)


def test_a_top_higher_than_wide_stays_upright():
    corners = ((300, 100), (440, 100), (440, 620), (300, 620))
    shown = plate.whole(plate.top(photographed(TURNED), corners))
    assert shown.shape[0] > shown.shape[1]


def test_it_says_how_many_pixels_the_camera_saw():
    assert plate.top(photographed(UPRIGHT), UPRIGHT).native == pytest.approx(520)


def test_a_photo_opened_at_half_its_size_gives_the_same_plate():
    whole = photographed(ASKEW)
    half = Picture(cv2.resize(whole.image, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA), whole.size, 2)
    one, other = plate.top(whole, ASKEW), plate.top(half, ASKEW)
    assert dots(plate.whole(other)) == pytest.approx(dots(plate.whole(one)), abs=3)
    assert other.native == one.native
    assert other.box([ASKEW]) == pytest.approx(one.box([ASKEW]))


def test_a_window_shows_the_same_place_enlarged():
    one = plate.top(photographed(UPRIGHT), UPRIGHT)
    x, y = one.box([((390, 260), (410, 260), (410, 280), (390, 280))])[:2]
    half = 60
    seen = plate.window(one, (x - half, y - half, x + half, y + half), width=480)
    assert seen.shape == (480, 480, 3)
    assert len(dots(seen)) == 1


def test_texture_is_raised_by_one_factor_for_all():
    rng = np.random.default_rng(4)
    rough, smooth = photographed(UPRIGHT).image.astype(float), photographed(UPRIGHT).image.astype(float)
    rough[205:335, 105:615] += rng.normal(0, 12, (130, 510, 1))
    smooth[205:335, 105:615] += rng.normal(0, 3, (130, 510, 1))
    seen = [Picture(np.clip(one, 0, 255).astype(np.uint8), (1000, 800)) for one in (rough, smooth)]
    tops = [plate.top(one, UPRIGHT) for one in seen]
    marks = [[((140, 210), (580, 210), (580, 330), (140, 330))]] * 2
    shown = plate.texture(tops, marks)
    middle = [one[95:185, 200:420].astype(float).std() for one in shown]
    assert middle[0] / middle[1] == pytest.approx(4, rel=0.25)  # as their noise is


def test_frames_are_drawn_dark_in_a_pale_halo_and_numbered():
    one = plate.top(photographed(UPRIGHT), UPRIGHT)
    place = ((380, 250), (430, 250), (430, 300), (380, 300))
    plain, marked = plate.whole(one).astype(int), plate.numbered(one, [(1, place), (2, place)]).astype(int)
    changed = np.abs(marked - plain).max(axis=2) > 20
    x0, y0, x1, y1 = (round(v / plate.FINER) for v in one.box([place]))
    assert changed[y0 - 4 : y0 + 5, x0:x1].any(axis=0).mean() > 0.95
    assert not changed[y0 + 12 : y1 - 12, x0 + 12 : x1 - 12].any()
    assert changed[:, : x0 - 10].any()  # the number stands to the left
    assert np.array_equal(plate.numbered(one, []), plate.whole(one))
