"""A seller's claim held against what is read on the piece."""

import re
from dataclasses import dataclass
from datetime import date
from typing import Protocol

from tracker.judgement.counts import CLEAR, SLIGHT
from tracker.judgement.observed import Remark

# All bounds of this file: common practice, no source.
SURE_DATE = 0.5
"""A date interpretation at least this probable is argued with."""
POSSIBLE_DATE = 0.2
"""Another interpretation at least this probable excuses a strange one."""
SURE_LINE = 0.94
"""A line read with less confidence than this may be misread: a difference in it is only slight."""
YEARS_OLD_CLEAR, YEARS_OLD_SLIGHT = 20, 10
"""Years before arrival from which 'new' is contradicted."""
YEARS_BEFORE_CLEAR = 2
"""First years in tables are good to about a year; from this many years before them a date is clearly too early."""
YEARS_AFTER_CLEAR, YEARS_AFTER_SLIGHT = 4, 2
"""Production tails off; last years in tables are less sure than first ones."""
OTHER_CHARACTERS = 3
"""More of them on the line of a strange date than this, and it may be some other number."""

ALIKE = str.maketrans("OQDILSBZG", "000115826")
"""Characters that markings and readers confuse, folded onto figures."""
KIND_CODES = {
    "other-part": "marking-other-part",
    "other-grade": "marking-other-grade",
    "other-maker": "marking-other-maker",
    "other-package": "marking-other-package",
}


class DateRead(Protocol):
    """One interpretation of a date code, best first in any sequence of them."""

    @property
    def text(self) -> str: ...
    @property
    def year(self) -> int: ...
    @property
    def week(self) -> int | None: ...
    @property
    def month(self) -> int | None: ...
    @property
    def style(self) -> str: ...
    @property
    def probability(self) -> float: ...


class SuspectRead(Protocol):
    """A word that stands where a date code stands and cannot be one; `reason` is 'week' or 'future'."""

    @property
    def text(self) -> str: ...
    @property
    def reason(self) -> str: ...
    @property
    def message(self) -> str: ...
    @property
    def year(self) -> int | None: ...
    @property
    def week(self) -> int | None: ...


class Comparison(Protocol):
    """How a part number read compares with the one claimed; `detail` is a sentence."""

    @property
    def kind(self) -> str: ...
    @property
    def detail(self) -> str: ...


@dataclass(frozen=True, slots=True)
class Claim:
    """What the seller says.

    Parameters
    ----------
    part, maker, grade : str or None
    condition : str or None
        'new', 'old-stock', 'pulled', 'refurbished' or 'unknown'.
    arrived_on : date or None
        No date code can be later.
    """

    part: str | None = None
    maker: str | None = None
    grade: str | None = None
    condition: str | None = None
    arrived_on: date | None = None


@dataclass(frozen=True, slots=True)
class MarkingRead:
    """What is read on one piece.

    Parameters
    ----------
    lines : tuple of str
        Top to bottom.
    confidences : tuple of float
        0 to 1, one a line.
    part : str or None
        The part number among the lines.
    makers : tuple of str
        Makers the part number's prefix stands for; empty where it says nothing.
    dates : tuple of DateRead
        Interpretations of the date code, best first, none later than the arrival.
    suspects : tuple of SuspectRead
        Words that stand where a date code stands and cannot be one.
    part_sure : bool
        Whether `part` certainly is a part number, by its shape.
    """

    lines: tuple[str, ...]
    confidences: tuple[float, ...]
    part: str | None = None
    makers: tuple[str, ...] = ()
    dates: tuple[DateRead, ...] = ()
    suspects: tuple[SuspectRead, ...] = ()
    part_sure: bool = True

    def line_of(self, text: str | None) -> int | None:
        """Return the index of the line that contains `text`, or None."""
        if not text:
            return None
        wanted = letters_and_figures(text)
        return next((i for i, line in enumerate(self.lines) if wanted in letters_and_figures(line)), None)

    def confidence_of(self, text: str | None) -> float:
        """Return the confidence of the line that contains `text`; 0 where none does."""
        index = self.line_of(text)
        return 0.0 if index is None else self.confidences[index]


