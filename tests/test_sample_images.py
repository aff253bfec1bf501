"""The sample pictures: what is committed, and that the script that renders them is repeatable and knows its truth."""

import csv
import hashlib
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image

from sample_images.camera import Camera
from sample_images.marks import Marking, mask_of
from sample_images.parts import DIP14, DIP40, PLCC44, QFP44, SOIC16, Package, corners
from sample_images.photo import Scene, photograph
from sample_images.render import COLUMNS, encoded, truth_rows
from sample_images.scenes import SCENES, logic_lot, marketplace_lot, swab_after, swab_before

FOLDER = Path(__file__).resolve().parent.parent / "sample_images"
ROWS = list(csv.DictReader((FOLDER / "truth.csv").open(encoding="utf-8")))


def small(scene: Scene, *, pieces: int = 1, width: int = 420) -> Scene:
    """Return the scene with fewer pieces in fewer pixels."""
    height = round(width * scene.camera.size[1] / scene.camera.size[0])
    return replace(scene, camera=replace(scene.camera, size=(width, height)), pieces=scene.pieces[:pieces])


def quad(row: dict[str, str]) -> np.ndarray:
    return np.array([[float(row[f"x{i}"]), float(row[f"y{i}"])] for i in range(4)], np.float32)


def top(row: dict[str, str], width: int, height: int) -> np.ndarray:
    """Cut a piece's top out of its committed picture, upright, grey."""
    photo = cv2.imread(str(FOLDER / row["file"]), cv2.IMREAD_GRAYSCALE)
    frame = np.array([[0, 0], [width, 0], [width, height], [0, height]], np.float32)
    return cv2.warpPerspective(photo, cv2.getPerspectiveTransform(quad(row), frame), (width, height))


def test_committed_pictures_are_those_of_the_truth_table() -> None:
    assert {row["file"] for row in ROWS} == {path.name for path in FOLDER.glob("*.jpg")}
    assert {row["file"] for row in ROWS} == {f"{make.__name__}.jpg" for make in SCENES}
    assert tuple(ROWS[0]) == COLUMNS
    assert sum((path.stat().st_size) for path in FOLDER.iterdir() if path.is_file()) < 6_000_000


@pytest.mark.parametrize("path", sorted(FOLDER.glob("*.jpg")), ids=lambda path: path.stem)
def test_committed_picture_is_modest_and_has_its_pieces_inside(path: Path) -> None:
    assert path.stat().st_size < 500_000
    with Image.open(path) as image:
        width, height = image.size
        assert 1600 <= max(image.size) <= 2400
        assert not image.getexif()
    for row in (row for row in ROWS if row["file"] == path.name):
        outline = quad(row)
        assert outline.min() > 0
        assert (outline.max(axis=0) < (width, height)).all()
        # Clockwise as seen (y downwards): the shoelace area is positive.
        x, y = outline.T
        assert float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y)) > 0


def test_committed_truth_is_what_the_script_says() -> None:
    """The outlines and lines come from geometry alone, so they are the same on every machine."""
    for make in SCENES:
        scene = make()
        from sample_images.bodies import outline_in_picture
        from sample_images.camera import Canvas

        canvas = Canvas(scene.camera)
        rows = truth_rows(scene, [outline_in_picture(canvas, piece) for piece in scene.pieces])
        assert rows == [list(row.values()) for row in ROWS if row["file"] == f"{scene.name}.jpg"]


def test_same_seed_gives_the_same_pixels() -> None:
    digests = {hashlib.sha256(photograph(small(logic_lot(), pieces=2))[0].tobytes()).hexdigest() for _ in range(2)}
    assert len(digests) == 1


def test_another_seed_gives_other_pixels() -> None:
    scene = small(logic_lot())
    assert not np.array_equal(photograph(scene)[0], photograph(replace(scene, seed=scene.seed + 1))[0])


@pytest.mark.thorough
def test_committed_picture_shows_what_the_script_renders() -> None:
    """Not byte for byte (another machine may round otherwise), but the same scene: the mean difference is small."""
    scene = swab_before()
    rendered, _ = photograph(scene)
    committed = np.asarray(Image.open(FOLDER / "swab_before.jpg").convert("RGB"), np.float32)
    difference = np.abs(cv2.GaussianBlur(committed - rendered, (0, 0), 2.0))
    assert difference.mean() < 1.5


def test_projection_is_that_of_an_independent_library() -> None:
    """OpenCV's projectPoints, given the same axes and focal length, must put points in the same place."""
    camera = Camera((2000, 1500), (14, 95, 250), (0, -1, 2), 131, roll=1.2)
    right, down, forward = camera.axes()
    rotation = np.stack([right, down, forward]).astype(np.float64)
    matrix = np.array([[camera.focal(), 0, 999.5], [0, camera.focal(), 749.5], [0, 0, 1]])
    # The bench's axes (x right, y down, z up) are left-handed; mirrored in z they are a proper rotation.
    mirror = np.diag([1.0, 1.0, -1.0])
    proper = rotation @ mirror
    assert np.linalg.det(proper) == pytest.approx(1.0, abs=1e-5)
    points = np.array([[0, 0, 0], [30, -20, 4], [-45, 33, 0], [10, 10, 8.0]])
    shift = -rotation @ np.array(camera.position)
    expected, _ = cv2.projectPoints(points @ mirror, cv2.Rodrigues(proper)[0], shift, matrix, None)
    assert camera.project(points) == pytest.approx(expected[:, 0], abs=0.02)
    back = camera.on_ground(camera.project(points[[0, 2]]))
    assert back == pytest.approx(points[[0, 2]], abs=0.01)


