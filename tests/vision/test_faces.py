"""Flat tops keep their places: what a face shows at a point is what the photo shows where its homography points."""

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from vision.faces import crop_line, evened, rectify, resized, turned, with_air
from vision.geometry import apply, quad_area
from vision.observations import Face, Rgb

Corners = NDArray[np.float64]
# Two tops as a phone sees them: one lying, one standing, both in perspective. Clockwise from the upper left.
LYING = np.array([[130.0, 95.0], [545.0, 120.0], [560.0, 262.0], [118.0, 225.0]])
STANDING = np.array([[210.0, 40.0], [330.0, 48.0], [345.0, 390.0], [195.0, 402.0]])
# Dots on the top, as fractions of its length and width: no symmetry maps them onto each other.
DOTS = np.array([[0.15, 0.2], [0.45, 0.7], [0.7, 0.3], [0.9, 0.85]])


def photo_of(corners: Corners) -> tuple[Rgb, Corners]:
    """A photo with a dark top that carries soft dots, and where the dots are; drawn without any warping."""
    square = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], np.float32)
    places = apply(cv2.getPerspectiveTransform(square, corners.astype(np.float32)), DOTS)
    y, x = np.mgrid[0:440, 0:680]
    light = sum(np.exp(-((x - px) ** 2 + (y - py) ** 2) / (2 * 2.5**2)) for px, py in places)
    return np.repeat((20 + 200 * light)[..., None], 3, axis=2).clip(0, 255).astype(np.uint8), places


def dots_in(image: Rgb) -> Corners:
    """Centroids of the dots in a picture, in the order of their x."""
    bright = np.clip(image[..., 0].astype(float) - 60, 0, None)
    count, labels = cv2.connectedComponents((bright > 0).astype(np.uint8))
    y, x = np.mgrid[0 : image.shape[0], 0 : image.shape[1]]
    weights = [np.where(labels == i, bright, 0) for i in range(1, count)]
    return np.array([[(w * x).sum() / w.sum(), (w * y).sum() / w.sum()] for w in weights])


def nearest(points: Corners, to: Corners) -> Corners:
    distances = np.linalg.norm(points[:, None] - to[None], axis=2)
    return np.asarray(distances.min(axis=1))


@pytest.mark.parametrize("corners", [LYING, STANDING], ids=["lying", "standing"])
@pytest.mark.parametrize("quarter_turns", [0, 1, 2, 3])
def test_what_a_face_shows_stands_where_its_homography_points(corners: Corners, quarter_turns: int) -> None:
    photo, places = photo_of(corners)
    face = turned(rectify(photo, corners), quarter_turns)
    seen = dots_in(face.image)
    assert len(seen) == len(DOTS)
    assert nearest(apply(face.to_photo, seen), places).max() < 0.3


@pytest.mark.parametrize("corners", [LYING, STANDING], ids=["lying", "standing"])
def test_rectified_top_lies_at_the_photos_own_resolution_and_unmirrored(corners: Corners) -> None:
    photo, _ = photo_of(corners)
    face = rectify(photo, corners, margin=0.0)
    height, width = face.image.shape[:2]
    assert width > height
    assert width * height == pytest.approx(quad_area(corners), rel=0.03)
    frame = np.array([[0, 0], [width, 0], [width, height], [0, height]], float)
    shift = 0 if corners is LYING else 1  # a standing top is laid on its side
    assert apply(face.to_photo, frame) == pytest.approx(np.roll(corners, -shift, axis=0), abs=0.01)
    assert np.linalg.det(face.to_photo) > 0


def test_margin_shows_what_is_around_the_top() -> None:
    photo, _ = photo_of(LYING)
    face = rectify(photo, LYING, margin=0.1)
    inner = apply(np.linalg.inv(face.to_photo), LYING)
    height, width = face.image.shape[:2]
    pad = inner[0, 0]
    assert pad == pytest.approx(0.1 * height / 1.2, rel=0.02)
    assert inner == pytest.approx(
        np.array([[pad, pad], [width - pad, pad], [width - pad, height - pad], [pad, height - pad]]), abs=0.01
    )


