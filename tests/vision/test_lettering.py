"""Lettering on tops of known geometry: what was drawn is what is measured, whatever the light and the box."""

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from made_faces import Made, face_of, lines_of
from scipy.ndimage import gaussian_filter1d

from vision.blur import unblur
from vision.lettering import measure
from vision.observations import Face, Lettering, Line, Measure, NotMeasured, Quad

PLAIN = Made()
# Relative tolerances unless named otherwise; blur and pixels widen every stroke by some tenths of a pixel.
TOLERANCES = {
    "character_height": 0.03,
    "character_width": 0.04,
    "character_spacing": 0.03,
    "line_pitch": 0.02,
    "stroke_width": 0.15,
}
TRUTH = {
    "character_height": "height",
    "character_width": "width",
    "character_spacing": "advance",
    "line_pitch": "pitch",
    "stroke_width": "stroke",
}


def lettering(made: Made) -> Lettering:
    """Measure a made top."""
    found = measure(face_of(made), lines_of(made))
    assert isinstance(found, Lettering), found
    return found


def value(found: Lettering, name: str) -> float:
    """One measure's value."""
    measured = getattr(found, name)
    assert isinstance(measured, Measure), (name, measured)
    return measured.value


@pytest.mark.parametrize(
    "made",
    [
        PLAIN,
        PLAIN.but(seed=2, stroke=0.032),
        PLAIN.but(seed=3, height=0.19, width=0.12, advance=0.15, texts=("CV6522AP", "8614 DCP")),
        PLAIN.but(seed=4, blur=2.2),
        PLAIN.but(seed=5, ink=0.10),
        PLAIN.but(seed=6, ink=0.012),
        PLAIN.but(seed=7, shade=0.7, noise=0.004),
        PLAIN.but(
            seed=8, size=(400, 400), advance=0.1, width=0.075, left=0.1, pitch=0.22, texts=("HDS62256", "8614", "PMLA")
        ),
        PLAIN.but(seed=9, angle=3.0),
    ],
    ids=["plain", "bold", "large", "blurred", "faint", "dark print", "shaded", "square", "turned"],
)
def test_lengths_are_recovered(made: Made) -> None:
    found = lettering(made)
    for name, tolerance in TOLERANCES.items():
        assert value(found, name) == pytest.approx(getattr(made, TRUTH[name]), rel=tolerance), name
    assert value(found, "baseline_angle") == pytest.approx(made.angle, abs=0.3)


@pytest.mark.parametrize("slant", [-6.0, 0.0, 5.0, 12.0])
def test_slant_and_angle_are_told_apart(slant: float) -> None:
    found = lettering(PLAIN.but(slant=slant, angle=1.5))
    assert value(found, "slant") == pytest.approx(slant, abs=1.2)
    assert value(found, "baseline_angle") == pytest.approx(1.5, abs=0.3)


@pytest.mark.parametrize(("ink", "ground"), [(0.35, 0.05), (0.12, 0.05), (0.02, 0.06)])
def test_contrast_is_michelsons_in_linear_light(ink: float, ground: float) -> None:
    found = lettering(PLAIN.but(ink=ink, ground=ground))
    assert value(found, "contrast") == pytest.approx((ink - ground) / (ink + ground), abs=0.04)


def test_margins_are_distances_from_the_body() -> None:
    found = lettering(PLAIN)
    assert value(found, "left_margin") == pytest.approx(PLAIN.left, abs=0.01)
    assert value(found, "top_margin") == pytest.approx(PLAIN.top, abs=0.01)


def test_a_wall_inside_the_outline_does_not_move_the_body() -> None:
    """A strip of dark side wall below and of table at the right: the same lettering on the top's own edges."""
    face = face_of(PLAIN)
    rows, columns = face.image.shape[:2]
    wide = np.full((rows + 24, columns + 30, 3), 190, np.uint8)
    wide[rows:, :columns] = 14
    wide[:rows, :columns] = face.image
    found = measure(Face(wide, np.eye(3)), lines_of(PLAIN))
    assert isinstance(found, Lettering)
    assert value(found, "character_height") == pytest.approx(PLAIN.height, rel=0.03)
    assert value(found, "top_margin") == pytest.approx(PLAIN.top, abs=0.015)


@pytest.mark.parametrize("exposure", [0.5, 2.0])
def test_one_stop_of_exposure_changes_nothing(exposure: float) -> None:
    plain, other = lettering(PLAIN), lettering(PLAIN.but(exposure=exposure, noise=PLAIN.noise * exposure))
    for name in TOLERANCES:
        assert value(other, name) == pytest.approx(value(plain, name), rel=0.015), name
    assert value(other, "contrast") == pytest.approx(value(plain, "contrast"), abs=0.01)


