"""What holds for every date code: it is understood as what it says, in any year, and nothing else breaks anything.

Weeks are those of ISO 8601, by Python's own calendar. The markings are made up; the conventions are the makers'.
"""

from datetime import date, timedelta

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from tracker.knowledge.datecodes import interpret, suspects
from tracker.knowledge.datestyles import meanings, styles
from tracker.knowledge.families import for_part
from tracker.knowledge.makers import find_maker, makers
from tracker.knowledge.parts import part_score

TODAY = date(2024, 6, 1)
MONTHS = {"hex": "123456789ABC", "A-M": "ABCDEFGHJKLM", "OND": "123456789OND", "number": "?"}
# Printed as the style says, from a day: two digits of the ISO year and week, last digit, month character.
PRINTED = {
    "YYWW": "{yy}{ww}",
    "YYWW-letters": "{yy}{ww}AB",
    "YYWW-lot": "{yy}{ww}A1B",
    "letter-YYWW": "QQ{yy}{ww}",
    "letter-YYWW-letters": "A{yy}{ww}N",
    "site-lot-YYWW": "AWLA{yy}{ww}",
    "YYWW-serial-letter": "{yy}{ww}123-D",
    "WWYY": "{ww}{yy}",
    "YWW": "{y}{ww}",
    "YWW-letters": "{y}{ww}KX",
    "YWW-lot": "{y}{ww}H62V",
    "plant-YWW-serial": "L{y}{ww}0345",
    "letter-YWW-lot": "B{y}{ww}C12",
    "Y-letter-month": "{y}{A-M}3",
    "Y-letter-month-day": "{y}{A-M}14",
    "YM-lot": "{y}{hex}AB3KT",
}
PLAIN = ("YYWW", "YYWW-letters", "letter-YYWW", "letter-YYWW-letters", "YYWW-lot")


def code(style, day):
    year, week, _ = day.isocalendar()
    of = {name: signs[day.month - 1] for name, signs in MONTHS.items() if len(signs) == 12}
    by_month = any("{" + name + "}" in PRINTED[style] for name in of)
    year = day.year if by_month else year
    return PRINTED[style].format(yy=f"{year % 100:02d}", ww=f"{week:02d}", y=year % 10, **of), year, week, by_month


def users():
    """Every (maker, style) of the data that this file can print."""
    return [(m, s) for m in makers() for s in m.date_styles if s in PRINTED]


def like_a_part(text):
    """A8031N is a processor, QQ7401 may be a gate: such codes are understood where another word is the part."""
    return part_score(text) >= 1 or for_part(text) is not None


def says(candidate, year, week, month, by_month):
    return (candidate.year, candidate.month if by_month else candidate.week) == (year, month if by_month else week)


days = st.dates(date(1972, 1, 1), date(2012, 12, 31))


@given(days, st.sampled_from(PLAIN))
@settings(max_examples=300, deadline=None)
def test_year_and_week_in_full_are_the_first_answer(day, style):
    text, year, week, by_month = code(style, day)
    assume(not like_a_part(text))
    found = interpret(f"XK4471P KOREA {text}", by=TODAY)
    assert says(found[0], year, week, day.month, by_month), found
    assert found[0].text == text


@given(st.sampled_from(users()), days)
@settings(max_examples=400, deadline=None)
def test_a_makers_own_style_is_among_the_answers(use, day):
    maker, name = use
    style = next(s for s in styles() if s.name == name)
    # Where the decade is not printed, the ends of a long life are too rare to be listed.
    low, high = style.usual or ((1979, 2008) if "{y}" in PRINTED[name] else (1974, 2010))
    assume(max(low, maker.first or 0, style.first) <= day.isocalendar().year <= min(high, maker.last or 2012))
    text, year, week, by_month = code(name, day)
    assume(not like_a_part(text))
    found = interpret(f"XK4471P {text}", maker=maker.name, by=TODAY)
    assert any(says(c, year, week, day.month, by_month) for c in found), (text, found)


