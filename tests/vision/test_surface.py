"""Surface of made tops: sanding, coating, gloss and old marks are ordered, light and exposure drop out."""

import cv2
import numpy as np
import pytest
from made_faces import Made, face_of, lines_of
from scipy.stats import median_abs_deviation
from skimage.color import rgb2xyz
from skimage.feature import structure_tensor

from vision.body import find_body
from vision.ground import Ground, bare_ground
from vision.light import linear_luminance, robust_sd
from vision.observations import Face, Measure, NotMeasured, Surface
from vision.surface import coherence_of, measure, old_mark

PLAIN = Made()
GHOST = PLAIN.but(ghost="HDS62256", ghost_contrast=0.25, ghost_place=(1.3, 0.74))


def surface(made: Made) -> Surface:
    """Measure a made top."""
    found = measure(face_of(made), lines_of(made))
    assert isinstance(found, Surface), found
    return found


def value(made: Made, name: str) -> float:
    """One measure's value."""
    measured = getattr(surface(made), name)
    assert isinstance(measured, Measure), (name, measured)
    return measured.value


def test_luminance_agrees_with_scikit_image() -> None:
    colours = np.random.default_rng(1).integers(0, 256, (30, 40, 3), dtype=np.uint8)
    assert linear_luminance(colours) == pytest.approx(rgb2xyz(colours)[:, :, 1], abs=2e-4)


def test_robust_sd_agrees_with_scipy() -> None:
    values = np.random.default_rng(2).standard_t(3, 999)
    assert robust_sd(values) == pytest.approx(median_abs_deviation(values, scale="normal"), rel=1e-4)


@pytest.mark.parametrize(
    "other",
    [
        PLAIN.but(exposure=2.0, noise=PLAIN.noise * 2),
        PLAIN.but(exposure=0.5, noise=PLAIN.noise / 2),
        PLAIN.but(shade=0.0),
        PLAIN.but(shade=0.7),
    ],
    ids=["one stop more", "one stop less", "even light", "steep light"],
)
def test_light_and_exposure_drop_out(other: Made) -> None:
    assert value(other, "roughness") == pytest.approx(value(PLAIN, "roughness"), rel=0.08)
    assert value(other, "coherence") == pytest.approx(value(PLAIN, "coherence"), abs=0.03)
    assert value(other, "scratches") == pytest.approx(value(PLAIN, "scratches"), abs=0.12)
    assert value(other, "gloss") == pytest.approx(value(PLAIN, "gloss"), abs=0.02)


def test_sanding_adds_direction() -> None:
    tops = [PLAIN.but(sanded=s, scratch_angle=15) for s in (0.0, 0.04, 0.08, 0.16)]
    for name in ("coherence", "scratches"):
        values = [value(top, name) for top in tops]
        assert values == sorted(values), name
        assert values[-1] > 3 * values[0] + 0.2, name


def test_coating_takes_roughness_away() -> None:
    values = [value(PLAIN.but(roughness=r), "roughness") for r in (0.015, 0.03, 0.06, 0.12)]
    assert values == sorted(values)
    assert values[3] / values[2] == pytest.approx(2.0, rel=0.15)


@pytest.mark.parametrize("angle", [-70.0, -20.0, 0.0, 35.0, 90.0])
def test_direction_is_recovered(angle: float) -> None:
    found = value(PLAIN.but(sanded=0.12, scratch_angle=angle), "direction")
    away = abs((found - angle + 90.0) % 180.0 - 90.0)
    assert away <= 4.0


def test_a_plain_texture_has_no_direction() -> None:
    assert surface(PLAIN).direction == NotMeasured("the texture has no direction")


@pytest.mark.parametrize("sanded", [0.0, 0.05, 0.12])
def test_coherence_agrees_with_scikit_images_structure_tensor(sanded: float) -> None:
    made = PLAIN.but(texts=(), sanded=sanded, scratch_angle=25.0, noise=0.0005, shade=0.0)
    face = face_of(made)
    ground = bare_ground(face, ())
    assert isinstance(ground, Ground)
    smooth = cv2.GaussianBlur(ground.relative, (0, 0), ground.short / 200).astype(np.float64)
    rr, rc, cc = structure_tensor(smooth, sigma=8, order="rc")
    inner = np.s_[40:-40, 40:-40]
    tensor = np.array([cc[inner].mean(), rc[inner].mean(), rr[inner].mean()])
    theirs, _ = coherence_of(tensor)
    found = measure(face, ())
    assert isinstance(found, Surface)
    assert isinstance(found.coherence, Measure)
    assert found.coherence.value == pytest.approx(theirs, abs=0.04)


