"""Date codes of whole markings. The markings are made up; the conventions in them are the makers'."""

from dataclasses import replace
from datetime import date

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tracker.knowledge.datecodes import interpret, suspects
from tracker.knowledge.datemarking import everything, marks, take_apart

ARRIVAL = date(2024, 6, 1)


def best(marking, maker=None, by=ARRIVAL):
    found = interpret(marking, maker=maker, by=by)
    return (found[0].year, found[0].week, found[0].month) if found else None


@pytest.mark.parametrize(
    ("marking", "maker", "year", "week"),
    [
        # 0443 = week 43 of 2004: homyetpart's explanation of four-digit codes.
        ("LM393N 0443", None, 2004, 43),
        # The marking examples of Microchip's data sheet DS21822G end in 0528 and 0510.
        ("25LC256 I/P 0528A1B", "Microchip", 2005, 28),
        ("24LC256 I/SN 0510C2D", "Microchip", 2005, 10),
        # onsemi's legend AWLYYWW (data sheet MC14001B).
        ("MC14001BCP AWLA0317", "onsemi", 2003, 17),
        # Week before year at MOS Technology and Commodore.
        ("MOS 6522 2783", None, 1983, 27),
        ("CSG 8562R4 3788 24", None, 1988, 37),
        ("2185", "MOS Technology", 1985, 21),
        # The same digits from another maker are year and week, or nothing.
        ("SN74LS02N 8521", None, 1985, 21),
        ("AM2910DC 8433DMB", None, 1984, 33),
        ("JAPAN 8837 HM6264LP-15 00U21993", None, 1988, 37),
        ("TC5517APL 8526EAK JAPAN", None, 1985, 26),
        ("MC6840P 2F9 QQ8412", None, 1984, 12),
        ("D8251A L5121234 (C) INTEL '80", None, 1985, 12),
        ("D8755A L5120456 INTEL 77", None, 1985, 12),  # the owner and the year of the mask
        # Behind another number a bare number is no type: 4585 and 8520 are types, too.
        ("MOS 7529-103 4585", None, 1985, 45),
        ("6502 4585", None, 1985, 45),
        ("C061999 8520 (C) ATARI", "Atari", 1985, 20),
        ("CSG 8724R1", None, None, None),  # a type and its revision
        ("CSG 8724R1 4587", None, 1987, 45),
        ("CRT9007 A8031N", "SMC", 1980, 31),  # A8031 is a processor elsewhere
        ("TMS 0803 NC 7514", None, 1975, 14),  # behind a prefix that stands alone comes the type
        ("CDP1861CD 7 46", "RCA", 1977, 46),
        ("CDP1802CE 425", "RCA", 1984, 25),  # last digit of the year; the family's years give the decade
    ],
)
def test_makers_conventions(marking, maker, year, week):
    assert best(marking, maker) == ((year, week, None) if year else None)


def test_a_digit_and_a_week_beside_a_lot_are_of_the_years_of_small_packages():
    # Three-digit codes with a lot number belong to surface-mounted parts, general from about 1990 (from memory).
    assert best("QX77 642 31K")[:2] == (1996, 42)
    assert best("QX77 042 31K")[:2] == (2000, 42)


def test_a_bare_type_and_four_digits_may_be_either_style_and_neither_is_sure():
    found = interpret("4471 0918", by=ARRIVAL)
    assert {(c.year, c.week, c.month) for c in found} >= {(2009, 18, None), (2000, None, 9)}
    assert found[0].probability < 0.8


def test_left_out_knowledge_is_not_used():
    less = replace(everything(), marks=(), styles=tuple(s for s in everything().styles if s.name != "YYWW"))
    assert interpret("XK4471P 8519", by=ARRIVAL)[0].style == "YYWW"
    assert all(c.style != "YYWW" for c in interpret("XK4471P 8519", by=ARRIVAL, known=less))


def test_year_and_month_of_a_lead_free_lot():
    # Texas Instruments: year digit, month, lot, site, then E4 or G4 (from memory).
    top = interpret("72A0XYKG4 SN74HC00N", by=date(2012, 1, 1))[0]
    assert (top.year, top.month, top.week) == (2007, 2, None)


def test_plain_codes_of_forty_years_come_back():
    for year in range(1971, 2011):
        for week in (1, 13, 27, 40, 52):
            assert best(f"XK4471P MALAYSIA {year % 100:02d}{week:02d}") == (year, week, None), (year, week)


@pytest.mark.parametrize("line", ["(C)1982 8519", "© 1982 XYZ 8519", "8519 '79 '82", "COPYRIGHT ACME 1982 8519"])
def test_a_copyright_year_is_no_date_but_a_lower_bound(line):
    assert best(f"XK4471P {line}") == (1985, 19, None)
    assert take_apart(line, None).copyright == 1982
    assert best("XK4471P (C)1982") is None


def test_copyright_moves_an_open_decade():
    early = interpret("D8251A L5121234", by=ARRIVAL)
    late = interpret("D8251A L5121234 (C) 1988", by=ARRIVAL)
    assert early[0].year == 1985
    assert late[0].year == 1995


