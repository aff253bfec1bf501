"""A claim against a reading. Makers, parts and dates here are invented."""

from dataclasses import dataclass
from datetime import date

import pytest

from tracker.judgement.marking import Claim, Life, MarkingRead, check, misread_alike
from tracker.judgement.siblings import SiblingsReading, compare_siblings, siblings_reading, siblings_readings

TODAY = date(2024, 6, 3)


@dataclass(frozen=True)
class Dated:
    text: str
    year: int
    week: int | None = 10
    month: int | None = None
    probability: float = 0.9


@dataclass(frozen=True)
class Compared:
    kind: str
    detail: str = ""


@dataclass(frozen=True)
class Suspected:
    text: str
    reason: str
    message: str = "It cannot be."
    year: int | None = None
    week: int | None = None


def reading(*lines, part=None, confidence=0.97, makers=(), dates=(), suspects=(), part_sure=True):
    return MarkingRead(lines, (confidence,) * len(lines), part, makers, dates, suspects, part_sure)


def codes(claim, read, comparison=None, life=Life(), today=TODAY):
    return {r.code: r for r in check(claim, read, comparison=comparison, life=life, today=today).remarks}


@pytest.mark.parametrize(
    ("kind", "code"),
    [
        ("other-part", "marking-other-part"),
        ("other-grade", "marking-other-grade"),
        ("other-maker", "marking-other-maker"),
        ("other-package", "marking-other-package"),
    ],
)
def test_a_part_that_is_not_the_claimed_one(kind, code):
    read = reading("CV6545AP", "8914", part="CV6545AP")
    remarks = codes(Claim(part="CV6522AP"), read, Compared(kind))
    assert list(remarks) == [code]
    assert remarks[code].strength == "clear"
    assert remarks[code].line == 0
    assert "CV6545AP" in remarks[code].message
    assert "CV6522AP" in remarks[code].message


@pytest.mark.parametrize("kind", ["same", "unsure"])
def test_nothing_is_said_of_the_claimed_part(kind):
    read = reading("CV6522AP", part="CV6522AP")
    assert codes(Claim(part="CV6522AP"), read, Compared(kind)) == {}


def test_a_difference_that_may_be_a_misreading_is_slight():
    blurred = reading("CV6545AP", part="CV6545AP", confidence=0.6)
    assert codes(Claim(part="CV6522AP"), blurred, Compared("other-part"))["marking-other-part"].strength == "slight"
    doubtful = reading("6545", part="6545", part_sure=False)
    assert codes(Claim(part="CV6522AP"), doubtful, Compared("other-part"))["marking-other-part"].strength == "slight"
    cut = reading("CV65", part="CV65")
    assert codes(Claim(part="CV6522AP"), cut, Compared("other-part")) == {}


def test_misread_alike_knows_confusable_characters_and_cut_ends_only():
    assert misread_alike("CV6522AP", "CV65Z2AP")
    assert misread_alike("HDS62256LP-10", "HDS62256LP-1O")
    assert not misread_alike("HDS62256LP-10", "HDS62256LP-15")
    assert not misread_alike("CV6522AP", "CV6545AP")


def test_another_maker_by_prefix():
    read = reading("HDS6522AP", part="HDS6522AP", makers=("Halden Semi",))
    assert list(codes(Claim(part="6522AP", maker="Corvane"), read)) == ["marking-other-maker"]
    assert codes(Claim(part="6522AP", maker="HALDEN"), read) == {}


@pytest.mark.parametrize(("line", "strength"), [("8954", "clear"), ("8954 KOREA", "slight"), ("8954A", "clear")])
def test_a_week_that_does_not_exist(line, strength):
    read = reading("CV6522AP", line, part="CV6522AP", suspects=(Suspected("8954", "week", year=1989, week=54),))
    remarks = codes(Claim(), read)
    assert list(remarks) == ["date-week-impossible"]
    assert remarks["date-week-impossible"].strength == strength
    assert remarks["date-week-impossible"].line == 1


def test_week_53_is_a_question_by_iso_8601():
    # ISO 8601: 1992 had a week 53, 1993 did not (datetime.date.fromisocalendar(1993, 53, 1) raises).
    with pytest.raises(ValueError, match="week"):
        date.fromisocalendar(1993, 53, 1)
    date.fromisocalendar(1992, 53, 1)
    assert codes(Claim(), reading("9253", dates=(Dated("9253", 1992, 53),))) == {}
    assert list(codes(Claim(), reading("9353", dates=(Dated("9353", 1993, 53),)))) == ["date-week-doubtful"]