@pytest.mark.parametrize("slack", [-0.02, 0.0, 0.02, 0.05])
def test_loose_and_clipped_boxes_measure_the_same(slack: float) -> None:
    found = lettering(PLAIN.but(box_slack=slack))
    for name, tolerance in TOLERANCES.items():
        assert value(found, name) == pytest.approx(getattr(PLAIN, TRUTH[name]), rel=tolerance), name


def test_a_box_over_both_lines_measures_its_own() -> None:
    """A reader's box drawn around a logo two lines tall: the other line claims its characters back."""
    first, second = lines_of(PLAIN)
    (x0, y0), (x1, _), (_, y1), _ = first.face_outline[0], second.face_outline[1], second.face_outline[2], None
    tall: Quad = ((x0 - 60, y0 - 4), (x1 + 4, y0 - 4), (x1 + 4, y1 + 4), (x0 - 60, y1 + 4))
    loose = Line("O " + second.text, 0.6, tall, tall, ())
    found = measure(face_of(PLAIN), (first, loose))
    assert isinstance(found, Lettering)
    for line in found.lines:
        assert isinstance(line.character_height, Measure)
        assert line.character_height.value == pytest.approx(PLAIN.height, rel=0.04)


@pytest.mark.parametrize(
    ("name", "changes"),
    [
        ("character_height", [{"height": h} for h in (0.13, 0.15, 0.17)]),
        ("character_width", [{"width": w} for w in (0.085, 0.1, 0.115)]),
        ("character_spacing", [{"advance": a} for a in (0.125, 0.135, 0.145)]),
        ("stroke_width", [{"stroke": s} for s in (0.016, 0.022, 0.03)]),
        ("slant", [{"slant": s} for s in (-5.0, 0.0, 5.0)]),
        ("contrast", [{"ink": i} for i in (0.1, 0.2, 0.4)]),
    ],
)
def test_more_measures_more(name: str, changes: list[dict[str, float]]) -> None:
    values = [value(lettering(PLAIN.but(**change)), name) for change in changes]
    assert values == sorted(values)
    assert len(set(values)) == len(values)


def test_the_stated_uncertainty_holds() -> None:
    """Over fresh texture, noise, light and place the values scatter no more than stated."""
    rng = np.random.default_rng(11)
    heights, stated = [], []
    for seed in range(12):
        made = PLAIN.but(
            seed=seed, left=0.35 + rng.uniform(0, 0.01), blur=rng.uniform(0.6, 1.4), shade=rng.uniform(0, 0.6)
        )
        measured = lettering(made).character_height
        assert isinstance(measured, Measure)
        heights.append(measured.value)
        stated.append(measured.u)
    assert np.std(heights, ddof=1) < 1.5 * np.mean(stated)
    assert np.mean(np.abs(np.array(heights) - PLAIN.height) < 3 * np.array(stated)) > 0.9


def test_what_cannot_be_measured_says_why() -> None:
    face = face_of(PLAIN)
    assert isinstance(measure(face, ()), NotMeasured)
    tiny: Quad = ((10.0, 10.0), (40.0, 10.0), (40.0, 13.0), (10.0, 13.0))
    assert measure(face, (Line("CV", 0.9, tiny, tiny, ()),)) == NotMeasured(
        "the characters are smaller than five pixels"
    )
    bare = face_of(PLAIN.but(texts=()))
    nothing = measure(bare, lines_of(PLAIN))
    assert isinstance(nothing, NotMeasured)
    assert nothing.reason
    aside = tuple(Line(x.text, x.confidence, x.outline, x.face_outline, x.readings, True) for x in lines_of(PLAIN))
    assert not measure(face, aside)


@settings(max_examples=40, deadline=None)
@given(width=st.floats(6.0, 40.0), sigma=st.floats(0.8, 2.6))
def test_blur_is_taken_out_of_a_bar(width: float, sigma: float) -> None:
    """Against SciPy's Gaussian filter on a finely sampled bar."""
    assume(width >= 3.5 * sigma)  # nearer to its blur a bar looks like it, and the width is not to be had
    fine = 20
    x = np.arange(-80 * fine, 80 * fine + 1) / fine
    blurred = gaussian_filter1d((np.abs(x) <= width / 2).astype(float), sigma * fine)
    peak = blurred.max()
    half = np.nonzero(blurred >= peak / 2)[0]
    seen = (half[-1] - half[0] + 1) / fine
    slope = abs(np.gradient(blurred, x)[half[-1]]) / peak
    bar, widened = unblur(seen, slope)
    assert bar + widened == pytest.approx(seen)
    assert bar == pytest.approx(width, rel=0.02)
