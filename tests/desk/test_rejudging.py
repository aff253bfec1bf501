"""What follows from texts, judged anew from a document: the same as judging what was seen, and it can be undone."""

from datetime import date

from hypothesis import given, settings
from hypothesis import strategies as st
from staged import WIDTH, chip, found

from tracker.desk.inspect import judge
from tracker.desk.rejudge import corrected, rejudged, siblings_told, with_corrections
from tracker.judgement.lines_matched import lines_matched
from tracker.judgement.marking import Claim
from tracker.judgement.prior import UNKNOWN, before_looking
from tracker.judgement.weights import declared
from vision.observations import Inspection, PhotoView

TODAY = date(2031, 4, 2)
CALM = settings(deadline=None, derandomize=True, database=None)
CLAIM = Claim("CV6522AP", "Corvane", None, "new", TODAY)
BEFORE = before_looking(UNKNOWN)
WORDS = st.sampled_from(
    ("CV6522AP", "CV6522A", "KM4417", "CV65Z2AP", "8914", "7302", "9953", "3512", "8733 K2104", "", "KESTREL", "2")
)
LINES = st.lists(WORDS | st.text("ABCZ0123456789 -", min_size=1, max_size=12), max_size=4)
TYPED = st.lists(WORDS.filter(bool) | st.text("ABCZ0123456789", min_size=1, max_size=12), min_size=1, max_size=5)
SEEN = st.lists(st.sampled_from(("surface-sanded", "lettering-height-differs", "surface-old-marks")), unique=True)


@st.composite
def chips(draw):
    """One chip with lines, and things found and looked for that have nothing to do with its text."""
    observed = [found(code, code.partition("-")[0], draw(st.sampled_from(("slight", "clear")))) for code in draw(SEEN)]
    sure = draw(st.sampled_from((0.5, 0.97)))
    return chip(*draw(LINES), observations=observed, looked_for=draw(SEEN), confidence=sure)


LOTS = st.lists(chips(), min_size=1, max_size=5)


def document(views):
    photo = PhotoView("lot.png", "0" * 64, WIDTH, 300, pieces=tuple(views))
    return judge(Inspection((photo,), (), {}), CLAIM, today=TODAY, before=BEFORE)


def again(pieces):
    anew = rejudged(pieces, CLAIM, today=TODAY, before=BEFORE, weights=declared())
    return tuple(siblings_told(anew, number) for number in range(len(anew)))


@CALM
@given(LOTS)
def test_judging_anew_what_did_not_change_changes_nothing(views):
    """`judge` and `rejudged` are two ways to one answer; this holds one against the other."""
    pieces = document(views).photos[0].pieces
    assert again(pieces) == pieces


@CALM
@given(LOTS, st.lists(TYPED, min_size=1, max_size=3), st.data())
def test_giving_the_reading_back_restores_everything(views, said, data):
    pieces = document(views).photos[0].pieces
    number = data.draw(st.integers(0, len(pieces) - 1))
    now = list(pieces)
    for texts in said:
        now[number] = corrected(now[number], texts)
        now = list(again(now))
        assert [line.text for line in now[number].lines] == texts
        assert now[number].as_read is not None
        assert [line.text for line in now[number].as_read] == [line.text for line in pieces[number].lines]
        kept = [one for one in now[number].findings if one.family != "text"]
        assert kept == [one for one in pieces[number].findings if one.family != "text"]
    now[number] = corrected(now[number], ())
    assert again(now) == pieces


@CALM
@given(LOTS, TYPED)
def test_a_corrected_document_says_what_a_chip_with_such_lines_would(views, texts):
    """Part, dates and findings are those of a piece on which every reader read the corrected text for certain."""
    told = with_corrections(document(views), {(0, 0): texts}, CLAIM, today=TODAY, before=BEFORE, weights=declared())
    first = views[0]
    as_if = chip(*texts, observations=first.observations, looked_for=first.looked_for, confidence=1.0)
    expected = document([as_if, *views[1:]])
    assert told.groups == expected.groups
    for one, other in zip(told.photos[0].pieces, expected.photos[0].pieces, strict=True):
        assert (one.part, one.date_codes, one.sum, one.looked_for) == (
            other.part,
            other.date_codes,
            other.sum,
            other.looked_for,
        )
        assert {(f.code, f.strength, f.message) for f in one.findings} == {
            (f.code, f.strength, f.message) for f in other.findings
        }


@CALM
@given(LINES, TYPED)
def test_lines_keep_their_order(read, typed):
    matched = lines_matched(read, typed)
    stands = [index for index in matched if index is not None]
    assert stands == sorted(set(stands))
    assert bool(stands) == bool(read)
    assert all(0 <= index < len(read) for index in stands)


def test_lines_are_laid_where_they_are_alike():
    assert lines_matched(["MN4O27", "8S21"], ["MN4027", "8521"]) == (0, 1)
    assert lines_matched(["~;", "CV6522AP", "8914"], ["CV6522AP", "8914"]) == (1, 2)
    assert lines_matched(["CV6522AP", "8914"], ["KESTREL", "CV6522AP", "8914"]) == (None, 0, 1)
    assert lines_matched([], ["A", "B"]) == (None, None)