def test_air_around_a_face_is_what_a_wider_margin_shows() -> None:
    photo, _ = photo_of(LYING)
    face = rectify(photo, LYING, margin=0.0)
    wider = with_air(photo, face, 12)
    rows, columns = face.image.shape[:2]
    assert wider.image.shape[:2] == (rows + 24, columns + 24)
    assert apply(wider.to_photo, np.array([[12.0, 12.0]])) == pytest.approx(
        apply(face.to_photo, np.array([[0.0, 0.0]])), abs=1e-6
    )
    inner = wider.image[12:-12, 12:-12].astype(float)
    assert np.abs(inner - face.image).mean() < 3  # linear and cubic interpolation of the same place


def test_huge_top_is_reduced_and_still_points_home() -> None:
    corners = np.array([[50, 60], [3950, 90], [3930, 800], [70, 780]], float)
    face = rectify(np.zeros((900, 4000, 3), np.uint8), corners, margin=0.0)
    height, width = face.image.shape[:2]
    assert width == pytest.approx(2400, abs=1)
    frame = np.array([[0, 0], [width, 0], [width, height], [0, height]], float)
    assert apply(face.to_photo, frame) == pytest.approx(corners, abs=0.01)


def test_four_quarter_turns_are_none() -> None:
    photo, _ = photo_of(LYING)
    face = rectify(photo, LYING)
    again = face
    for _ in range(4):
        again = turned(again, 1)
    assert np.array_equal(again.image, face.image)
    assert again.to_photo == pytest.approx(face.to_photo)
    direct = turned(face, 7)
    assert np.array_equal(direct.image, np.rot90(face.image, -3))
    assert turned(Face(face.image, face.to_photo, 0.05), 1).mm_per_px == 0.05


def test_crop_of_a_level_line_is_that_part_of_the_picture() -> None:
    picture = np.random.default_rng(2).integers(0, 256, (60, 200, 3), np.uint8)
    line = np.array([[30, 10], [130, 10], [130, 34], [30, 34]], float)
    assert np.array_equal(crop_line(picture, line), picture[10:34, 30:130])
    padded = crop_line(picture, line, pad=0.25)
    assert np.array_equal(padded, picture[4:40, 24:136])


def test_crop_of_a_tilted_line_is_upright() -> None:
    photo, places = photo_of(LYING)
    line = LYING[[0, 1, 2, 3]]
    crop = crop_line(photo, line)
    assert crop.shape[1] / crop.shape[0] == pytest.approx(3.1, abs=0.2)
    seen = dots_in(crop) / [crop.shape[1], crop.shape[0]]
    assert nearest(seen, DOTS).max() < 0.02
    assert len(seen) == len(places)


@pytest.mark.parametrize("scale", [0.5, 1.0, 2.0])
def test_resizing_keeps_the_mean(scale: float) -> None:
    picture = np.random.default_rng(3).integers(60, 190, (80, 120, 3), np.uint8)
    scaled = resized(picture, scale)
    assert scaled.shape == (80 * scale, 120 * scale, 3)
    assert scaled.mean() == pytest.approx(picture.mean(), abs=1.0)


def test_shrinking_averages_instead_of_dropping_pixels() -> None:
    stripes = np.zeros((40, 40, 3), np.uint8)
    stripes[:, ::2] = 200
    assert (resized(stripes, 0.5) == 100).all()


def test_evening_lifts_faint_print_in_a_dark_corner() -> None:
    picture = np.tile(np.linspace(20, 200, 240).astype(np.uint8), (120, 1))
    picture[40:80, 20:24] += 12
    even = evened(np.repeat(picture[..., None], 3, axis=2))[..., 0].astype(float)
    before = float(picture[60, 22]) - float(picture[60, 28])
    assert even[60, 22] - even[60, 28] > 1.5 * before
