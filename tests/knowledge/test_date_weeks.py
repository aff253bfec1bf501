"""Weeks and years of date codes against the calendar."""

from datetime import date

import pytest

from tracker.knowledge.datestyles import FIRST_YEAR, When, age_weight, meanings, styles, weeks_in

# The 53-week ISO years: those from 2004 on as listed in OEIS A249404, the earlier ones by the same rule.
LONG_YEARS = {1970, 1976, 1981, 1987, 1992, 1998, 2004, 2009, 2015, 2020, 2026}


def style(name):
    return next(s for s in styles() if s.name == name)


def test_years_of_53_weeks():
    assert {year for year in range(1970, 2031) if weeks_in(year) == 53} == LONG_YEARS


@pytest.mark.parametrize(
    ("day", "code"),
    # YYWW serials of days around the turn of the year, as published in the ISO8601 discussion group (message 201).
    [
        (date(2006, 1, 1), "0552"),
        (date(2006, 1, 2), "0601"),
        (date(2005, 1, 1), "0453"),
        (date(2005, 1, 2), "0453"),
        (date(2005, 1, 3), "0501"),
    ],
)
def test_a_published_yyww_serial_means_the_week_that_holds_its_day(day, code):
    (when,) = meanings(style("YYWW"), code, latest=2026)
    first = when.first_day()
    assert first <= day
    assert (day - first).days < 7
    assert (when.year, when.week) == day.isocalendar()[:2]


def test_every_week_begins_where_the_calendar_says():
    for year in range(FIRST_YEAR, 2027):
        for week in range(1, weeks_in(year) + 1):
            assert When(year, week, None, False).first_day() == date.fromisocalendar(year, week, 1)


def test_week_53_of_a_short_year_is_its_last_week():
    # Microchip counts from 1 January (legend in data sheet DS21822G), so such a code is odd and not impossible.
    assert When(2003, 53, None, False).first_day() == date.fromisocalendar(2003, 52, 1)


@pytest.mark.parametrize("code", ["8400", "8454", "8499"])
def test_no_style_of_year_and_week_knows_week_0_or_54(code):
    assert meanings(style("YYWW"), code, latest=2026) == ()


def test_an_open_decade_gives_every_decade():
    # 342 = week 42 of 2003 (homyetpart's explanation of three-digit codes); nothing in the code says which decade.
    years = [w.year for w in meanings(style("YWW"), "342", latest=2026) if w.week == 42]
    assert years == [1973, 1983, 1993, 2003, 2013, 2023]


def test_month_characters():
    # Months 1-9, O, N, D: IEC 60062 as quoted by a page on DIN EN 60062.
    months = [meanings(style("Y'MN"), f"4'{c}3", latest=1999)[0].month for c in "123456789OND"]
    assert months == list(range(1, 13))


def test_year_letters_run_twenty_years():
    # A = 1970 ... X = 1989 and again: IEC 60062, letters from memory.
    first = [
        meanings(style("IEC 60062 letter and month"), f"{c}1", latest=2040)[0].year for c in "ABCDEFHJKLMNPRSTUVWX"
    ]
    assert first == list(range(1970, 1990))


def test_an_unreadable_character_may_stand_in_the_serial_but_not_in_the_date():
    serial = style("plant-YWW-serial")
    assert {w.week for w in meanings(serial, "L736?215", latest=1995)} == {36}
    assert meanings(serial, "L7?61215", latest=1995) == ()


def test_ages_fall_off_at_both_ends():
    assert age_weight(1964) < 0.01 < age_weight(1975) < age_weight(1990) > age_weight(2015) > 0
    assert age_weight(1987) == pytest.approx((age_weight(1985) * 3 + age_weight(1990) * 2) / 5)
