"""Date codes: what the whole marking says about when the piece was made."""

import math
import re
from dataclasses import dataclass
from datetime import date, timedelta

from tracker.knowledge.datemarking import DateKnowledge, Marking, Window, everything, take_apart
from tracker.knowledge.datestyles import (
    FIRST_YEAR,
    Style,
    When,
    age_weight,
    context_db,
    fields,
    meanings,
    weeks_in,
)

# Makers' weeks are not all ISO weeks (Microchip counts from 1 January): a code up to two weeks ahead of the latest date
# is not taken for the date, and not called impossible either.
SLACK = timedelta(days=14)
LEAST_PROBABILITY = 0.05  # less is not worth a line on the screen


@dataclass(frozen=True, slots=True)
class DateCandidate:
    """One interpretation of a marking's date code.

    Parameters
    ----------
    text : str
        The characters taken for the code.
    year : int
    week, month : int or None
        Week as printed (1 to 53) or month (1 to 12).
    style : str
    probability : float
        That this is the date code, 0 to 1; over all candidates the sum stays at or under 1.
    source : str
        Where the style is known from.
    """

    text: str
    year: int
    week: int | None
    month: int | None
    style: str
    probability: float
    source: str


@dataclass(frozen=True, slots=True)
class Suspect:
    """A word that stands where a date code stands and cannot be one; `reason` is 'week' or 'future'."""

    text: str
    reason: str
    message: str
    year: int | None = None
    week: int | None = None


def interpret(
    marking: str, *, maker: str | None = None, by: date | None = None, known: DateKnowledge | None = None
) -> tuple[DateCandidate, ...]:
    """Return the interpretations of the date code in a whole marking, best first; empty when it carries none.

    Parameters
    ----------
    marking : str
        All lines, joined by spaces.
    maker : str, optional
        The maker where known; otherwise inferred from names and prefixes in the marking.
    by : date, optional
        The latest possible date, such as the day of arrival; today where not given. No interpretation begins later.
    known : DateKnowledge, optional
        What to rest on; all there is where not given.
    """
    known = known or everything()
    return _rank(take_apart(marking, maker, known), by or date.today(), known)


def _rank(apart: Marking, latest: date, known: DateKnowledge) -> tuple[DateCandidate, ...]:
    """Turn every meaning's decibans into probabilities, together with 'no date here' at 0."""
    last_year = max(latest.year, latest.isocalendar().year)  # week 1 may begin in December
    weighed: dict[tuple[str, int, int | None, int | None], tuple[float, Style]] = {}
    for index, word, style in _fitting(apart, known):
        surroundings = style.prior_db + _surroundings_db(apart, index, style)
        possible = [w for w in meanings(style, word, latest=last_year) if w.first_day() <= latest]
        for when, years_db in _years_db(apart, style, possible):
            odds = 10 ** ((surroundings + years_db) / 10)
            key = (word, when.year, when.week, when.month)
            if key not in weighed or odds > weighed[key][0]:
                weighed[key] = (odds, style)
    total = 1.0 + sum(odds for odds, _ in weighed.values())
    ranked = sorted(weighed.items(), key=lambda item: -item[1][0] * item[1][1].trust)
    return tuple(
        DateCandidate(word, year, week, month, style.name, _rounded_down(style.trust * odds / total), style.source)
        for (word, year, week, month), (odds, style) in ranked
        if style.trust * odds / total >= LEAST_PROBABILITY
    )


def _rounded_down(probability: float) -> float:
    """Return four digits; down, so that a sum of many stays under 1."""
    return math.floor(probability * 1e4) / 1e4


def _fitting(apart: Marking, known: DateKnowledge) -> list[tuple[int, str, Style]]:
    """Return every (index, word or pair of words, style) whose shape and neighbours fit."""
    found = []
    for style in known.styles:
        if style.asked_for and style.name not in apart.likely_styles | apart.mark_styles:
            continue
        for index in range(len(apart.words) - style.words + 1):
            word = " ".join(apart.words[index : index + style.words])
            after = index + style.words
            if _neighbours_fit(apart, style, index, after) and fields(style, word) is not None:
                found.append((index, word, style))
    return found


def _neighbours_fit(apart: Marking, style: Style, index: int, after: int) -> bool:
    if style.of_words is not None and len(apart.words) != style.of_words:
        return False
    following = apart.words[after] if after < len(apart.words) else ""
    previous = apart.words[index - 1] if index else ""
    return (style.following is None or bool(style.following.fullmatch(following))) and (
        style.previous is None or bool(style.previous.fullmatch(previous))
    )