@dataclass(frozen=True, slots=True)
class Life:
    """When a part was made, as far as tables know; None where they do not."""

    first_year: int | None = None
    last_year: int | None = None
    what: str = "the part"
    source: str = ""


@dataclass(frozen=True, slots=True)
class Checked:
    """What was found strange in a marking, and the codes that were looked for."""

    remarks: tuple[Remark, ...]
    looked_for: tuple[str, ...]


def check(
    claim: Claim, reading: MarkingRead, *, comparison: Comparison | None, life: Life = Life(), today: date
) -> Checked:
    """Hold one reading against the claim.

    Parameters
    ----------
    claim : Claim
    reading : MarkingRead
    comparison : Comparison or None
        The claimed part number compared with the one read; None where either is missing.
    life : Life
        Years of manufacture of the part read (or claimed).
    today : date
        Stands for the day of arrival where the claim has none.

    Returns
    -------
    Checked
    """
    remarks: list[Remark] = []
    looked: list[str] = []
    for part_of in (
        _part(claim, reading, comparison),
        _maker(claim, reading, comparison),
        _date_possible(claim, reading),
        _date_in_life(reading, life),
        _date_against_condition(claim, reading, today),
    ):
        remarks += part_of.remarks
        looked += part_of.looked_for
    return Checked(tuple(remarks), tuple(dict.fromkeys(looked)))


NOTHING = Checked((), ())


def _part(claim: Claim, reading: MarkingRead, comparison: Comparison | None) -> Checked:
    if comparison is None or claim.part is None or reading.part is None or comparison.kind == "unsure":
        return NOTHING
    looked = ("marking-other-part", "marking-other-grade", "marking-other-package")
    code = KIND_CODES.get(comparison.kind)
    if code is None:
        return Checked((), looked)
    if misread_alike(claim.part, reading.part):
        return NOTHING
    sure = reading.part_sure and reading.confidence_of(reading.part) >= SURE_LINE
    message = f"{comparison.detail or f'The marking reads {reading.part}.'} Claimed: {claim.part}."
    return Checked((Remark(code, message, CLEAR if sure else SLIGHT, line=reading.line_of(reading.part)),), looked)


def misread_alike(claimed: str, read: str) -> bool:
    """Return whether two part numbers differ only as a misreading would make them differ.

    That is: not at all once characters that look alike are folded (0/O/D, 1/I/L, 5/S, 8/B, 2/Z, 6/G), or by an end that
    was cut off.
    """
    a, b = fold_alike(claimed), fold_alike(read)
    return a == b or (len(b) >= 4 and b in a)


def letters_and_figures(text: str) -> str:
    """Return a marking text in capitals without spaces and signs."""
    return re.sub(r"[^A-Z0-9]", "", text.upper())


def fold_alike(text: str) -> str:
    """Return a marking text with only letters and figures, those that look alike made equal."""
    return letters_and_figures(text).translate(ALIKE)


def _maker(claim: Claim, reading: MarkingRead, comparison: Comparison | None) -> Checked:
    if not claim.maker or not reading.makers or (comparison is not None and comparison.kind == "other-maker"):
        return NOTHING
    wanted = letters_and_figures(claim.maker)
    looked = ("marking-other-maker",)
    if any(wanted in letters_and_figures(maker) or letters_and_figures(maker) in wanted for maker in reading.makers):
        return Checked((), looked)
    sure = reading.confidence_of(reading.part) >= SURE_LINE
    message = f"{reading.part} is numbered as {' or '.join(reading.makers)} number parts; {claim.maker} was claimed."
    return Checked(
        (Remark("marking-other-maker", message, CLEAR if sure else SLIGHT, line=reading.line_of(reading.part)),), looked
    )


