"""Styles of date codes: their patterns, and the years, weeks and months that a word may mean in each."""

import re
from dataclasses import dataclass
from datetime import date
from functools import cache
from typing import Any

from tracker.knowledge.facts import sourced, table

FIRST_YEAR = 1964  # no integrated circuit of commerce carries an older date; from memory

# Characters for the months. 'OND' as in IEC 60062 (as quoted by others); the rest common practice, no source.
_MONTHS = {
    "OND": "123456789OND",
    "hex": "123456789ABC",
    "XYZ": "123456789XYZ",
    "JKL": "123456789JKL",
    "A-M": "ABCDEFGHJKLM",
    "A-L": "ABCDEFGHIJKL",
}


@dataclass(frozen=True, slots=True)
class When:
    """One meaning of a code: a year with a week as printed, or a month, or neither; `open_decade` where only the last
    digit of the year was printed."""

    year: int
    week: int | None
    month: int | None
    open_decade: bool

    def first_day(self) -> date:
        """Return the earliest day meant; weeks by ISO 8601, week 53 of a 52-week year as the last."""
        if self.week:
            return date.fromisocalendar(self.year, min(self.week, weeks_in(self.year)), 1)
        return date(self.year, self.month or 1, 1)


@dataclass(frozen=True, slots=True)
class Style:
    """One style of date_styles.toml; the head of that file explains the fields."""

    name: str
    pattern: re.Pattern[str]
    prior_db: float
    words: int
    following: re.Pattern[str] | None
    previous: re.Pattern[str] | None
    of_words: int | None
    asked_for: bool
    usual: tuple[int, int] | None
    trust: float
    first: int
    last: int
    months: str | None
    year_letters: str | None
    source: str


def weeks_in(year: int) -> int:
    """Return 53 or 52: the number of ISO 8601 weeks of a year (28 December always lies in the last)."""
    return date(year, 12, 28).isocalendar().week


@cache
def styles() -> tuple[Style, ...]:
    """Return all styles in the order of the data file."""
    return tuple(_style(entry) for entry in table("date_styles.toml")["style"])


def _style(entry: dict[str, Any]) -> Style:
    following, previous, usual = entry.get("next"), entry.get("previous"), entry.get("usual")
    return Style(
        name=entry["name"],
        pattern=re.compile(entry["pattern"]),
        prior_db=float(entry["prior_db"]),
        words=entry.get("words", 1),
        following=re.compile(following) if following else None,
        previous=re.compile(previous) if previous else None,
        of_words=entry.get("of_words"),
        asked_for=entry.get("asked_for", False),
        usual=(usual[0], usual[1]) if usual else None,
        trust=float(entry.get("trust", 1.0)),
        first=entry.get("first", FIRST_YEAR),
        last=entry.get("last", 9999),
        months=entry.get("months"),
        year_letters=entry.get("year_letters"),
        source=sourced(entry),
    )


def fields(style: Style, word: str) -> dict[str, str] | None:
    """Return the named parts of a word that has the style's shape, or None.

    A '?' stands for a character nobody could read; it may stand anywhere but in the date itself.
    """
    found = style.pattern.fullmatch(word.replace("?", "0"))
    if not found:
        return None
    named = {name: text for name, text in found.groupdict().items() if text is not None}
    if any("?" in word[found.start(name) : found.end(name)] for name in named):
        return None
    return {name.rstrip("0123456789"): text for name, text in named.items()}


def meanings(style: Style, word: str, *, latest: int) -> tuple[When, ...]:
    """Return what `word` may mean in `style`: several where the decade is open, none where it does not fit.

    Parameters
    ----------
    style : Style
    word : str
        Upper case.
    latest : int
        The last year possible.
    """
    groups = fields(style, word)
    if groups is None:
        return ()
    week = int(groups["ww"]) if "ww" in groups else None
    if week is not None and not 1 <= week <= 53:
        return ()
    month = _month(style.months, groups["m"]) if "m" in groups else None
    if "m" in groups and month is None:
        return ()
    first, last = max(FIRST_YEAR, style.first), min(latest, style.last)
    years = [y for y in _years(style, groups, latest) if first <= y <= last]
    return tuple(When(y, week, month, "y" in groups) for y in years)


def _years(style: Style, groups: dict[str, str], latest: int) -> list[int]:
    if "yy" in groups:
        short = int(groups["yy"])
        return [1900 + short if short >= FIRST_YEAR % 100 else 2000 + short]
    if "y" in groups:
        return [y for y in range(FIRST_YEAR, latest + 1) if y % 10 == int(groups["y"])]
    letters, _, starts = (style.year_letters or "").partition("=")
    return [int(start) + letters.index(groups["yl"]) for start in starts.split(",")]


def _month(kind: str | None, text: str) -> int | None:
    if kind == "number":
        return int(text) if 1 <= int(text) <= 12 else None
    if kind == "any":
        kind = "XYZ" if text in "XYZ" else "hex"
    if kind == "OND" and text == "0":
        text = "O"  # one glyph in many marking fonts
    place = _MONTHS[kind or "hex"].find(text)
    return place + 1 if place >= 0 else None


@cache
def age_weight(year: int) -> float:
    """Return how usual a chip of that year is on a repairer's bench, relative; straight lines between the data."""
    ages = table("date_styles.toml")["ages"]
    years, weights = ages["years"], ages["weight"]
    if year <= years[0]:
        return float(weights[0])
    for low, high, a, b in zip(years, years[1:], weights, weights[1:], strict=False):
        if year <= high:
            return float(a + (b - a) * (year - low) / (high - low))
    return float(weights[-1])


def context_db(name: str) -> float:
    """Return the decibans of one kind of surroundings."""
    return float(table("date_styles.toml")["context"][name])
