"""The sharpest of a burst, from a film that stands in for a camera, and from cameras that answer or do not."""

import hashlib
import io
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from PIL import Image
from skimage.measure import blur_effect
from staged import Stage, chip
from stock import a_lot

from tracker.desk import inspect as inspecting
from tracker.desk import photograph as photographing
from tracker.desk.camera import BURST_FRAMES, SETTLING_FRAMES, shoot
from tracker.desk.verify import verify
from tracker.desk.workspace import Workspace
from tracker.errors import BadRequest
from vision.burst import sharpest

NOW = datetime(2031, 4, 2, 9, 30, 5, tzinfo=UTC)


def scene(blur: float, seed: int = 1) -> np.ndarray:
    """A picture with edges of every size, RGB, softened by a Gaussian of `blur` pixels."""
    rng = np.random.default_rng(seed)
    blocks = rng.integers(20, 236, (12, 16, 3), np.uint8).repeat(20, axis=0).repeat(20, axis=1)
    return cv2.GaussianBlur(blocks, (0, 0), blur) if blur else blocks


def film(path: Path, blurs: list[float]) -> Path:
    """Write a film whose frames show one scene, each with its own blur; Motion JPEG is in every build of OpenCV."""
    writer = cv2.VideoWriter(str(path), cv2.VideoWriter.fourcc(*"MJPG"), 10, (320, 240))
    assert writer.isOpened()
    for blur in blurs:
        writer.write(cv2.cvtColor(scene(blur), cv2.COLOR_RGB2BGR))
    writer.release()
    return path


def frames(path: Path) -> list[np.ndarray]:
    """The film's frames as OpenCV decodes them, RGB."""
    capture, found = cv2.VideoCapture(str(path)), []
    while True:
        got, frame = capture.read()
        if not got:
            return found
        found.append(cv2.cvtColor(frame, cv2.COLOR_BGR2RGB))


@pytest.mark.parametrize("place", [0, 2, 4])
def test_the_sharpest_frame_is_taken_without_loss(tmp_path, place):
    blurs = [6.0, 4.0, 2.5, 5.0, 3.0]
    blurs[place] = 0.7
    path = film(tmp_path / "Bench film.avi", blurs)
    shot = shoot(str(path), now=NOW)
    decoded = frames(path)
    # An independent measure (Crete et al. 2007 as scikit-image has it: 0 sharp, 1 blurred) says which is the sharpest.
    measured = [blur_effect(cv2.cvtColor(one, cv2.COLOR_RGB2GRAY)) for one in decoded]
    assert int(np.argmin(measured)) == place
    assert np.array_equal(np.asarray(Image.open(io.BytesIO(shot.data))), decoded[place])
    assert (shot.name, shot.frames) == ("camera-Bench-film-20310402T093005Z.png", 5)


def test_the_blurrier_of_two_frames_is_never_taken() -> None:
    for low, high in ((0.0, 0.8), (0.8, 1.5), (1.5, 4.0)):
        best = sharpest([scene(high), scene(low)])
        assert best is not None
        assert best.index == 1
    assert sharpest([]) is None


@pytest.mark.parametrize("content", [None, b"", b"no film at all" * 99])
def test_what_is_no_camera_and_no_film_is_refused(tmp_path, lotproof, content):
    path = tmp_path / "film.avi"
    if content is not None:
        path.write_bytes(content)
    ran = lotproof("inspect", "--camera", path, "--keep", tmp_path / "kept")
    assert ran.code == 2
    assert "film" in ran.err
    assert "Traceback" not in ran.err
    assert not (tmp_path / "kept").exists()


@pytest.mark.parametrize("which", ["-1", "", "rtsp://bench.example/1", "/dev/null", "a\0b"])
def test_only_numbers_and_files_are_opened(which, monkeypatch):
    monkeypatch.setattr(cv2, "VideoCapture", lambda *_: pytest.fail("something was opened"))
    with pytest.raises(BadRequest, match="neither a camera nor a film"):
        shoot(which)


class Cameras:
    """Stands in for OpenCV's captures: cameras at some indices, each giving the frames it was told."""

    def __init__(self, frames_at: dict[int, list[np.ndarray]]) -> None:
        self.frames_at = frames_at
        self.asked: list[tuple[int, float]] = []
        self.open_now = 0

    def __call__(self) -> Any:
        board = self

        class Capture:
            def open(self, source: int) -> bool:
                self.left = list(board.frames_at.get(source, []))
                board.open_now += 1
                return source in board.frames_at

            def set(self, what: int, value: float) -> bool:
                board.asked.append((what, value))
                return True

            def read(self) -> tuple[bool, np.ndarray | None]:
                return (True, cv2.cvtColor(self.left.pop(0), cv2.COLOR_RGB2BGR)) if self.left else (False, None)

            def release(self) -> None:
                board.open_now -= 1

        return Capture()