def _date_possible(claim: Claim, reading: MarkingRead) -> Checked:
    """Look for a date code that cannot be: a week that does not exist, or a date still to come."""
    late = "date-after-arrival" if claim.arrived_on else "date-in-future"
    if reading.dates and reading.dates[0].probability >= SURE_DATE:
        return Checked(_week_53(reading, reading.dates[0]), ("date-week-impossible", late))
    for suspect in reading.suspects:
        code = "date-week-impossible" if suspect.reason == "week" else late
        line = reading.line_of(suspect.text)
        sure = line is not None and reading.confidences[line] >= SURE_LINE and _alone(reading.lines[line], suspect.text)
        value = suspect.week if suspect.reason == "week" else suspect.year
        return Checked((Remark(code, suspect.message, CLEAR if sure else SLIGHT, value=value, line=line),), ())
    return NOTHING


def _alone(line: str, token: str) -> bool:
    """Tell whether a word has its line to itself, but for a few characters: other numbers stand among others."""
    return len(letters_and_figures(line)) <= len(letters_and_figures(token)) + OTHER_CHARACTERS


def _week_53(reading: MarkingRead, best: DateRead) -> tuple[Remark, ...]:
    if best.week != 53 or date(best.year, 12, 28).isocalendar().week == 53:  # ISO 8601: 28 December is in the last week
        return ()
    message = f"{best.text} is week 53 of {best.year}, which has 52 weeks by ISO 8601; some makers count otherwise."
    return (Remark("date-week-doubtful", message, line=reading.line_of(best.text)),)


def _date_in_life(reading: MarkingRead, life: Life) -> Checked:
    """Look for a date before the part or its process existed, or after its production ended."""
    if not reading.dates or reading.dates[0].probability < SURE_DATE:
        return NOTHING
    best = reading.dates[0]
    looked: list[str] = []
    remarks: list[Remark] = []
    index = reading.line_of(best.text)
    others = [d.year for d in reading.dates[1:] if d.probability >= POSSIBLE_DATE]
    if life.first_year is not None:
        looked.append("date-before-part")
        early = life.first_year - best.year
        if early > 0 and not any(year >= life.first_year for year in others):
            strength = CLEAR if early >= YEARS_BEFORE_CLEAR else SLIGHT
            message = f"{best.text} is of {best.year}; {life.what} was first made in {life.first_year}."
            remarks.append(
                Remark("date-before-part", message, strength, value=best.year, reference=life.first_year, line=index)
            )
    if life.last_year is not None:
        looked.append("date-after-last-year")
        late = best.year - life.last_year
        if late >= YEARS_AFTER_SLIGHT and not any(year <= life.last_year for year in others):
            strength = CLEAR if late >= YEARS_AFTER_CLEAR else SLIGHT
            message = f"{best.text} is of {best.year}; {life.what} was last made in about {life.last_year}."
            remarks.append(
                Remark("date-after-last-year", message, strength, value=best.year, reference=life.last_year, line=index)
            )
    return Checked(tuple(remarks), tuple(looked))


def _date_against_condition(claim: Claim, reading: MarkingRead, today: date) -> Checked:
    if claim.condition != "new" or not reading.dates or reading.dates[0].probability < SURE_DATE:
        return NOTHING
    looked = ("date-too-old-for-new",)
    best = reading.dates[0]
    age = (claim.arrived_on or today).year - best.year
    if age < YEARS_OLD_SLIGHT:
        return Checked((), looked)
    strength = CLEAR if age >= YEARS_OLD_CLEAR else SLIGHT
    message = f"Sold as new, and the date code {best.text} is of {best.year}: {age} years old."
    line = reading.line_of(best.text)
    return Checked((Remark("date-too-old-for-new", message, strength, value=age, unit="years", line=line),), looked)