def test_coherence_of_known_tensors() -> None:
    """By the formula sqrt((Jxx - Jyy)^2 + 4 Jxy^2) / (Jxx + Jyy): one direction gives 1, none gives 0."""
    assert coherence_of(np.array([1.0, 0.0, 0.0])) == (pytest.approx(1.0), pytest.approx(90.0))
    assert coherence_of(np.array([0.0, 0.0, 1.0])) == (pytest.approx(1.0), pytest.approx(0.0))
    assert coherence_of(np.array([0.5, 0.0, 0.5]))[0] == pytest.approx(0.0)
    # Change along 45 degrees down to the right: lines rise to the right.
    assert coherence_of(np.array([0.5, 0.5, 0.5])) == (pytest.approx(1.0), pytest.approx(-45.0))


def test_gloss_sees_a_highlight() -> None:
    face = face_of(PLAIN)
    y, x = np.mgrid[: face.image.shape[0], : face.image.shape[1]]
    spot = np.exp(-((x - 620) ** 2 + (y - 60) ** 2) / (2 * 60.0**2))[:, :, None]
    shiny = Face(np.clip(face.image * (1 + 0.8 * spot), 0, 255).astype(np.uint8), np.eye(3))
    found = measure(shiny, lines_of(PLAIN))
    assert isinstance(found, Surface)
    assert isinstance(found.gloss, Measure)
    assert found.gloss.value > 2 * value(PLAIN, "gloss") + 0.05


def test_the_rim_shows_only_where_it_is_in_the_picture() -> None:
    assert isinstance(surface(PLAIN).edge_sharpness, NotMeasured)
    widths = []
    for blur in (1.0, 3.0):
        face = face_of(PLAIN.but(blur=0.5))
        walled = face.image.copy()
        walled[-18:] = 12
        walled = cv2.GaussianBlur(walled, (0, 0), blur)
        found = measure(Face(walled, np.eye(3)), lines_of(PLAIN))
        assert isinstance(found, Surface)
        assert isinstance(found.edge_sharpness, Measure)
        widths.append(found.edge_sharpness.value)
    assert widths[0] < widths[1]


@pytest.mark.parametrize("cut", [0, 10, 25])
def test_body_ends_where_the_wall_begins(cut: int) -> None:
    image = face_of(PLAIN).image.copy()
    if cut:
        image[-cut:] = 10
        image[:, :cut] = 230
    body = find_body(linear_luminance(image))
    assert body.y1 == pytest.approx(300 - cut, abs=2.5)
    assert body.x0 == pytest.approx(cut, abs=2.5)
    assert (body.y0, body.x1) == (pytest.approx(0, abs=1), pytest.approx(800, abs=1))


@pytest.mark.parametrize("turned", [0, 1])
@pytest.mark.parametrize("sanded", [0.0, 0.1])
def test_an_old_mark_is_found_at_its_place(turned: int, sanded: float) -> None:
    place = (1.3, 0.74) if turned == 0 else (2.4, -0.1)
    made = GHOST.but(ghost_turned=turned, ghost_place=place, sanded=sanded, scratch_angle=10.0, seed=3)
    found = old_mark(face_of(made), lines_of(made))
    assert not isinstance(found, NotMeasured)
    assert found.characters >= 4
    assert found.outline is not None
    middle = np.mean(found.outline, axis=0) / 300
    if turned:
        assert middle[0] == pytest.approx(2.4 - 0.075, abs=0.08)
    else:
        assert middle[1] == pytest.approx(0.74 + 0.075, abs=0.08)


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("sanded", [0.0, 0.1])
def test_no_old_mark_where_there_is_none(seed: int, sanded: float) -> None:
    made = PLAIN.but(seed=seed, sanded=sanded, scratch_angle=8.0, blur=0.6 + 0.3 * seed)
    found = old_mark(face_of(made), lines_of(made))
    assert not isinstance(found, NotMeasured)
    assert found.characters < 3


def test_print_no_reader_saw_is_not_an_old_mark() -> None:
    made = PLAIN.but(texts=("CV6522AP", "MERIDIA 8614"))
    found = old_mark(face_of(made), lines_of(made)[:1])
    assert not isinstance(found, NotMeasured)
    assert found.characters < 3


def test_too_few_pixels_are_refused_with_a_reason() -> None:
    small = measure(face_of(PLAIN.but(size=(40, 110))), ())
    assert isinstance(small, NotMeasured)
    assert "pixels" in small.reason
    middling = measure(face_of(PLAIN.but(size=(120, 320))), lines_of(PLAIN.but(size=(120, 320))))
    assert isinstance(middling, Surface)
    assert isinstance(middling.scratches, NotMeasured)
    assert isinstance(middling.old_mark, NotMeasured)
    white = Face(np.full((200, 500, 3), 255, np.uint8), np.eye(3))
    assert isinstance(measure(white, ()), NotMeasured)
