"""Siblings laid over each other: typeface, size and place of the print, landmarks, old marks, the finest texture."""

from collections.abc import Sequence
from dataclasses import replace
from functools import cache

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_faces import Made, face_of, lines_of
from test_compare import genuine

from vision import grain, kin, lettering, surface
from vision.between import LaidTop, strokes_of_their_own
from vision.body import find_body
from vision.compare import compare
from vision.ground import bare_ground
from vision.landmarks import shifts
from vision.light import linear_luminance
from vision.likeness import Fit, fits
from vision.matching import match_lines
from vision.observations import Face, Line, Measure, PieceView
from vision.spread import levelled
from vision.tops import Top, body_of, common_size, laid_out

SMALL = {"size": (90, 240), "blur": 0.7, "texts": ("CV6522AP", "MERIDIA 8614"), "noise": 0.003}


@cache
def view(made: Made, photo: str = "one", read: tuple[str, ...] = ()) -> PieceView:
    """A measured piece; `read` is what a reader says stands there, if not what does."""
    face, lines = face_of(made), lines_of(made)
    lines = tuple(replace(line, text=text) for line, text in zip(lines, read or made.texts, strict=True))
    outline = ((0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0))
    return PieceView(
        outline, 0.9, None, 0.0, lines, face, lettering.measure(face, lines), surface.measure(face, lines), photo=photo
    )


def tops_of(views: Sequence[PieceView], size: tuple[int, int] | None = None) -> tuple[dict[int, Top], int]:
    """The pieces brought to one size, and what their short side is then."""
    luminances = [linear_luminance(v.face.image) for v in views]
    coarse = [find_body(luminance) for luminance in luminances]
    bodies = [body_of(*each) for each in zip(views, luminances, coarse, strict=True)]
    size = size or common_size(bodies)
    tops = {k: laid_out(*each, size) for k, each in enumerate(zip(views, bodies, coarse, strict=True))}
    return tops, size[0]


def laid(views: Sequence[PieceView]) -> list[dict[int, Fit]]:
    """Fits of every shared line."""
    tops, rows = tops_of(views)
    return fits(tops, match_lines(views), rows)


def test_one_typeface_is_alike_whatever_its_size_place_and_noise() -> None:
    made = [genuine(k, **SMALL) for k in range(1, 5)]
    (first, _) = laid([view(m) for m in made])
    likeness = [first[k].alike.likeness for k in range(4)]
    assert all(value is not None and value > 0.9 for value in likeness)
    assert np.ptp(np.array(likeness, float)) < 0.06


def test_the_size_that_was_made_comes_back() -> None:
    """Against the ratios of the drawn character heights and widths themselves."""
    sizes = (1.0, 1.08, 0.93, 1.0)
    base = Made(**SMALL)
    made = [
        base.but(seed=k, height=base.height * s, width=base.width * s, advance=base.advance * s, stroke=base.stroke * s)
        for k, s in enumerate(sizes)
    ]
    (first, _) = laid([view(m) for m in made])
    wide = np.array([first[k].wide for k in range(4)])
    assert wide / wide[0] == pytest.approx(np.array(sizes), rel=0.015)


def test_a_move_shows_at_both_ends_alike() -> None:
    base = Made(**SMALL)
    (first, _) = laid([view(base.but(seed=k, left=base.left + (0.2 if k == 2 else 0.0))) for k in range(4)])
    for side in ("left", "right"):
        others = np.median([getattr(first[k], side) for k in (0, 1, 3)])
        assert abs(others - getattr(first[2], side)) == pytest.approx(0.2, abs=0.02)


