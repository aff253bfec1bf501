"""Labels beside chips: read from rendered photos whose truth is known, given to a chip only where it is clear."""

from __future__ import annotations

import io

import numpy as np
import pytest
from label_shots import FOUR, PLACES, bagged, shot
from numpy.typing import NDArray
from PIL import Image

from vision.inspection import PhotoSource, inspect
from vision.labels import Label, covers, given, read
from vision.observations import Face, PieceView

thorough = pytest.mark.thorough


def pixels(data: bytes) -> NDArray[np.uint8]:
    return np.asarray(Image.open(io.BytesIO(data)).convert("RGB"))


@pytest.mark.parametrize(
    "how",
    [
        pytest.param({}, id="plain"),
        pytest.param({"from_above": (10, 230, 250), "ground": "kraft"}, id="from the side", marks=thorough),
        pytest.param({"size": (1150, 862), "ground": "wood"}, id="few pixels"),
        pytest.param({"blur": 1.4, "quality": 60}, id="soft", marks=thorough),
        pytest.param({"from_above": (-120, 160, 220), "ground": "black foam"}, id="askew", marks=thorough),
    ],
)
def test_printed_labels_are_read_from_a_photo(how: dict[str, object], monkeypatch: pytest.MonkeyPatch) -> None:
    data = shot(PLACES, FOUR, monkeypatch, **how)  # type: ignore[arg-type]
    assert sorted(one.text for one in read(pixels(data))) == [text for text, _, _ in FOUR]


def test_labels_in_a_bag_are_read_or_missed_and_never_misread(monkeypatch: pytest.MonkeyPatch) -> None:
    clear = shot(PLACES, FOUR, monkeypatch)
    truth = {text for text, _, _ in FOUR}
    found = [{one.text for one in read(pixels(bagged(clear, seed)))} for seed in range(6)]
    assert all(one <= truth for one in found)
    assert sum(map(len, found)) >= 18  # three of four; a crease over a finder pattern hides it


def test_each_chip_of_a_photo_gets_the_label_beside_it(monkeypatch: pytest.MonkeyPatch) -> None:
    data = shot(PLACES, FOUR, monkeypatch)
    (view,) = inspect([PhotoSource("labels.jpg", data)]).photos
    assert [piece.label for piece in view.pieces] == ["L0007-01", "L0007-02", "L0007-03", "L0007-04"]
    assert sorted(view.labels) == [text for text, _, _ in FOUR]
    assert "label-unclear" not in [warning.code for warning in view.warnings]


def placed(x: float, y: float, width: float = 400, height: float = 110) -> PieceView:
    outline = ((x, y), (x + width, y), (x + width, y + height), (x, y + height))
    return PieceView(outline, 0.9, None, 0.0, (), Face(np.zeros((4, 4, 3), np.uint8), np.eye(3)))


def code(text: str, x: float, y: float, side: float = 70) -> Label:
    return Label(text, np.array([[x, y], [x + side, y], [x + side, y + side], [x, y + side]], float))


def test_a_label_goes_to_the_nearest_chip_within_reach() -> None:
    named, warned = given([placed(0, 0), placed(0, 600)], [code("L0001-02", 40, 760), code("L0001-01", 40, 1500)])
    assert [piece.label for piece in named] == [None, "L0001-02"]
    assert warned == ()
    assert given([], [code("L0001-01", 0, 0)]) == ((), ())


def test_a_label_between_two_chips_names_neither_and_says_so() -> None:
    named, (warning,) = given([placed(0, 0), placed(0, 300)], [code("L0001-02", 100, 170)])
    assert [piece.label for piece in named] == [None, None]
    assert warning.code == "label-unclear"
    assert "L0001-02 lies between two chips" in warning.message


def test_two_labels_beside_one_chip_name_it_neither() -> None:
    both = [code("L0001-02", 0, 140), code("L0001-03", 220, 140)]
    (named,), (warning,) = given([placed(0, 0)], both)
    assert named.label is None
    assert "L0001-02 and L0001-03" in warning.message


def test_of_two_labels_the_clearly_nearer_one_counts() -> None:
    (named,), warned = given([placed(0, 0)], [code("L0001-02", 0, 140), code("L0001-03", 0, 260)])
    assert (named.label, warned) == ("L0001-02", ())


def test_the_same_label_twice_beside_one_chip_is_one() -> None:
    (named,), warned = given([placed(0, 0)], [code("L0001-02", 0, 140), code("L0001-02", 0, -100)])
    assert (named.label, warned) == ("L0001-02", ())


def test_codes_that_name_no_piece_name_no_chip() -> None:
    for text in ("L0001", "L0002/1", "https://example.org/L0001-02", "0001-02"):
        (named,), warned = given([placed(0, 0)], [code(text, 0, 140), code("L0001-04", 0, 330)])
        assert (named.label, warned) == ("L0001-04", ()), text


def test_a_code_taken_for_a_chip_is_dropped_and_a_chip_on_a_label_stays() -> None:
    label = code("L0001-02", 100, 100)
    assert covers([label], np.array(placed(95, 95, 80, 80).outline))
    assert not covers([label], np.array(placed(90, 90, 400, 110).outline))
    assert not covers([label], np.array(placed(300, 100, 80, 80).outline))
