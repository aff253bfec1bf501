"""What is left out of a copy of a dossier, wherever it stands; and saying so."""

import re
from collections.abc import Iterable
from dataclasses import dataclass

GONE = "[left out]"
PRICES, OPERATORS, OWNERS = "prices", "operators' names", "references to machines' owners"
_MONEY = r"(?:[€£¥$₹₽₩]|\b(?:EUR|USD|GBP|CHF|JPY|CNY|RMB|CAD|AUD|SEK|NOK|DKK|PLN|CZK|HUF|INR|KRW|TWD|HKD|SGD|{own})\b)"
_AMOUNT = r"\d[\d.,'’\u00a0\u202f ]*(?:-|–)?"
LEAST = 2
"""Letters a name must have to be looked for inside other text; a single letter would black out words."""


@dataclass(frozen=True, slots=True)
class Redaction:
    """What a copy leaves out.

    Parameters
    ----------
    prices, operators, owners : bool
    """

    prices: bool = False
    operators: bool = False
    owners: bool = False

    @property
    def named(self) -> tuple[str, ...]:
        """What is left out, in words."""
        chosen = ((self.prices, PRICES), (self.operators, OPERATORS), (self.owners, OWNERS))
        return tuple(words for wanted, words in chosen if wanted)


@dataclass(frozen=True, slots=True)
class Secrets:
    """What must not stand anywhere in a copy, as it may stand in remarks and names of files.

    Parameters
    ----------
    names : tuple of str
        Of operators, references of owners.
    amounts : tuple of str
        Prices as they are on record; amounts of any money go, too.
    currency : str or None
        Of the lot.
    hide_money : bool
    """

    names: tuple[str, ...] = ()
    amounts: tuple[str, ...] = ()
    currency: str | None = None
    hide_money: bool = False

    def out_of(self, text: str) -> str:
        """Return text of any kind without names, and without sums of money that say that they are."""
        for name in sorted({one for one in self.names if len(one) >= LEAST}, key=lambda one: -len(one)):
            text = re.sub(rf"(?<!\w){_loosely(name)}(?!\w)", GONE, text, flags=re.IGNORECASE)
        return _without_money(text, self.currency) if self.hide_money else text

    def out_of_words(self, text: str) -> str:
        """Return what a person wrote without any of it: there a bare number may be the price, elsewhere a reading."""
        text = self.out_of(text)
        if self.hide_money:
            for amount in _spellings(self.amounts):
                text = re.sub(rf"(?<![\w.,]){re.escape(amount)}(?![\w]|[.,]\d)", GONE, text)
        return text


def _loosely(name: str) -> str:
    """Return a pattern of a name in which any white space stands for its own."""
    return r"\s+".join(re.escape(word) for word in name.split())


def _without_money(text: str, currency: str | None) -> str:
    money = _MONEY.format(own=re.escape(currency or "EUR"))
    return re.sub(rf"{money}\s*{_AMOUNT}|{_AMOUNT}\s*{money}", GONE, text, flags=re.IGNORECASE)


def _spellings(amounts: Iterable[str]) -> list[str]:
    """Return how an amount may be written: with point or comma, with and without noughts at its end."""
    found: set[str] = set()
    for amount in amounts:
        whole, _, part = amount.partition(".")
        parts = {part, part.rstrip("0"), f"{part:<02}"[:2].replace(" ", "0") if part else "00"}
        found |= {f"{whole}{sign}{digits}" for sign in ".," for digits in parts if digits}
        if not part.strip("0"):
            found |= {whole, f"{whole},-", f"{whole}.-"}
    return sorted(found, key=lambda one: -len(one))