def test_other_shapes_under_the_same_text_are_found_and_named() -> None:
    """Other characters drawn where the reader saw the same ones stand in for another typeface."""
    read = ("CV6522AP", "MERIDIA 8614")
    other = ("GU8533AP", "NFRLOLA 3614")
    views = [view(genuine(k, **SMALL), read=read) for k in (1, 2, 4, 5)]
    views.insert(2, view(genuine(3, **(SMALL | {"texts": other})), read=read))
    observed = [{o.code: o for o in found} for found, _ in compare(views)]
    assert observed[2]["lettering-shape-differs"].strength == "clear"
    assert not any("lettering-shape-differs" in found for k, found in enumerate(observed) if k != 2)


def test_pieces_of_another_layout_are_not_held_against_each_other() -> None:
    """One part, two makers: the part number is all they share, so their print is not compared."""
    mine = [view(genuine(k, **(SMALL | {"height": 0.19}))) for k in (1, 2)]
    others = [view(genuine(k, **(SMALL | {"texts": ("CV6522AP", "XA1B")}))) for k in (3, 4, 5)]
    for found, _ in compare([*mine, *others]):
        assert not any(o.family == "lettering" for o in found)


# --- landmarks


def dimpled(slide: float, seed: int) -> PieceView:
    """A bare top with a dimple near either end, its outline slid along by a share of the short side."""
    made = Made(texts=(), seed=seed, **{k: v for k, v in SMALL.items() if k != "texts"})
    image = face_of(made).image.astype(np.float32)
    rows, columns = image.shape[:2]
    y, x = np.mgrid[0:rows, 0:columns]
    for place, depth in ((0.4, 0.55), (2.2, 0.7)):
        away = np.hypot(x - (place - slide) * rows, y - 0.5 * rows) / (0.11 * rows)
        image *= (1 - (1 - depth) * np.exp(-(away**4)))[..., None]
    outline = ((0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0))
    return PieceView(outline, 0.9, None, 0.0, (), Face(image.astype(np.uint8), np.eye(3)))


@pytest.mark.parametrize("slide", [-0.15, 0.0, 0.1])
def test_landmarks_tell_how_far_an_outline_slid(slide: float) -> None:
    views = [dimpled(slide if k == 1 else 0.0, k) for k in range(4)]
    tops, rows = tops_of(views)
    found = shifts(dict(enumerate(views)), tops, rows)[1]
    assert found is not None
    assert found == pytest.approx((-slide, 0.0), abs=0.02)


def test_a_top_without_landmarks_says_so() -> None:
    views = [view(Made(**SMALL).but(seed=k)) for k in range(3)]
    tops, rows = tops_of(views)
    assert shifts(dict(enumerate(views)), tops, rows) == {0: None, 1: None, 2: None}


# --- between the characters


def test_strokes_that_no_sibling_has_are_a_tops_own() -> None:
    rng = np.random.default_rng(5)
    shape = (90, 240)
    print_, ghost = np.zeros(shape, np.uint8), np.zeros(shape, np.uint8)
    cv2.putText(print_, "CV6522", (40, 45), cv2.FONT_HERSHEY_SIMPLEX, 1.0, 255, 2)
    cv2.putText(ghost, "8407ER", (70, 75), cv2.FONT_HERSHEY_SIMPLEX, 1.0, 255, 2)
    noise = [0.1 * cv2.GaussianBlur(rng.standard_normal(shape), (0, 0), 0.8) for _ in range(4)]
    inside, boxes, none = np.ones(shape, bool), print_ > 0, np.zeros(shape, bool)
    tops = {k: LaidTop((print_ / 255 + noise[k]).astype(np.float32), inside, none, boxes) for k in range(4)}
    plain = strokes_of_their_own(list(tops), tops.__getitem__, shape[0])
    both = LaidTop((tops[2].image + 0.4 * ghost / 255).astype(np.float32), inside, none, boxes)
    marked = strokes_of_their_own(list(tops), (tops | {2: both}).__getitem__, shape[0])
    assert marked[2] > max(plain.values()) + 0.02
    assert all(marked[k] < 0.005 for k in (0, 1, 3))


