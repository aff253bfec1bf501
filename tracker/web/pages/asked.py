"""What stands in the address of a list: words, numbers and a page number, taken only where they make sense."""

import math
from collections.abc import Iterable, Mapping
from urllib.parse import urlencode

from tracker.errors import BadRequest

LONGEST = 200


def word(text: str | None) -> str | None:
    """Return what was typed into a filter, None where that is nothing.

    Raises
    ------
    BadRequest
        When it is too long to be meant.
    """
    said = " ".join((text or "").split())
    if len(said) > LONGEST:
        raise BadRequest(f"That is more than {LONGEST} characters.", "Filter by fewer words.")
    return said or None


def one_of(text: str | None, known: Iterable[str], what: str) -> str | None:
    """Return a choice, None where none was made.

    Raises
    ------
    BadRequest
        When there is no such choice.
    """
    said = word(text)
    if said is not None and said not in known:
        raise BadRequest(f"There is no {what} '{said[:40]}'.", f"There are: {', '.join(known)}.")
    return said


def share(text: str | None, what: str) -> float | None:
    """Return a percentage as a share of one: '30' and '30 %' are 0.3.

    Raises
    ------
    BadRequest
        When it is none.
    """
    said = word(text)
    if said is None:
        return None
    try:
        value = float(said.removesuffix("%").strip().replace(",", "."))
    except ValueError:
        value = math.nan
    if not 0 <= value <= 100:
        raise BadRequest(f"{what} '{said[:40]}' is no percentage.", "Write a number from 0 to 100.")
    return value / 100


def number(text: str | None) -> int:
    """Return the number of a page, counted from 1; 1 where it is none."""
    said = (text or "").strip()
    return max(1, int(said)) if said.isascii() and said.isdecimal() and len(said) <= 6 else 1


def address(path: str, values: Mapping[str, object]) -> str:
    """Return a path with what is asked for; what is empty is left out."""
    asked = {name: value for name, value in values.items() if value not in (None, "", (), [])}
    return f"{path}?{urlencode(asked, doseq=True)}" if asked else path