def _surroundings_db(apart: Marking, index: int, style: Style) -> float:
    """Return the decibans for where a word stands and what else it may be."""
    total = 0.0
    if index in apart.beside_country:
        total += context_db("beside_country_db")
    if index in apart.behind_prefix:
        total += context_db("behind_prefix_db")
    if index == len(apart.words) - 1:
        total += context_db("last_word_db")
    if style.name in apart.likely_styles:
        total += context_db("maker_style_db")
    elif style.name in apart.possible_styles:
        total += context_db("may_be_makers_style_db")
    if style.name in apart.mark_styles:
        total += context_db("mark_style_db")
    if index in apart.certain_parts:
        # 'A8031N' is a processor, and at a maker that dates its parts A....N a date, if another word is the part.
        other_part = apart.words[index] != apart.part and style.name in apart.likely_styles
        total += context_db("looks_like_part_db" if other_part else "is_the_part_db")
    elif index in apart.part_like:
        total += context_db("looks_like_the_part_db" if apart.words[index] == apart.part else "looks_like_part_db")
    elif apart.words[index] == apart.part:
        total += context_db("may_be_the_part_db")
    return total


def _years_db(apart: Marking, style: Style, possible: list[When]) -> list[tuple[When, float]]:
    """Return the decibans of each meaning's year: how usual it is and whether maker, part and copyright allow it.

    Where the decade is open the decades share what the code's shape is worth; otherwise the year stands alone.
    """
    weights = [(when, age_weight(when.year) * _allowed(apart, style, when)) for when in possible]
    whole = sum(weight for _, weight in weights)
    found = []
    for when, weight in weights:
        share = weight / max(1.0, whole) if when.open_decade else min(1.0, weight)
        db = 10 * math.log10(max(share, 1e-9))
        if when.week == 53 and weeks_in(when.year) == 52:
            db += context_db("week_53_of_52_db")
        found.append((when, db))
    return found


def _allowed(apart: Marking, style: Style, when: When) -> float:
    """Return a factor up to 1 for a year, from every window known, the style's usual years and the copyright year.

    The windows choose freely between decades. Against a year that is printed in full they count up to a bound: a clear
    date in a year when the part was not made is still the date that is printed, and what the workshop wants to hear of.
    """
    factor = math.prod(_inside(window, when.year) for window in apart.windows)
    if when.open_decade and style.usual:
        factor *= _inside(Window(*style.usual), when.year)
    if not when.open_decade:
        factor = max(factor, 10 ** (context_db("lowest_window_db") / 10))
    if apart.copyright is None:
        return factor
    if when.year < apart.copyright:
        return float(factor * 10 ** (context_db("before_copyright_db") / 10))
    return float(factor * 10 ** (context_db("year_after_copyright_db") * max(0, when.year - apart.copyright - 3) / 10))


def _inside(window: Window, year: int) -> float:
    """Return 1 inside a window; outside 3 decibans less for each year, 25 at most (nobody knows windows exactly)."""
    outside = max(window.first - year, year - window.last, 0)
    return float(10 ** (-min(3.0 * outside, 25.0) / 10))


def suspects(marking: str, *, maker: str | None = None, by: date | None = None) -> tuple[Suspect, ...]:
    """Return words that stand where a date code stands yet name no possible date.

    A word counts when it has the plain shape (four digits, up to two letters after), stands beside a place of
    assembly or at the end, is no part number, and no other word of the marking is the date with more than even odds.

    Parameters
    ----------
    marking, maker, by
        As for `interpret`.
    """
    latest = by or date.today()
    apart = take_apart(marking, maker)
    ranked = _rank(apart, latest, everything())
    if ranked and ranked[0].probability > 0.5:
        return ()
    found = []
    for index, word in enumerate(apart.words):
        code = re.fullmatch(r"(\d\d)(\d\d)[A-Z]{0,2}", word)
        if code and _in_a_dates_place(apart, index):
            suspect = _impossible(word, int(code[1]), int(code[2]), latest)
            if suspect and not any(c.text == word for c in ranked):
                found.append(suspect)
    return tuple(found)


def _in_a_dates_place(apart: Marking, index: int) -> bool:
    if index in apart.certain_parts or index in apart.part_like:
        return False
    return index in apart.beside_country or (index == len(apart.words) - 1 and len(apart.words) > 1)


def _impossible(word: str, short: int, week: int, latest: date) -> Suspect | None:
    year = 1900 + short if short >= FIRST_YEAR % 100 else 2000 + short
    if not 1 <= week <= 53:
        return Suspect(
            word, "week", f"{word} stands where the date code stands, but no year has a week {week:02d}.", year
        )
    when = When(year, week, None, open_decade=False)
    if when.first_day() - SLACK > latest:
        return Suspect(word, "future", f"{word} would be week {week} of {year}, which is still to come.", year, week)
    return None
