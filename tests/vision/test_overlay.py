"""The annotated picture: no text on another, every text somewhere, roles told apart without colour."""

from pathlib import Path

import matplotlib
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import Polygon, box

from vision.observations import Quad, Rgb
from vision.overlay import LETTER_PART, Mark, Placed, draw, draw_placed, font

SENTENCE = "The characters are 15 % taller than on the other 5 pieces of this group."
OTHER = "Fine parallel lines run over the top, as sanding leaves them."


def quad(x: float, y: float, width: float, height: float, skew: float = 0.0) -> Quad:
    """A slightly turned rectangle."""
    return ((x, y), (x + width, y + skew), (x + width, y + height + skew), (x, y + height))


def photo(width: int = 900, height: int = 600) -> Rgb:
    """A grey picture."""
    return np.full((height, width, 3), 120, np.uint8)


def sheet(columns: int, rows: int, flagged: set[int], size: tuple[int, int] = (900, 600)) -> list[Mark]:
    """Chips in a grid, some with findings."""
    width, height = size
    marks = []
    for k in range(columns * rows):
        x, y = (
            (k % columns) * width / columns + 0.2 * width / columns,
            (k // columns) * height / rows + 0.35 * height / rows,
        )
        w, h = 0.6 * width / columns, 0.3 * height / rows
        marks.append(Mark(quad(x, y, w, h, 4), str(k + 1), "piece"))
        marks.append(Mark(quad(x + 0.2 * w, y + 0.3 * h, 0.5 * w, 0.3 * h), "CV6522AP", "line"))
        if k in flagged:
            marks.append(Mark(quad(x + 0.15 * w, y + 0.2 * h, 0.6 * w, 0.5 * h), SENTENCE, "finding"))
            marks.append(Mark(quad(x, y, w, h, 4), OTHER, "finding"))
    return marks


def collisions(placed: tuple[Placed, ...]) -> list[tuple[str, str]]:
    """Pairs of texts that stand on each other."""
    found = []
    for i, a in enumerate(placed):
        for b in placed[:i]:
            across = min(a.box[2], b.box[2]) - max(a.box[0], b.box[0])
            down = min(a.box[3], b.box[3]) - max(a.box[1], b.box[1])
            if across > 0.5 and down > 0.5:
                found.append((a.text, b.text))
    return found


@pytest.mark.parametrize(("columns", "rows"), [(1, 1), (2, 2), (4, 3), (6, 6)])
def test_texts_do_not_collide_and_none_is_lost(columns: int, rows: int) -> None:
    marks = sheet(columns, rows, {0, 1, columns * rows - 1})
    picture, placed = draw_placed(photo(), marks)
    assert collisions(placed) == []
    said = [p.text for p in placed]
    for mark in marks:
        if mark.role != "line":
            assert mark.text in said
    assert said.count(SENTENCE) == sum(m.text == SENTENCE for m in marks)
    for place in placed:
        assert place.box[0] >= 0
        assert place.box[1] >= 0
        assert place.box[2] <= picture.shape[1]
        assert place.box[3] <= picture.shape[0]
        assert place.listed == (place.box[1] >= 600)


outlines = st.builds(
    quad, st.floats(-60, 850), st.floats(-60, 560), st.floats(15, 500), st.floats(8, 300), st.floats(-20, 20)
)


@settings(max_examples=25, deadline=None)
@given(
    st.lists(
        st.builds(Mark, outlines, st.sampled_from(["7", SENTENCE, OTHER]), st.sampled_from(["piece", "finding"])),
        max_size=7,
    )
)
def test_no_layout_makes_texts_collide(marks: list[Mark]) -> None:
    picture, placed = draw_placed(photo(), marks)
    assert picture.dtype == np.uint8
    assert picture.shape[1] == 900
    assert collisions(placed) == []
    for text in (SENTENCE, OTHER):
        assert sum(p.text == text for p in placed) == sum(m.text == text for m in marks)


def test_text_is_readable_on_a_phone() -> None:
    """Shown 90 mm long, text lines are at least 2 mm apart whatever the photo's resolution."""
    for width, height in ((800, 600), (4000, 3000)):
        _, placed = draw_placed(photo(width, height), sheet(2, 2, set(), (width, height)))
        tallest = max(p.box[3] - p.box[1] for p in placed)
        assert tallest / width * 90 >= 2.0
    assert pytest.approx(2.0, abs=0.1) == LETTER_PART * 90


def test_roles_differ_without_colour() -> None:
    """Over the same outline in grey, a piece, a line and a finding leave different patterns."""
    outline = quad(200, 150, 400, 200)
    patterns = [
        draw(photo(), [Mark(outline, "", role)]).astype(float).mean(axis=2) != 120  # type: ignore[arg-type]
        for role in ("piece", "line", "finding")
    ]
    for i, a in enumerate(patterns):
        assert a.sum() > 200
        for b in patterns[:i]:
            assert (a ^ b).sum() > 0.3 * min(a.sum(), b.sum())


def test_a_piece_with_a_finding_says_so_on_its_plate() -> None:
    calm = draw(photo(), sheet(1, 1, set()))
    warned = draw(
        photo(), [m for m in sheet(1, 1, {0}) if m.role != "finding"] + [Mark(quad(300, 250, 9, 9), "", "finding")]
    )
    assert calm.shape == warned.shape
    assert (calm[:200] != warned[:200]).any()


def test_nothing_to_mark_leaves_the_photo_alone() -> None:
    before = np.random.default_rng(1).integers(0, 255, (120, 160, 3), dtype=np.uint8)
    kept = before.copy()
    assert (draw(before, []) == kept).all()
    draw(before, [Mark(quad(10, 10, 50, 20), "1", "piece")])
    assert (before == kept).all(), "the given photo was drawn on"


def test_tiny_pictures_and_endless_words_are_survived() -> None:
    picture, placed = draw_placed(
        photo(48, 40), [Mark(quad(5, 5, 30, 20), "12", "piece"), Mark(quad(5, 5, 30, 20), "X" * 90, "finding")]
    )
    assert picture.shape[0] >= 40
    assert collisions(placed) == []


def test_the_font_comes_with_matplotlib() -> None:
    loaded = Path(str(font(20).path))
    assert loaded.is_file()
    assert loaded.is_relative_to(matplotlib.get_data_path())


def covered(marks: list[Mark], placed: tuple[Placed, ...]) -> list[tuple[str, str]]:
    """Which plates cover which other pieces, by Shapely."""
    pieces = [mark for mark in marks if mark.role == "piece"]
    return [
        (place.text, other.text)
        for place in placed
        for other in pieces
        if place.text in {mark.text for mark in pieces} - {other.text}
        and box(*place.box).intersection(Polygon(other.outline)).area > 1.0
    ]


def turned(x: float, y: float, width: float, height: float, degrees: float) -> Quad:
    """A rectangle around a middle, turned clockwise as seen."""
    angle = np.radians(degrees)
    turn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
    a, b, c, d = (np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) / 2 * [width, height] @ turn + [x, y]).tolist()
    return (tuple(a), tuple(b), tuple(c), tuple(d))  # type: ignore[return-value]


