"""Whoever does the work, the result is the same."""

import os
import signal
from pathlib import Path

import numpy as np
import pytest

from vision.crew import cores, crew
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
        assert hands.each(ended, [1, 2, 3]) == [-1, -2, -3]


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
