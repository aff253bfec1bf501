"""Where print stands on its body: leads as a ruler, several opinions, a line followed through perspective."""

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vision.matching import Relative
from vision.places import SIDES, Places, agreed, unsure
from vision.registration import at, sizes_of
from vision.seat import profile, seats
from vision.track import tracked
from vision.typeface import likenesses

UNIT = 80


def comb(slide: float, stretch: float = 1.0, seed: int = 0) -> np.ndarray:
    """A band beside a body with seven leads, a pitch of 0.4 short sides (2.54 mm on 6.35 mm), on a noisy ground."""
    rng = np.random.default_rng(seed)
    x = np.arange(round(3.6 * UNIT))
    band = 0.2 + 0.02 * rng.standard_normal((12, x.size))
    for k in range(7):
        middle = 0.5 * x.size + (k - 3) * 0.4 * UNIT * stretch + slide * UNIT
        band[:, np.abs(x - middle) < 0.1 * UNIT] += 0.5
    return np.maximum(band, 0).astype(np.float32)


@pytest.mark.parametrize(("slide", "stretch"), [(0.0, 1.0), (0.1, 1.0), (-0.13, 1.0), (0.05, 1.04)])
def test_leads_tell_how_far_an_outline_slid_and_stretched(slide: float, stretch: float) -> None:
    """Against the slide and the stretch that were drawn."""
    made = [(0.0, 1.0), (0.0, 1.0), (slide, stretch), (0.0, 1.0)]
    combs = {
        k: (profile(comb(*m, seed=2 * k), UNIT), profile(comb(*m, seed=2 * k + 1), UNIT)) for k, m in enumerate(made)
    }
    found = seats(combs, UNIT)
    assert sorted(found) == [0, 1, 2, 3]
    middle = 0.5 * combs[0][0].shape[1]
    places = [found[k].place(middle, 0.5) / UNIT for k in range(4)]
    assert np.median(places[:2]) - places[2] == pytest.approx(slide / stretch, abs=0.02)
    assert found[2].longer() / found[1].longer() == pytest.approx(stretch, abs=0.012)


def test_without_leads_there_is_no_seat() -> None:
    rng = np.random.default_rng(3)
    plain = [np.abs(0.2 + 0.05 * rng.standard_normal((12, 288))).astype(np.float32) for _ in range(6)]
    combs = {k: (profile(plain[2 * k], UNIT), profile(plain[2 * k + 1], UNIT)) for k in range(3)}
    assert seats(combs, UNIT) == {}


@settings(max_examples=60, deadline=None)
@given(st.lists(st.floats(-1, 1), min_size=2, max_size=5))
def test_what_opinions_agree_in_is_no_more_than_any_of_them(opinions: list[float]) -> None:
    found = agreed(opinions)
    assert all(abs(found) <= abs(opinion) for opinion in opinions)
    assert found == 0 or all(opinion * found > 0 for opinion in opinions)
    assert unsure(opinions, 0.01) >= 0.01


def places(**moved: float) -> Places:
    """Four pieces in their places, the last one's sides changed."""
    usual = {"x": 1.5, "y": 0.5, "wide": 1.0, "left": 1.5, "right": 1.5, "top": 0.5, "bottom": 0.5, "above": 0.5}
    usual |= {"below": 0.5, "seat": 2.0, "length": 0.0}
    sides = {
        name: [Relative(moved.get(name, 0.0) if k == 3 else 0.0, 0.008, usual[name]) for k in range(4)]
        for name in SIDES
    }
    return Places(sides, sides["seat"], {})


def test_a_move_needs_leads_and_both_ends() -> None:
    moved = places(left=0.2, right=-0.2, seat=0.2).across()[3]
    lost_end = places(left=0.2, seat=0.0).across()[3]
    slid = places(left=0.2, right=-0.2, seat=0.0).across()[3]
    assert moved is not None
    assert moved.offset == pytest.approx(0.2)
    assert lost_end is not None
    assert lost_end.offset == 0
    assert slid is not None
    assert slid.offset == 0


def test_an_outline_that_leads_do_not_confirm_is_not_judged() -> None:
    seated = places(left=0.2, right=-0.2)
    without = Places(seated.sides, (*seated.seats[:3], None), {})
    assert without.across()[3] is None


# --- lines laid over each other


def line(text: str, bent: float = 0.0, face: int = cv2.FONT_HERSHEY_SIMPLEX, seed: int = 0) -> np.ndarray:
    """A drawn line, its right end larger by `bent`, with some noise."""
    canvas = np.zeros((60, 300), np.uint8)
    cv2.putText(canvas, text, (12, 42), face, 1.0, 255, 2, cv2.LINE_AA)
    turn = np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [-bent / 300, 0.0, 1.0 + bent / 2]])
    drawn = cv2.warpPerspective(cv2.GaussianBlur(canvas, (0, 0), 1.0), turn, (300, 60)).astype(np.float32) / 255
    noise = cv2.GaussianBlur(np.random.default_rng(seed).standard_normal(drawn.shape).astype(np.float32), (0, 0), 0.8)
    return (drawn + 0.05 * noise).astype(np.float32)


def test_a_line_is_followed_through_perspective() -> None:
    """Against the homography the second line was drawn with."""
    bent, left, right = 0.15, 8, 216
    pattern, other = line("CV6522AP830")[:, left:right], line("CV6522AP830", bent, seed=1)
    found = tracked(np.ascontiguousarray(pattern), other, np.array([[1.0, 0, left], [0, 1.0, 0]]), 11)
    assert found is not None
    turn = np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [-bent / 300, 0.0, 1.0 + bent / 2]])
    for x in (30.0, 110.0, 190.0):
        assert at(found, x - left, 30.0)[0] == pytest.approx(at(turn, x, 30.0)[0], abs=2.0)


def test_sizes_of_a_scale_are_its_factors() -> None:
    assert sizes_of(np.diag([1.1, 0.9, 1.0]), (40, 200)) == pytest.approx((1.1, 0.9))


def test_another_typeface_is_less_alike_and_sets_its_characters_elsewhere() -> None:
    same = {k: line("CV6522AP", seed=k) for k in range(4)}
    other = same | {2: cv2.resize(line("CV6522AP", face=cv2.FONT_HERSHEY_COMPLEX, seed=9)[:, :290], (300, 60))}
    texts, noises = dict.fromkeys(range(4), "CV6522AP"), dict.fromkeys(range(4), 0.02)
    plain, changed = likenesses(same, noises, texts), likenesses(other, noises, texts)
    assert all((plain[k].likeness or 0) > 0.93 and (plain[k].steps or 0) < 0.01 for k in range(4))
    assert (changed[2].likeness or 0) < (changed[0].likeness or 0) - 0.1
    assert (changed[2].steps or 0) > 2 * max(changed[k].steps or 0 for k in (0, 1, 3))
