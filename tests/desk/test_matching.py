"""Which chip is which piece."""

import pytest
from staged import quad

from tracker.desk.contract import PhotoInspected, PieceFound
from tracker.desk.matching import area, match, reading_order

LOT = tuple(f"L0001-{n:02d}" for n in range(1, 6))


def piece(outline, *, part="CV6522AP", label=None):
    return PieceFound(
        outline=outline,
        package=None,
        package_confidence=0,
        lines=(),
        part=part,
        date_codes=(),
        suspicion=0.1,
        findings=(),
        label=label,
    )


def photo(*pieces, labels=()):
    return PhotoInspected(path="a.jpg", sha256="0" * 64, width=900, height=900, pieces=pieces, labels=labels)


def told(matched):
    return [(one.index, one.piece) for one in matched]


def test_reading_order_is_row_by_row_even_when_rows_slope():
    outlines = [quad(300, 28), quad(20, 20), quad(160, 12), quad(20, 90), quad(160, 101)]
    assert reading_order(outlines) == [1, 2, 0, 3, 4]
    assert reading_order([]) == []


def test_area_of_a_rectangle():
    assert area(quad(5, 7, 30, 20)) == pytest.approx(600)


def test_free_pieces_are_given_out_in_reading_order_across_photos():
    photos = [photo(piece(quad(200, 20)), piece(quad(20, 20))), photo(piece(quad(20, 20)))]
    matched = match(photos, free=LOT[1:], known=LOT, named=())
    assert [(m.photo, m.index, m.piece) for m in matched] == [(0, 1, LOT[1]), (0, 0, LOT[2]), (1, 0, LOT[3])]
    assert {m.how for m in matched} == {"reading order"}


def test_a_label_in_view_wins_and_is_not_given_twice():
    photos = [photo(piece(quad(20, 20)), piece(quad(160, 20), label="L0001-01"), piece(quad(300, 20)))]
    assert told(match(photos, free=LOT, known=LOT, named=())) == [(0, LOT[1]), (1, LOT[0]), (2, LOT[2])]


def test_the_only_chip_takes_the_only_label_anywhere_in_view():
    matched = match([photo(piece(quad(20, 20)), labels=("L0001-04",))], free=LOT, known=LOT, named=())
    assert told(matched) == [(0, LOT[3])]


def test_a_label_of_another_lot_is_not_recorded_as_ours():
    (one,) = match([photo(piece(quad(20, 20), label="L0009-01"))], free=LOT, known=LOT, named=())
    assert one.piece is None
    assert "L0009-01" in one.how


def test_more_chips_than_pieces():
    matched = match([photo(*(piece(quad(20 + 110 * n, 20)) for n in range(4)))], free=LOT[:2], known=LOT, named=())
    assert told(matched) == [(0, LOT[0]), (1, LOT[1]), (2, None), (3, None)]


def test_named_pieces_stand_for_chips_in_reading_order():
    photos = [photo(piece(quad(160, 20)), piece(quad(20, 20)))]
    assert told(match(photos, free=(), known=LOT, named=(LOT[3], LOT[4]))) == [(1, LOT[3]), (0, LOT[4])]


def test_one_name_is_the_largest_chip():
    photos = [photo(piece(quad(20, 20, 30, 10)), piece(quad(160, 20, 100, 40)))]
    assert told(match(photos, free=(), known=LOT, named=LOT[:1])) == [(0, None), (1, LOT[0])]


def test_a_heading_taken_for_a_chip_moves_nobody():
    chips = [piece(quad(20, 5, 60, 8), part=None), *(piece(quad(20 + 110 * n, 60)) for n in range(3))]
    assert told(match([photo(*chips)], free=LOT, known=LOT, named=())) == [
        (0, None),
        (1, LOT[0]),
        (2, LOT[1]),
        (3, LOT[2]),
    ]


def test_labels_of_the_lot_that_lie_beside_no_chip_stop_the_count_in_reading_order():
    chips = [piece(quad(20, 20), label="L0001-03"), piece(quad(160, 20)), piece(quad(300, 20))]
    labels = ("L0001-03", "L0001-04", "L0001-05")
    matched = match([photo(*chips, labels=labels)], free=LOT, known=LOT, named=())
    assert told(matched) == [(0, LOT[2]), (1, None), (2, None)]
    assert "none lies clearly beside it" in matched[1].how


def test_the_last_chip_takes_the_last_label():
    chips = [piece(quad(20, 20), label="L0001-03"), piece(quad(160, 20))]
    (first, last) = match([photo(*chips, labels=("L0001-03", "L0001-05"))], free=LOT, known=LOT, named=())
    assert (first.piece, last.piece, last.how) == (LOT[2], LOT[4], "label in view")


def test_a_label_beside_two_chips_of_one_photo_names_neither_but_may_be_in_two_photos():
    twins = [piece(quad(20, 20), label="L0001-03"), piece(quad(160, 20), label="L0001-03")]
    matched = match([photo(*twins, labels=("L0001-03",))], free=LOT, known=LOT, named=())
    assert told(matched) == [(0, None), (1, None)]
    assert "beside more than one chip" in matched[0].how
    again = [photo(one, labels=("L0001-03",)) for one in twins]
    assert [one.piece for one in match(again, free=LOT, known=LOT, named=())] == [LOT[2], LOT[2]]


def test_codes_that_are_no_pieces_change_nothing():
    chips = [piece(quad(20, 20)), piece(quad(160, 20))]
    labels = ("L0001", "L0009-01", "https://example.org/x")
    matched = match([photo(*chips, labels=labels)], free=LOT, known=LOT, named=())
    assert told(matched) == [(0, LOT[0]), (1, LOT[1])]