def test_outline_lies_on_the_edge_of_the_top_in_the_picture() -> None:
    """Just inside the outline is dark plastic, just outside (above the far edge) is pale card."""
    rows = [row for row in ROWS if row["file"] == "authorised_lot.jpg"]
    photo = cv2.imread(str(FOLDER / "authorised_lot.jpg"), cv2.IMREAD_GRAYSCALE).astype(np.float32)
    for row in rows:
        outline = quad(row)
        inwards = (outline[3] - outline[0]) / np.linalg.norm(outline[3] - outline[0])
        line = outline[0] + np.linspace(0.1, 0.9, 200)[:, None] * (outline[1] - outline[0])
        inside, outside = (np.round(line + inwards * step).astype(int) for step in (8, -22))
        assert photo[inside[:, 1], inside[:, 0]].mean() < 90
        assert photo[outside[:, 1], outside[:, 0]].mean() > 120


@pytest.mark.parametrize(
    ("package", "length", "width"),
    # Body length and width in mm as makers' data sheets give them for MS-011-AC, MS-012, MO-047 and (from memory)
    # MS-001-AA and MS-022.
    [
        (DIP40, (50.3, 53.2), (12.32, 14.73)),
        (SOIC16, (9.8, 10.0), (3.8, 4.0)),
        (PLCC44, (16.51, 16.66), (16.51, 16.66)),
        (DIP14, (18.66, 19.68), (6.1, 7.11)),
        (QFP44, (9.9, 10.1), (9.9, 10.1)),
    ],
    ids=lambda value: value.name if isinstance(value, Package) else "",
)
def test_bodies_keep_to_published_outlines(
    package: Package, length: tuple[float, float], width: tuple[float, float]
) -> None:
    assert length[0] <= package.length <= length[1]
    assert width[0] <= package.width <= width[1]
    assert np.ptp(corners(package)[:, 0]) == pytest.approx(package.length - 2 * package.draft)


def test_mark_has_the_height_and_the_place_asked_for() -> None:
    marking = Marking(("HHHH",), height=2.0, stroke=0.2, place=(3.0, -1.0))
    mask = mask_of(marking, (20.0, 8.0), 20.0) > 0.5
    rows, columns = np.nonzero(mask)
    assert (np.ptp(rows) + 1) / 20 == pytest.approx(2.2, abs=0.12)  # capitals and half a stroke above and below
    assert rows.mean() / 20 - 4.0 == pytest.approx(-1.0, abs=0.15)
    assert columns.mean() / 20 - 10.0 == pytest.approx(3.0, abs=0.4)


def test_re_marked_pieces_differ_from_their_siblings_in_the_committed_picture() -> None:
    """Their ink covers more of the top and starts farther from the left than any genuine sibling's."""
    rows = [row for row in ROWS if row["file"] == "marketplace_lot.jpg"]
    cover = {}
    for row in rows:
        face = top(row, 1000, 260)[20:240, 250:700].astype(np.float32)
        cover[row["piece"]] = float((face > np.median(face) + 45).mean())
    genuine = [cover[row["piece"]] for row in rows if row["truth"] == "genuine"]
    marked = [cover[row["piece"]] for row in rows if row["truth"] != "genuine"]
    assert len(genuine) == 6
    assert len(marked) == 2
    assert min(marked) > 1.1 * max(genuine)


def test_swab_takes_ink_off() -> None:
    before, after = (next(row for row in ROWS if row["file"] == f"swab_{when}.jpg") for when in ("before", "after"))
    faces = [top(row, 1000, 260).astype(np.float32) for row in (before, after)]
    ink = [float((face[40:220, 400:720] > 150).mean()) for face in faces]
    assert ink[1] < 0.6 * ink[0]
    assert swab_before().pieces[0].work.wiped == 0 < swab_after().pieces[0].work.wiped


def test_two_of_eight_are_re_marked() -> None:
    truths = [piece.truth for piece in marketplace_lot().pieces]
    assert [number for number, truth in enumerate(truths, 1) if truth != "genuine"] == [3, 6]


def test_jpeg_is_the_same_bytes_twice_and_small_enough() -> None:
    picture, _ = photograph(small(logic_lot()))
    assert encoded(picture) == encoded(picture)
    noisy = np.random.default_rng(1).integers(0, 256, (1200, 1600, 3), np.uint8)
    assert len(encoded(noisy)) > 480_000  # pure noise cannot be squeezed: the best effort comes back
