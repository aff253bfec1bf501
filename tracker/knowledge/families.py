"""Families of parts: technology, years on the market, supply-current limits with conditions, clock grades."""

import re
from dataclasses import dataclass
from functools import cache
from typing import Any

from tracker.knowledge.facts import Fact, sourced, table
from tracker.knowledge.makers import of_prefix


@dataclass(frozen=True, slots=True)
class CurrentLimit:
    """One line of a data sheet's supply-current table.

    Parameters
    ----------
    what, condition : str
    typ_a, max_a : float or None
        Amperes; None where the sheet gives none.
    supply_v, temp_c : float
        Supply in volts and the temperature in degrees Celsius for which the limit is stated.
    clock_hz : float or None
        Clock at which it holds; None for static limits or where the sheet names none.
    """

    what: str
    typ_a: float | None
    max_a: float | None
    supply_v: float
    temp_c: float
    clock_hz: float | None
    condition: str
    source: str


@dataclass(frozen=True, slots=True)
class FamilyData:
    """What is known of one family or part; None where nothing is.

    `clock_hz` is the highest clock of the grade that the asked part number carries, in hertz.
    """

    name: str
    what: str
    technology: Fact[str]
    supply_v: Fact[float]
    clock_hz: Fact[float] | None
    first_year: Fact[int] | None
    last_year: Fact[int] | None
    currents: tuple[CurrentLimit, ...]
    packages: tuple[str, ...]
    invented: bool


@cache
def for_part(part: str) -> FamilyData | None:
    """Return the family a part number belongs to, or None when it is not known.

    Parameters
    ----------
    part : str
        As marked or claimed, any case, with or without maker prefix: 'SN74LS00N', 'CV6522AP-2'.
    """
    text = re.sub(r"[\s_]", "", part.upper())
    for entry, tried, invented in _matches(text):
        if re.search(entry["pattern"], tried):
            return _family(entry, text, invented)
    return None


def _matches(text: str) -> list[tuple[dict[str, Any], str, bool]]:
    """Return every (entry, form of the part number to try, invented) in the order of trying."""
    made_up = [(e, text, True) for e in table("invented.toml")["part"] if _carries_invented_prefix(text)]
    if made_up:
        return made_up
    return [(e, form, False) for form in forms(text) for e in table("families.toml")["part"]]


def _carries_invented_prefix(text: str) -> bool:
    letters = re.match(r"[A-Z]+", text)
    return bool(letters) and any(m.invented for m in of_prefix(letters.group() if letters else ""))


@cache
def forms(text: str) -> tuple[str, ...]:
    """Return the part number with its leading letters taken off step by step, the barest first, then as it is."""
    letters = re.match(r"[A-Z]*", text)
    length = len(letters.group()) if letters else 0
    return tuple(dict.fromkeys((text[length:], text)))


def _family(entry: dict[str, Any], text: str, invented: bool) -> FamilyData:
    source = sourced(entry)

    def year(key: str) -> Fact[int] | None:
        return Fact(int(entry[key]), source) if key in entry else None

    return FamilyData(
        name=entry["name"],
        what=entry["what"],
        technology=Fact(entry["technology"], source),
        supply_v=Fact(float(entry["supply_v"]), source),
        clock_hz=_clock(entry, text, source),
        first_year=year("first_year"),
        last_year=year("last_year"),
        currents=tuple(_limit(row) for row in entry.get("current", ())),
        packages=tuple(entry.get("packages", ())),
        invented=invented,
    )


def _limit(row: dict[str, Any]) -> CurrentLimit:
    return CurrentLimit(
        what=row["what"],
        typ_a=row.get("typ_a"),
        max_a=row.get("max_a"),
        supply_v=float(row["supply_v"]),
        temp_c=float(row["temp_c"]),
        clock_hz=row.get("clock_hz"),
        condition=row["condition"],
        source=sourced(row),
    )


def _clock(entry: dict[str, Any], text: str, source: str) -> Fact[float] | None:
    """Return the clock the part number names: a digit after '-', a letter after the number, else the lowest grade."""
    grade = re.search(r"-(\d+)", text) or re.search(r"[A-Z](\d{1,2})$", text)
    if grade and grade.group(1) in entry.get("grades", {}):
        return Fact(float(entry["grades"][grade.group(1)]), source)
    if grade and "grade_unit_hz" in entry:
        return Fact(int(grade.group(1)) * float(entry["grade_unit_hz"]), source)
    letter = re.search(r"\d([A-Z])", text)
    if letter and letter.group(1) in entry.get("letters", {}):
        return Fact(float(entry["letters"][letter.group(1)]), source)
    return Fact(float(entry["clock_hz"]), source) if "clock_hz" in entry else None