def test_a_date_to_come():
    # '2716' is a published example of an impossible code, in the future at its time.
    read = reading("CV6522AP", "2716", part="CV6522AP", suspects=(Suspected("2716", "future", year=2027, week=16),))
    assert list(codes(Claim(), read)) == ["date-in-future"]
    assert list(codes(Claim(arrived_on=date(2024, 3, 1)), read)) == ["date-after-arrival"]


def test_a_sure_date_silences_other_numbers():
    suspects = (Suspected("8954", "week", year=1989, week=54),)
    dated = reading("CV6522AP", "8914", "8954", dates=(Dated("8914", 1989, 14),), suspects=suspects)
    assert codes(Claim(), dated) == {}
    unsure = reading("CV6522AP", "8914", "8954", dates=(Dated("8914", 1989, 14, None, 0.2),), suspects=suspects)
    assert list(codes(Claim(), unsure)) == ["date-week-impossible"]


def test_before_the_part_existed_and_after_it_ended():
    life = Life(first_year=1986, last_year=2001, what="CV6522")
    for year, expected in [
        (1983, ("date-before-part", "clear")),
        (1985, ("date-before-part", "slight")),
        (1986, None),
        (2002, None),
        (2003, ("date-after-last-year", "slight")),
        (2006, ("date-after-last-year", "clear")),
    ]:
        remarks = codes(Claim(), reading("X", dates=(Dated("XX10", year),)), life=life)
        assert [(r.code, r.strength) for r in remarks.values()] == ([expected] if expected else []), year


def test_another_likely_year_excuses_an_early_one():
    dates = (Dated("310", 1983, probability=0.55), Dated("310", 1993, probability=0.4))
    assert codes(Claim(), reading("310", dates=dates), life=Life(first_year=1986)) == {}


def test_new_but_decades_old():
    dated = reading("8914", dates=(Dated("8914", 1989, 14),))
    assert codes(Claim(condition="new"), dated)["date-too-old-for-new"].strength == "clear"
    assert codes(Claim(condition="old-stock"), dated) == {}
    younger = reading("1214", dates=(Dated("1214", 2012, 14),))
    assert codes(Claim(condition="new"), younger)["date-too-old-for-new"].strength == "slight"
    assert codes(Claim(condition="new"), reading("2214", dates=(Dated("2214", 2022, 14),))) == {}


def test_an_unsure_date_is_not_argued_with():
    weak = reading("8914", dates=(Dated("8914", 1989, 14, probability=0.3),))
    assert codes(Claim(condition="new"), weak, life=Life(first_year=1995)) == {}


def test_what_was_looked_for():
    dated = reading("CV6522AP", "8914", part="CV6522AP", dates=(Dated("8914", 1989, 14),))
    looked = check(
        Claim(part="CV6522AP"), dated, comparison=Compared("same"), life=Life(first_year=1986), today=TODAY
    ).looked_for
    assert "marking-other-part" in looked
    assert "date-before-part" in looked
    assert "date-after-last-year" not in looked
    assert check(Claim(part="CV6522AP"), reading("???"), comparison=None, today=TODAY).looked_for == ()


def test_the_odd_sibling():
    checked = compare_siblings(["8914", "8914", "8914", "9002"], ["CV6522AP"] * 4)
    assert [[r.code for r in c.remarks] for c in checked] == [[], [], [], ["date-codes-differ"]]
    odd = compare_siblings([None] * 4, ["HDS62256LP-10"] * 3 + ["HDS62256LP-15"])
    assert [[r.code for r in c.remarks] for c in odd] == [[], [], [], ["markings-differ"]]


def test_siblings_support_a_reading_and_leave_it_alone():
    marked = [["CV6522AP", "8914"], ["CV6522AP", "8914"], ["CV65Z2AP", "8914"], ["HDS62256", "9002"]]
    first, _, misread, stranger = siblings_readings(marked)
    assert misread == (SiblingsReading("CV6522AP", 2, 2), SiblingsReading("8914", 2, 2))
    assert first == (
        None,
        SiblingsReading("8914", 2, 2),
    )  # of its two siblings each reads the part number in its own way
    assert stranger == (None, None)
    assert marked[2] == ["CV65Z2AP", "8914"]
    assert [siblings_reading(marked, number) for number in range(4)] == siblings_readings(marked)


def test_another_date_is_no_misreading():
    assert siblings_readings([["8914"], ["8914"], ["9002"]])[2] == (None,)


def test_without_a_majority_nobody_is_odd():
    for dates in (["8914", "9002"], ["8914", "9002", "9105"], ["8914", "8914", "9002", "9002"], [None, None, "9002"]):
        assert all(not c.remarks for c in compare_siblings(dates, [None] * len(dates))), dates
