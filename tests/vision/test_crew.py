"""Whoever does the work, the result is the same."""

import multiprocessing
import os
import signal
import sys
import time
from functools import partial
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from vision.crew import Crew, cores, crew
from vision.inspection import PhotoSource, inspect
from vision.observations import PhotoView

SAMPLES = Path(__file__).resolve().parents[2] / "sample_images"
PHOTOS = [PhotoSource(str(SAMPLES / name)) for name in ("mixed_bench.jpg", "swab_before.jpg")]


def square(number: int) -> int:
    return number * number


def ended(number: int) -> int:
    if os.getpid() != int(os.environ["PARENT"]):
        os.kill(os.getpid(), signal.SIGKILL)
    return -number


@pytest.mark.parametrize("workers", [1, 2])
def test_outcomes_come_in_the_order_of_the_items(workers: int) -> None:
    with crew(workers) as hands:
        assert hands.each(square, range(20)) == [n * n for n in range(20)]
        assert list(hands.photos(square, [3, 1, 2])) == [9, 1, 4]


def test_work_of_a_process_that_was_killed_is_done_here(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PARENT", str(os.getpid()))
    with crew(2) as hands:
        assert hands.whole
        assert hands.each(ended, [1, 2, 3]) == [-1, -2, -3]
        assert not hands.whole


def test_a_crew_that_was_broken_off_does_the_next_work() -> None:
    """As a server keeps it: what is not wanted any more is waited for by nobody, and the next photos are."""
    with crew(2) as hands:
        photos = hands.photos(partial(_slowly, hands), [1, 2, 3, 4])
        assert next(photos) == [1]
        photos.close()  # type: ignore[attr-defined]
        assert list(hands.photos(partial(_slowly, hands), [5, 6])) == [[25], [36]]
        assert hands.whole


def _slowly(hands: Crew, number: int) -> list[int]:
    return hands.each(_slow_square, [number])


def _slow_square(number: int) -> int:
    time.sleep(0.3)
    return number * number


def test_a_failure_in_a_worker_reaches_the_caller() -> None:
    with crew(2) as hands, pytest.raises(ZeroDivisionError):
        hands.each((1).__truediv__, [1, 0])


def test_two_processes_see_what_one_sees() -> None:
    told: list[tuple[int, int]] = []
    alone = inspect(PHOTOS)
    shared = inspect(PHOTOS, workers=2, progress=lambda done, whole: told.append((done, whole)))
    assert told == [(1, 2), (2, 2)]
    for one, other in zip(alone.photos, shared.photos, strict=True):
        assert isinstance(other, PhotoView)
        assert len(one.pieces) == len(other.pieces) > 0
        for mine, theirs in zip(one.pieces, other.pieces, strict=True):
            assert mine.outline == theirs.outline
            assert [(li.text, li.confidence) for li in mine.lines] == [(li.text, li.confidence) for li in theirs.lines]
            assert np.array_equal(mine.face.image, theirs.face.image)
            assert mine.observations == theirs.observations


def test_there_is_at_least_one_core() -> None:
    assert cores() >= 1


def own_id(_: int) -> int:
    return os.getpid()


def ended_by_parents_death(path: str) -> None:
    """Stand for a command that is killed while its crew is at work."""
    with crew(2) as hands:
        hands.each(write_id, [f"{path}/{n}" for n in range(2)])
        os.kill(os.getpid(), signal.SIGKILL)


def write_id(path: str) -> None:
    Path(path).write_text(str(os.getpid()), encoding="ascii")
    time.sleep(0.2)  # so that the other process takes the other one


def test_one_crew_serves_a_whole_command(tmp_path: Path) -> None:
    """The same processes look at one photo after another, and what they see is what one process sees."""
    small = PhotoSource(str(tmp_path / "small.png"))
    Image.open(PHOTOS[1].path).resize((600, 333)).save(small.path)
    (alone,) = inspect([small]).photos
    with crew(2) as hands:
        (first,), (missing,), (again,) = (
            inspect([one], hands=hands).photos for one in (small, PhotoSource("missing.jpg"), small)
        )
        members = set(hands.each(own_id, range(200)))
    assert 1 <= len(members) <= 2
    assert os.getpid() not in members
    assert missing.error is not None
    assert alone.pieces
    for seen in (first, again):
        assert [p.outline for p in seen.pieces] == [p.outline for p in alone.pieces]
        assert [p.lettering for p in seen.pieces] == [p.lettering for p in alone.pieces]


def test_who_stops_waiting_stops_the_work() -> None:
    """As a Ctrl-C does: photos that nobody began are not begun any more."""
    begun: list[int] = []
    with crew(2) as hands:
        photos = hands.photos(partial(_photo_of_one_nap, begun=begun, hands=hands), range(60))
        assert next(photos) == 0
        photos.close()  # type: ignore[attr-defined]
    assert len(begun) < 20


def nap(_: int) -> None:
    time.sleep(0.05)


def _photo_of_one_nap(number: int, begun: list[int], hands: Crew) -> int:
    begun.append(number)
    hands.each(nap, [number])
    return number


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="looks into /proc")
def test_a_crew_does_not_outlive_a_killed_parent(tmp_path: Path) -> None:
    parent = multiprocessing.get_context("spawn").Process(target=ended_by_parents_death, args=(str(tmp_path),))
    parent.start()
    parent.join(60)
    assert parent.exitcode == -signal.SIGKILL
    members = [int(path.read_text(encoding="ascii")) for path in tmp_path.iterdir()]
    assert members
    until = time.monotonic() + 10
    while any(map(alive, members)) and time.monotonic() < until:
        time.sleep(0.05)
    assert not any(map(alive, members))


def alive(number: int) -> bool:
    """Whether a process runs; one that ended and that nobody has asked about yet does not."""
    try:
        return Path(f"/proc/{number}/stat").read_text(encoding="ascii").split(") ")[1][0] != "Z"
    except (FileNotFoundError, ProcessLookupError):
        return False