@pytest.fixture
def cameras(monkeypatch):
    def plug_in(**frames_at: list[np.ndarray]) -> Cameras:
        board = Cameras({int(name.removeprefix("at")): given for name, given in frames_at.items()})
        monkeypatch.setattr(cv2, "VideoCapture", board)
        return board

    return plug_in


def test_a_camera_settles_first_and_is_asked_for_its_largest_frames(cameras):
    burst = [scene(3.0)] * BURST_FRAMES
    burst[7] = scene(1.0)
    board = cameras(at2=[scene(0.0)] * SETTLING_FRAMES + burst + [scene(0.0)] * 5)
    shot = shoot("2", now=NOW)
    assert np.array_equal(np.asarray(Image.open(io.BytesIO(shot.data))), scene(1.0))
    assert (shot.name, shot.frames) == ("camera-2-20310402T093005Z.png", BURST_FRAMES)
    assert {cv2.CAP_PROP_FRAME_WIDTH, cv2.CAP_PROP_FRAME_HEIGHT} <= {what for what, _ in board.asked}
    assert board.open_now == 0


@pytest.mark.parametrize(
    ("there", "said"),
    [
        ([], "No camera answers at 1, nor does any other of 0 to 5."),
        ([0], "There is one at 0."),
        ([0, 2, 5], "There is one at 0, 2 and 5."),
    ],
)
def test_a_camera_that_is_not_there_says_which_answered(cameras, lotproof, there, said):
    board = cameras(**{f"at{index}": [scene(1.0)] for index in there})
    ran = lotproof("inspect", "--camera", 1, "--json")
    assert (ran.code, ran.out) == (2, "")
    assert "No camera answers at 1" in ran.err
    assert said in ran.err
    assert board.open_now == 0


def test_a_camera_without_a_picture_says_so(cameras):
    cameras(at0=[])
    with pytest.raises(BadRequest, match="Camera 0 answers and gives no picture"):
        shoot("0")


def test_inspect_looks_at_the_frame_and_keeps_it_on_request(tmp_path, lotproof, monkeypatch):
    stage = Stage({}, [])
    monkeypatch.setattr(inspecting, "look", stage.look)
    path = film(tmp_path / "film.avi", [2.0, 0.5])
    digest = hashlib.sha256(shoot(str(path)).data).hexdigest()
    stage.scenes[digest] = (chip("CV6522AP"),)
    kept = tmp_path / "kept"
    ran = lotproof("inspect", "--camera", path, "--json", "--overlay", tmp_path / "out")
    assert ran.code == 0, ran.err
    assert [len(photo["pieces"]) for photo in ran.json["photos"]] == [1]
    assert len(list((tmp_path / "out").iterdir())) == 1
    assert not kept.exists()
    for number in (1, 2):
        ran = lotproof("inspect", "--camera", path, "--json", "--keep", kept)
        files = sorted(kept.iterdir())
        assert len(files) == number  # a second picture within one second does not replace the first
        assert ran.json["photos"][0]["path"] in map(str, files)
        assert ran.json["photos"][0]["sha256"] == digest
        assert {hashlib.sha256(file.read_bytes()).hexdigest() for file in files} == {digest}


def test_photograph_keeps_the_frame_byte_for_byte(tmp_path, lotproof, monkeypatch, sqlite_template):
    stage = Stage({}, [])
    monkeypatch.setattr(photographing, "look", stage.look)
    folder = tmp_path / "w"
    with Workspace.open(folder, create=True) as opened:
        a_lot(opened)
    path = film(tmp_path / "film.avi", [2.0, 0.5])
    data = shoot(str(path)).data
    stage.scenes[hashlib.sha256(data).hexdigest()] = (chip("CV6522AP"),)
    ran = lotproof("photograph", "L0001", "--camera", path, "--workspace", folder, "--json")
    assert ran.code == 0, ran.err
    assert [one["piece"] for one in ran.json["pieces"]] == ["L0001-01"]
    with Workspace.open(folder) as opened:
        assert opened.store.read(ran.json["photos"][0]["sha256"]) == data
        assert verify(opened).faults == ()


def test_a_folder_that_cannot_take_the_frame_is_refused(tmp_path, lotproof):
    (tmp_path / "file").write_bytes(b"")
    ran = lotproof("inspect", "--camera", film(tmp_path / "film.avi", [1.0]), "--keep", tmp_path / "file")
    assert ran.code == 2
    assert "cannot be kept" in ran.err