def test_the_part_number_is_not_the_date():
    assert best("SN7404N") is None
    assert best("MC6802P") is None
    assert best("D2716 8244") == (1982, 44, None)
    assert best("SN7408N 7404") == (1974, 4, None)


def test_family_years_choose_the_decade():
    hc = interpret("PC74HC138P 624A", by=ARRIVAL)
    assert hc
    assert min(c.year for c in hc) >= 1981


def test_a_clear_date_outside_the_parts_life_is_still_reported():
    # Such a piece is what the workshop wants to hear of; judgement weighs it.
    assert best("R6502AP MEXICO 1231") == (2012, 31, None)


def test_no_date_after_arrival():
    assert best("XK4471P 0612", by=date(2006, 3, 31)) == (2006, 12, None)
    assert best("XK4471P 0625", by=date(2006, 3, 31)) is None
    # 3 April 2006 was the Monday of week 14; a chip at hand on the Sunday before was not made in it.
    assert best("XK4471P 0614", by=date(2006, 4, 2)) is None
    assert best("XK4471P 0614", by=date(2006, 4, 3)) == (2006, 14, None)
    assert (
        suspects("XK4471P 0614", by=date(2006, 4, 2)) == ()
    )  # nor is it called impossible: not all weeks are ISO weeks
    # Week 1 of 2002 began on 31 December 2001.
    assert best("XK4471P 0201", by=date(2001, 12, 31)) == (2002, 1, None)


@pytest.mark.parametrize("by", [date.max, date(9999, 12, 20), date(2300, 1, 1)])
def test_a_latest_date_far_in_the_future_says_nothing(by):
    for marking in ("XK4471P 642 31K", "XK4471P 8519", "D8251A L5121234"):
        far, near = interpret(marking, by=by)[0], interpret(marking, by=date(2030, 1, 1))[0]
        assert (far.text, far.year, far.week) == (near.text, near.year, near.week)
        assert far.probability == pytest.approx(near.probability, abs=0.1)
    assert [s.reason for s in suspects("XK4471P 8454", by=by)] == ["week"]


def test_before_the_first_chip_nothing_is_dated():
    assert interpret("XK4471P 8519", by=date.min) == ()


def test_the_latest_date_chooses_the_decade():
    years = [interpret("XK4471P 642 31K", by=date(year, 12, 31))[0].year for year in (1990, 1999)]
    assert years == [1986, 1996]


@pytest.mark.parametrize("marking", ["XK4471P 8454", "XK4471P 8400", "XK4471P", "JAPAN", "", "  ", "© 1985 ACME"])
def test_nothing_plausible_gives_nothing(marking):
    assert interpret(marking, by=ARRIVAL) == ()


@pytest.mark.parametrize(
    ("marking", "reason"),
    [
        ("XK4471P 8454", "week"),
        ("XK4471P KOREA 9100", "week"),
        # "2716", a date still to come, is the example of a remarked part in a published list of signs.
        ("XK4471P 2716", "future"),
        ("XK4471P 0612", None),
        ("XK4471P 8454 0612", None),  # another word is the date
        ("D2716", None),  # the part itself
        ("XK4471P", None),
    ],
)
def test_suspects_stand_where_a_date_stands(marking, reason):
    found = suspects(marking, by=date(2015, 1, 1))
    assert [s.reason for s in found] == ([reason] if reason else [])


def test_week_53_of_a_short_year_is_a_query():
    odd, usual = interpret("XK4471P 8553", by=ARRIVAL), interpret("XK4471P 8552", by=ARRIVAL)
    assert (odd[0].year, odd[0].week) == (1985, 53)
    assert odd[0].probability < usual[0].probability


def test_demo_makers_are_read():
    assert best("CORVANE CV6522AP-2 9117") == (1991, 17, None)


@given(st.text(alphabet="0123456789ABCEIJLMNPSTVX -'/()?©", max_size=40))
@settings(max_examples=150, deadline=None)
def test_probabilities_share_at_most_one(marking):
    found = interpret(marking, by=ARRIVAL)
    assert sum(c.probability for c in found) <= 1.0
    assert [c.probability for c in found] == sorted((c.probability for c in found), reverse=True)
    for c in found:
        assert 1964 <= c.year <= 2024
        assert c.week is None or 1 <= c.week <= 53
        assert c.month is None or 1 <= c.month <= 12
        assert c.source
        assert c.text.replace(" ", "") in marking.upper().replace(" ", "")


def test_marks_name_styles_that_exist():
    assert len(marks()) > 10
    assert all(m.first <= m.last for m in marks())


@pytest.mark.parametrize("between", [" ", " / ", ", ", "\n"])
def test_lines_may_be_joined_in_any_usual_way(between):
    lines = ["XK4471P", "KOREA", "8519", "(C)1982"]
    assert interpret(between.join(lines), by=ARRIVAL) == interpret(" ".join(lines), by=ARRIVAL)