def test_a_single_spot_is_no_mark() -> None:
    """A dimple that is lit otherwise than the siblings' has strokes, but all in one place."""
    rng = np.random.default_rng(6)
    shape = (90, 240)
    tops = {}
    for k in range(4):
        drawn = np.zeros(shape, np.uint8)
        cv2.putText(drawn, "CV6522", (40, 45), cv2.FONT_HERSHEY_SIMPLEX, 1.0, 255, 2)
        if k == 2:
            cv2.circle(drawn, (200, 50), 8, 200, 3)
        noise = 0.1 * cv2.GaussianBlur(rng.standard_normal(shape), (0, 0), 0.8)
        tops[k] = LaidTop(
            (drawn / 255 + noise).astype(np.float32), np.ones(shape, bool), np.zeros(shape, bool), np.zeros(shape, bool)
        )
    assert max(strokes_of_their_own(list(tops), tops.__getitem__, shape[0]).values()) < 0.005


# --- the finest texture


def finest(made: Made) -> grain.Grain:
    """Grain of a made top."""
    ground = bare_ground(face_of(made), lines_of(made))
    assert ground
    return grain.grain(ground)


def test_grain_grows_with_the_texture() -> None:
    base = Made(**(SMALL | {"noise": 0.0003}))
    strengths = [finest(base.but(roughness=r))[0] for r in (0.02, 0.04, 0.08)]
    assert all(isinstance(s, Measure) for s in strengths)
    values = [s.value for s in strengths if isinstance(s, Measure)]
    assert values == sorted(values)
    assert values[2] > 1.5 * values[0]


@pytest.mark.parametrize("angle", [-60.0, -30.0, 20.0, 70.0])
def test_scratches_show_in_their_own_direction_on_a_small_top(angle: float) -> None:
    base = Made(**SMALL)
    _, plain = finest(base)
    _, lined = finest(base.but(sanded=0.1, scratch_angle=angle))
    k = int(np.argmax(lined))
    assert abs((k * 180 / grain.BINS - angle + 90) % 180 - 90) <= 10
    assert lined[k] > 1.4 * plain[k]
    assert np.mean(lined) == pytest.approx(1.0)


@settings(max_examples=40, deadline=None)
@given(slope=st.floats(-0.5, 0.0), at=st.floats(-1, 1))
def test_values_that_follow_the_light_are_brought_to_one(slope: float, at: float) -> None:
    """With many, widely lit pieces the line is learnt; the prior no longer matters (limit of Bayesian regression)."""
    light = np.linspace(-2, 2, 60)
    values, u = levelled((0.3 + slope * light).tolist(), light.tolist(), at, 0.05)
    assert values == pytest.approx([0.3 + slope * at] * 60, abs=0.02)
    assert u < 0.02


# --- which belong together


def lined(*lines: tuple[str, float]) -> PieceView:
    """A piece with nothing but lines."""
    square = ((0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0))
    read = tuple(Line(text, confidence, square, square, ()) for text, confidence in lines)
    return PieceView(square, 0.9, None, 0.0, read, Face(np.zeros((4, 8, 3), np.uint8), np.eye(3)))


def test_a_misread_piece_joins_its_siblings_and_another_part_does_not() -> None:
    pieces = [
        lined(("CV74HC163N", 0.99), ("8842 A6", 0.9)),
        lined(("CV74HC163N", 0.98), ("8842 A6", 0.9)),
        lined(("XCV74HC163N", 0.5), ("8842 A", 0.4)),
        lined(("CV74HC183H", 0.5)),
        lined(("CV74HC165N", 0.97)),
        lined(),
    ]
    assert kin.groups(pieces) == [[0, 1, 2, 3], [4], [5]]


def test_everybody_is_in_one_group() -> None:
    pieces = [lined(("AB12", 0.2)), lined(), lined(("CV6522AP", 0.3)), lined(("CV6522AP X", 0.9))]
    assert sorted(k for group in kin.groups(pieces) for k in group) == [0, 1, 2, 3]
