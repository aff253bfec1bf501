"""How likely a line of marking is, as the trade writes part numbers, date codes, countries and company lines."""

import re
from functools import cache

from tracker.knowledge import makers, parts
from tracker.knowledge.facts import table

LOWEST, HIGHEST = -2.0, 4.0


@cache
def countries() -> frozenset[str]:
    """Return the places of assembly marked on chips, upper case."""
    return frozenset(table("vocabulary.toml")["countries"]["words"])


@cache
def words() -> frozenset[str]:
    """Return every plain word: places, company words, makers' names."""
    plain = set(table("vocabulary.toml")["company"]["words"])
    for phrase in countries():
        plain.update(phrase.split())
    for maker in makers.every_maker():
        for alias in maker.aliases:
            plain.update(w for w in alias.split() if len(w) > 2)
    return frozenset(plain)


class TradeLexicon:
    """Satisfies the reading side's protocol: `plausibility(text)` in log10 odds, -2 to 4."""

    def plausibility(self, text: str) -> float:
        """Return the log10 odds that a marking line reads `text` rather than a random string of its length."""
        tokens = [t.strip(",;:()") for t in text.upper().split()]
        scores = [token_score(token) for token in tokens if token]
        if not scores:
            return LOWEST
        # Words of one line support each other, yet a long line must not win by length alone.
        return float(max(LOWEST, min(HIGHEST, sum(scores) / len(scores) ** 0.5)))


@cache
def lexicon() -> TradeLexicon:
    """Return the trade's lexicon."""
    return TradeLexicon()


def token_score(token: str) -> float:
    """Return the log10 odds of one word of a marking; the best of its possible kinds."""
    if token in words():
        return float(min(HIGHEST, 0.8 * len(token)))
    return max(parts.part_score(token), date_score(token), _lot_score(token))


def date_score(token: str) -> float:
    """Return log10 odds that `token` is a date code by its shape alone."""
    found = re.fullmatch(r"([A-Z]{0,3})(\d\d)(\d\d)([A-Z]{0,3})", token)
    if not found or not 1 <= int(found[3]) <= 53:
        return -1.0
    year = int(found[2])
    likely = 66 <= year <= 99 or year <= 26
    return (1.2 if likely else -0.5) - 0.3 * len(found[1])


def _lot_score(token: str) -> float:
    """Return log10 odds of anything else: lot codes are nearly free of shape, but rarely change kind at each letter."""
    return -0.15 * max(0, parts.kind_changes(token) - 2)