@pytest.mark.parametrize("flagged", [set(), {0, 3, 4}])
def test_no_number_covers_another_piece_however_near_they_lie(flagged: set[int]) -> None:
    """A tray of chips with gaps narrower than a plate is high; their numbers stand in the margins or on their own."""
    marks = [
        Mark(quad(60 + 260 * (k % 3), 40 + 130 * (k // 3), 250, 120), f"L0002-{k + 1:02d}", "piece") for k in range(12)
    ]
    marks += [Mark(marks[k].outline, SENTENCE, "finding") for k in flagged]
    _, placed = draw_placed(photo(900, 600), marks)
    assert covered(marks, placed) == []
    assert {mark.text for mark in marks} <= {place.text for place in placed}


def test_turned_pieces_have_their_numbers_beside_them() -> None:
    """Whichever way up a chip lies, its number stands beside it and covers nobody, itself included."""
    marks = [
        Mark(turned(150 + 190 * (k % 4), 150 + 160 * (k // 4), 150, 50, 30 * k), str(k + 1), "piece") for k in range(12)
    ]
    _, placed = draw_placed(photo(900, 600), marks)
    assert covered(marks, placed) == []
    for mark, place in zip(marks, sorted(placed, key=lambda p: int(p.text)), strict=True):
        own = Polygon(mark.outline)
        assert own.intersection(box(*place.box)).area < 1.0
        assert own.distance(box(*place.box)) < 26.0  # a plate is 33 pixels high


@settings(max_examples=20, deadline=None)
@given(st.lists(st.tuples(st.integers(60, 840), st.integers(60, 540), st.integers(0, 359)), min_size=2, max_size=8))
def test_numbers_stay_off_other_pieces_wherever_they_lie(places: list[tuple[int, int, int]]) -> None:
    marks = [Mark(turned(x, y, 160, 60, angle), str(k + 1), "piece") for k, (x, y, angle) in enumerate(places)]
    _, placed = draw_placed(photo(), marks)
    # Outlines that lie on each other leave the corner of one inside the other.
    apart = all(not Polygon(a.outline).intersects(Polygon(b.outline)) for i, a in enumerate(marks) for b in marks[:i])
    assert collisions(placed) == []
    if apart:
        assert covered(marks, placed) == []