@given(st.sampled_from(sorted(PRINTED)), days)
@settings(max_examples=300, deadline=None)
def test_a_style_means_what_was_printed(name, day):
    style = next(s for s in styles() if s.name == name)
    assume(style.first <= day.year - 1)
    text, year, week, by_month = code(name, day)
    found = meanings(style, text, latest=2024)
    assert any((w.year, w.month if by_month else w.week) == (year, day.month if by_month else week) for w in found)


@given(st.integers(0, 19), st.integers(1, 12))
def test_year_letters_and_months_of_iec_60062(place, month):
    # Twenty letters for twenty years, months 1-9, O, N, D: IEC 60062; the letters from memory.
    style = next(s for s in styles() if s.name == "IEC 60062 letter and month")
    text = "ABCDEFHJKLMNPRSTUVWX"[place] + "123456789OND"[month - 1]
    assert {(w.year, w.month) for w in meanings(style, text, latest=2029)} == {
        (start + place, month) for start in (1970, 1990, 2010)
    }


@given(
    days, st.integers(0, 1500), st.sampled_from(sorted(PRINTED)), st.sampled_from([None, *(m.name for m in makers())])
)
@settings(max_examples=400, deadline=None)
def test_nothing_is_dated_after_the_latest_possible_day(day, earlier, style, maker):
    by = day - timedelta(days=earlier)
    for found in interpret(f"XK4471P {code(style, day)[0]}", maker=maker, by=by):
        first = date.fromisocalendar(found.year, found.week, 1) if found.week and found.week < 53 else None
        assert (first or date(found.year, found.month or 1, 1)) <= by


@given(days)
@settings(max_examples=100, deadline=None)
def test_the_day_of_making_is_never_ruled_out_by_itself(day):
    text, year, week, _ = code("YYWW", day)
    found = interpret(f"XK4471P {text}", by=day)
    assert (found[0].year, found[0].week) == (year, week)


@given(st.text(max_size=60), st.sampled_from([None, "", "Motorola", "nobody"]), st.one_of(st.none(), st.dates()))
@settings(max_examples=400, deadline=None)
def test_no_text_breaks_anything(text, maker, by):
    found = interpret(text, maker=maker, by=by)
    assert sum(c.probability for c in found) <= 1.0
    assert all(0 < c.probability <= 1 for c in found)
    suspects(text, maker=maker, by=by)


ODD_WORDS = """
XK4471P 6502 SN74LS00N 8433 8433AB 0918 342 4A5 L5121234 26A JAPAN HONG KONG (C) 1985 '82 INTEL 77 MOS R5 24 D1 © 9 04 A
12/84 4'N3 Ⓜ MX23C4001-20 C123456-M 1P0444Y1 CSG 8362R8 ? ?? ٣٤٥٦ ²³ Ünï
"""
WORDS = st.sampled_from(ODD_WORDS.split())


@given(st.lists(WORDS, max_size=8), st.sampled_from(["Commodore", "Texas Instruments", None]))
@settings(max_examples=400, deadline=None)
def test_words_in_any_order_share_at_most_one(words, maker):
    found = interpret(" ".join(words), maker=maker, by=TODAY)
    assert sum(c.probability for c in found) <= 1.0
    assert [c.probability for c in found] == sorted((c.probability for c in found), reverse=True)
    assert len({(c.text, c.year, c.week, c.month) for c in found}) == len(found)


@pytest.mark.parametrize("style", [s for s in styles() if s.source.startswith("worked out")], ids=lambda s: s.name)
def test_a_style_without_a_legend_is_never_sure(style):
    # 'Sure' is 0.8 or more wherever dates are argued with.
    assert style.trust < 0.8


def test_every_printed_style_exists_and_every_maker_is_found():
    assert set(PRINTED) <= {s.name for s in styles()}
    assert all(find_maker(m.name) == m for m in makers())
    assert len(users()) > 30
