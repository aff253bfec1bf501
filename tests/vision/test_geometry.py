"""Plane geometry against Shapely and OpenCV."""

import itertools

import cv2
import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from shapely import Point, Polygon, box

from vision import geometry

Corners = NDArray[np.float64]
SEEDS = st.integers(0, 2**32 - 1)
MANY = settings(max_examples=200, deadline=None, derandomize=True, database=None)


def random_quad(rng: np.random.Generator, centre: float = 200.0) -> Corners:
    """A convex quadrilateral: a tilted rectangle with its corners moved a little."""
    angle, sides = rng.uniform(0, 2 * np.pi), rng.uniform(20, 200, 2)
    unit = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) / 2 * sides + rng.uniform(-0.1, 0.1, (4, 2)) * sides.min()
    turn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
    return np.asarray(unit @ turn + centre + rng.uniform(-80, 80, 2))


@MANY
@given(SEEDS)
def test_overlap_and_area_are_those_of_shapely(seed: int) -> None:
    rng = np.random.default_rng(seed)
    one, other = random_quad(rng), random_quad(rng)
    a, b = Polygon(one), Polygon(other)
    assume(a.is_valid and b.is_valid)
    assert geometry.quad_area(one) == pytest.approx(a.area, rel=1e-9)
    shared = a.intersection(b).area
    assert geometry.quad_overlap(one, other) == pytest.approx(shared / a.union(b).area, abs=1e-3)
    smaller = geometry.quad_overlap(one, other, of_smaller=True)
    assert smaller == pytest.approx(shared / min(a.area, b.area), abs=1e-3)


def test_overlap_of_equal_nested_turned_round_and_distant_quads() -> None:
    """The cases that tangle clipping: shared sides, one inside the other, corners the other way round."""
    square = np.array([[0, 0], [10, 0], [10, 10], [0, 10]], float)
    inner = square / 2 + 2
    assert geometry.quad_overlap(square, square) == pytest.approx(1.0)
    assert geometry.quad_overlap(square, square[::-1]) == pytest.approx(1.0)
    assert geometry.quad_overlap(square, inner) == pytest.approx(0.25)
    assert geometry.quad_overlap(inner, square) == pytest.approx(0.25)
    assert geometry.quad_overlap(square, inner, of_smaller=True) == pytest.approx(1.0)
    assert geometry.quad_overlap(square, square + np.array([5, 0])) == pytest.approx(50 / 150)
    assert geometry.quad_overlap(square, square + np.array([10, 0])) == pytest.approx(0.0, abs=1e-6)
    assert geometry.quad_overlap(square, square + 100) == 0.0


@MANY
@given(SEEDS)
def test_box_overlap_is_that_of_shapely(seed: int) -> None:
    rng = np.random.default_rng(seed)
    low = rng.uniform(0, 60, (2, 2))
    one, other = (tuple(map(float, (*start, *(start + rng.uniform(1, 60, 2))))) for start in low)
    a, b = box(*one), box(*other)
    assert geometry.box_overlap(one, other) == pytest.approx(a.intersection(b).area / a.union(b).area)
    smaller = geometry.box_overlap(one, other, of_smaller=True)
    assert smaller == pytest.approx(a.intersection(b).area / min(a.area, b.area))
    assert geometry.axis_box(np.array([*np.reshape(one, (2, 2)), *np.reshape(other, (2, 2))])) == a.union(b).bounds


@MANY
@given(SEEDS)
def test_clockwise_does_not_depend_on_the_order_given(seed: int) -> None:
    quad = random_quad(np.random.default_rng(seed))
    ordered = [geometry.clockwise(quad[list(p)]) for p in itertools.permutations(range(4))]
    assert all(np.array_equal(o, ordered[0]) for o in ordered)
    assert {tuple(c) for c in ordered[0]} == {tuple(c) for c in quad}
    # Counter-clockwise with y up, as Shapely means it, is clockwise as seen, with y down.
    assert Polygon(ordered[0]).exterior.is_ccw


def test_clockwise_starts_at_the_upper_left() -> None:
    quad = np.array([[12, 3], [99, 8], [95, 41], [7, 37]], float)
    assert geometry.clockwise(quad[[2, 0, 3, 1]]).tolist() == quad.tolist()


@MANY
@given(SEEDS)
def test_points_go_through_a_homography_as_opencv_takes_them(seed: int) -> None:
    rng = np.random.default_rng(seed)
    source, target, points = random_quad(rng), random_quad(rng), rng.uniform(150, 250, (6, 2))
    matrix = cv2.getPerspectiveTransform(source.astype(np.float32), target.astype(np.float32))
    expected = cv2.perspectiveTransform(points[None], matrix)[0]
    assume(np.abs(expected).max() < 1e5)
    assert geometry.apply(matrix, points) == pytest.approx(expected, rel=1e-9, abs=1e-9)


def test_sides_are_means_of_opposite_sides() -> None:
    trapezium = np.array([[0, 0], [10, 0], [8, 4], [2, 4]], float)
    assert geometry.quad_sides(trapezium) == pytest.approx((8.0, np.hypot(2, 4)))


def contour_of(quad: Corners) -> Corners:
    """The pixel contour of a filled quadrilateral, as outlines are found."""
    mask = np.zeros((420, 620), np.uint8)
    cv2.fillConvexPoly(mask, np.round(quad * 16).astype(np.int32), 255, cv2.LINE_8, 4)
    contours, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    return contours[0][:, 0, :].astype(float)


SLANTED = np.array([[62.0, 71.0], [540.0, 88.0], [551.0, 262.0], [50.0, 243.0]])


@pytest.mark.parametrize(("lean", "square"), [(0.0, True), (5.0, True), (6.5, True), (8.0, False), (30.0, False)])
def test_squarish_goes_by_the_worst_corner(lean: float, square: bool) -> None:
    """A corner of 90 - 6.9 degrees has a cosine of 0.12."""
    shift = 40 * np.tan(np.radians(lean))
    assert geometry.squarish(np.array([[0, 0], [100, 0], [100 + shift, 40], [shift, 40]])) is square


@pytest.mark.parametrize("turn", [0, 33, 90, 135, 178])
def test_parallelogram_goes_by_the_direction_of_opposite_sides(turn: float) -> None:
    angle = np.radians(turn)
    rotation = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
    rise = 100 * np.tan(np.radians(5))
    leaning = np.array([[0, 0], [100, 0], [130, 40], [30, 40]], float) @ rotation
    tapered = np.array([[0, 0], [100, 0], [100, 40 + rise], [0, 40]], float) @ rotation
    assert geometry.nearly_parallelogram(leaning, 0.01)
    assert geometry.nearly_parallelogram(tapered, 5.1)
    assert not geometry.nearly_parallelogram(tapered, 4.9)


def test_quads_leave_as_plain_tuples() -> None:
    quad = geometry.as_quad(np.array([[0.123456, 1], [2, 3], [4, 5], [6, 7.999]]))
    assert quad == ((0.12, 1.0), (2.0, 3.0), (4.0, 5.0), (6.0, 8.0))
    assert all(type(value) is float for point in quad for value in point)


@MANY
@given(SEEDS)
def test_depth_is_shapelys_distance_to_the_boundary(seed: int) -> None:
    rng = np.random.default_rng(seed)
    corners, point = random_quad(rng), rng.uniform(0, 400, 2)
    quad, at = Polygon(corners), Point(*point)
    assume(quad.is_valid)
    signed = quad.exterior.distance(at) * (1 if quad.contains(at) else -1)
    assert geometry.depth_inside(corners, point) == pytest.approx(signed, abs=1e-3)
