"""Undersides drawn with dimples of known place and size: found again, and unlike moulds told apart."""

import csv
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from drawn_undersides import MIDDLE, PAIR, box, underside
from PIL import Image

from vision.faces import rectify
from vision.geometry import as_quad
from vision.observations import NotMeasured, PieceView
from vision.undersides import MIXED, Dimple, Underside, compare_undersides, measure

SAMPLES = Path(__file__).resolve().parents[2] / "sample_images"


def seen(view: PieceView) -> Underside:
    """What is measured on it."""
    found = measure(view)
    assert isinstance(found, Underside)
    return found


def flagged(views: list[PieceView]) -> list[str]:
    """What comparison says of each piece: '', 'slight' or 'clear'."""
    results = compare_undersides([measure(view) for view in views], views)
    assert all(looked == (MIXED,) for _, looked in results)
    return ["".join(one.strength for one in observed) for observed, _ in results]


@pytest.mark.parametrize("seed", range(4))
def test_dimples_are_found_where_they_were_drawn(seed: int) -> None:
    found = seen(underside(PAIR, seed)).dimples
    assert [(d.across, d.down) for d in found] == [pytest.approx(d[:2], abs=0.08) for d in PAIR]
    assert [d.diameter for d in found] == pytest.approx([0.3, 0.3], rel=0.4)


def test_a_bare_underside_has_none_and_an_o_is_no_dimple() -> None:
    for seed in range(4):
        assert seen(underside((), seed)).dimples == ()
    ring = ((0.5, 0.5, 0.2),)
    assert len(seen(underside(ring)).dimples) == 1
    assert seen(underside(ring, lines=[("0", box(110, 110, 80, 80))])).dimples == ()


def test_words_are_kept_apart_from_numbers() -> None:
    found = seen(underside(lines=[("MERIDIA 12", box(300, 120, 200, 60))]))
    assert (found.marks, found.words) == (("MERIDIA 12",), {"MERIDIA"})


def test_a_small_picture_is_not_measured() -> None:
    found = measure(underside(size=(40, 110)))
    assert isinstance(found, NotMeasured)
    assert "40 pixels" in found.reason
    small = [underside(PAIR, k, size=(40, 110)) for k in range(3)]
    assert compare_undersides([measure(view) for view in small], small) == [((), ())] * 3


def test_one_mould_in_many_lights_is_one_mould() -> None:
    views = [underside(PAIR, k) for k in range(6)]
    assert flagged(views) == [""] * 6


def test_the_odd_one_is_named() -> None:
    views = [underside(MIDDLE if k == 2 else PAIR, k) for k in range(5)]
    assert flagged(views) == ["", "", "clear", "", ""]
    ((finding,), _) = compare_undersides([measure(view) for view in views], views)[2]
    assert (finding.code, finding.family, finding.value, finding.reference) == (MIXED, "body", 1.0, 2.0)
    assert "most of the 5 pieces of this date code" in finding.message


def test_halves_are_slight_on_all() -> None:
    views = [underside(MIDDLE if k % 2 else PAIR, k) for k in range(4)]
    assert flagged(views) == ["slight"] * 4


def test_two_pieces_cannot_say_which_is_odd() -> None:
    views = [underside(PAIR), underside(MIDDLE)]
    assert compare_undersides([measure(view) for view in views], views) == [((), ())] * 2


def made_of(*dimples: tuple[float, float, float], words: str = "") -> Underside:
    """An underside as if it had been measured."""
    found = tuple(Dimple(*one) for one in dimples)
    return Underside(found, found, (words,), frozenset(words.split()), (2.67, 1.0))


def strengths(undersides: list[Underside], photos: str) -> list[str]:
    """What comparison says of undersides in photos, one letter each."""
    views = [replace(underside(()), photo=photo) for photo in photos]
    return ["".join(one.strength for one in observed) for observed, _ in compare_undersides(undersides, views)]


def test_upside_down_and_slid_is_still_the_same_mould() -> None:
    layout = made_of((0.4, 0.5, 0.3), (1.6, 0.4, 0.2))
    turned = made_of((2.67 - 0.4, 0.5, 0.3), (2.67 - 1.6, 0.6, 0.2))
    slid = made_of((0.52, 0.53, 0.3), (1.72, 0.43, 0.2))
    assert strengths([layout, turned, slid, layout], "aaaa") == [""] * 4


def test_what_other_light_may_hide_is_no_difference() -> None:
    pair, none, single = made_of(*PAIR), made_of(), made_of(PAIR[0])
    assert strengths([pair, pair, pair, none], "aaab") == [""] * 4
    assert strengths([pair, pair, pair, none], "aaaa") == ["", "", "", "clear"]
    assert strengths([pair, pair, pair, single], "aaaa") == [""] * 4


def test_another_country_is_another_mould_and_a_misread_one_is_not() -> None:
    here, misread, there = (made_of(*PAIR, words=w) for w in ("MERIDIA", "MERIDLA", "OSTLAND"))
    assert strengths([here, here, misread, there], "aaaa") == ["", "", "", "clear"]


def test_the_rendered_undersides_of_one_mould_agree() -> None:
    """Against the description in sample_images/parts.py: marks of 3.8 mm, 35 mm apart, on bodies 13.7 mm wide.

    A camera that looks aslant shortens the width by some percent, so distances are held to 12 %.
    """
    with (SAMPLES / "truth.csv").open(encoding="utf-8") as rows:
        outlines = [row for row in csv.DictReader(rows) if row["file"] == "bottom_view.jpg"]
    image = np.asarray(Image.open(SAMPLES / "bottom_view.jpg").convert("RGB"))
    views = []
    for row in outlines:
        corners = np.array([[float(row[f"{axis}{k}"]) for axis in "xy"] for k in range(4)])
        views.append(PieceView(as_quad(corners), 0.9, None, 0.0, (), rectify(image, corners), photo="one"))
    assert len(views) == 4
    assert flagged(views) == [""] * 4
    for view in views:
        # On the third one a shadow beside the lettering is taken for another round mark.
        first, *others, last = seen(view).dimples
        assert len(others) <= 1
        assert last.across - first.across == pytest.approx(35 / 13.7, rel=0.12)
        assert [d.diameter for d in (first, last)] == pytest.approx([3.8 / 13.7] * 2, rel=0.3)
