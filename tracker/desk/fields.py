"""What people type, checked: one line of text, a whole number, a date, an amount of money."""

import re
import unicodedata
from datetime import date
from decimal import Decimal, InvalidOperation

from tracker.errors import BadRequest


def one_line(text: str, name: str, limit: int = 200) -> str:
    """Return `text` trimmed, inner white space as single spaces, in Unicode's composed form (NFC).

    Raises
    ------
    BadRequest
        When it is empty, longer than `limit` characters, or holds characters that do not print.
    """
    clean = unicodedata.normalize("NFC", " ".join(text.split()))
    if not clean:
        verb, it = ("are", "them") if name == "grounds" else ("is", "it")
        raise BadRequest(f"The {name} {verb} empty.", f"Give {it} as text.")
    if len(clean) > limit:
        raise BadRequest(f"The {name} is longer than {limit} characters.", "Shorten it.")
    if not clean.isprintable():
        raise BadRequest(f"The {name} holds characters that do not print.", "Type it again.")
    return clean


def folded(text: str) -> str:
    """Return a text as it is compared: in any case, with any white space between its words."""
    return " ".join(text.split()).casefold()


def whole_number(text: str, name: str, least: int, most: int) -> int:
    """Return the whole number in `text`.

    Raises
    ------
    BadRequest
        When it is none, or not from `least` to `most`.
    """
    clean = text.strip()
    if not re.fullmatch(r"[+-]?[0-9]{1,12}", clean) or not least <= int(clean) <= most:
        raise BadRequest(f"The {name} is '{_shown(clean)}'.", f"It must be a whole number from {least} to {most}.")
    return int(clean)


def day(text: str, name: str) -> date:
    """Return the date in `text`, written YYYY-MM-DD (ISO 8601).

    Raises
    ------
    BadRequest
        When it is written otherwise, or there is no such day.
    """
    clean = text.strip()
    if not re.fullmatch(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", clean):
        raise BadRequest(f"The {name} is '{_shown(clean)}'.", "Write it as YYYY-MM-DD, for example 2031-04-02.")
    try:
        return date.fromisoformat(clean)
    except ValueError:
        raise BadRequest(f"The {name} is {clean}, and there is no such day.", "Write it as YYYY-MM-DD.") from None


def money(text: str, name: str) -> str:
    """Return an amount as exact decimal text.

    Raises
    ------
    BadRequest
        When it is no amount of at least 0 and less than 1e12 with at most four decimals.
    """
    clean = text.strip()
    advice = "Write it like 48.50, with a point and without the currency."
    try:
        amount = Decimal(clean)
    except InvalidOperation:
        amount = Decimal("NaN")
    if not re.fullmatch(r"[0-9]{1,12}(\.[0-9]{1,4})?", clean) or not amount.is_finite():
        raise BadRequest(f"The {name} is '{_shown(clean)}'.", advice)
    return str(amount)


def currency(text: str, name: str) -> str:
    """Return a currency as three capital letters (the shape of ISO 4217; the list itself is not checked).

    Raises
    ------
    BadRequest
        When it has another shape.
    """
    clean = text.strip().upper()
    if not re.fullmatch(r"[A-Z]{3}", clean):
        raise BadRequest(f"The {name} is '{_shown(clean)}'.", "Use the three letters of ISO 4217, such as EUR or GBP.")
    return clean


def one_of(text: str, name: str, choices: tuple[str, ...]) -> str:
    """Return the choice that `text` names, in any case, with spaces or hyphens.

    Raises
    ------
    BadRequest
        When it is none of them.
    """
    clean = "-".join(text.lower().replace("_", " ").replace("-", " ").split())
    if clean not in choices:
        raise BadRequest(f"The {name} is '{_shown(text.strip())}'.", f"It must be one of: {', '.join(choices)}.")
    return clean


def file_name(name: str) -> str:
    """Return a file's own name made safe to store and show: what does not print becomes '?', at most 300 characters."""
    shown = "".join(letter if letter.isprintable() else "?" for letter in name)
    return shown[-300:] or "?"


def _shown(text: str) -> str:
    short = text if len(text) <= 40 else f"{text[:40]}..."
    return "".join(letter if letter.isprintable() else "?" for letter in short)
