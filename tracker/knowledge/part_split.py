"""A part number split into what each piece of it says: maker's prefix, base, grade, package, temperature range."""

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

from tracker.knowledge import parts
from tracker.knowledge.facts import COMMON_PRACTICE, sourced, table


@dataclass(frozen=True, slots=True)
class PartSplit:
    """What the pieces of one part number say; None where the number, or our knowledge of it, says nothing.

    Parameters
    ----------
    prefix : str or None
        The maker's letters.
    base : str
        The type number.
    grade : str or None
        Speed or selection as marked: '10', 'B', '20'. What it stands for depends on the part.
    package : str or None
        A plain name: 'plastic DIP'.
    temperature : str or None
        The range of air temperature: '0 to 70 C'.
    source : str
        Where the grammar is known from.
    """

    prefix: str | None
    base: str
    grade: str | None
    package: str | None
    temperature: str | None
    source: str


@dataclass(frozen=True, slots=True)
class Grammar:
    """One maker's way of building part numbers; the head of part_grammar.toml explains the fields."""

    name: str
    prefixes: tuple[str, ...]
    pattern: re.Pattern[str]
    packages: Mapping[str, str]
    temperatures: Mapping[str, str]
    of_prefix_packages: Mapping[str, str]
    of_prefix_temperatures: Mapping[str, str]
    package: str | None
    temperature: str | None
    source: str


@cache
def grammars() -> tuple[Grammar, ...]:
    """Return all grammars in the order of trying: those of the demo's makers, then the real ones."""
    entries = [e for file in ("invented.toml", "part_grammar.toml") for e in table(file)["grammar"]]
    return tuple(_grammar(entry) for entry in entries)


def _grammar(entry: dict[str, Any]) -> Grammar:
    return Grammar(
        name=entry["name"],
        prefixes=tuple(sorted(entry["prefixes"], key=len, reverse=True)),
        pattern=re.compile(entry["pattern"]),
        packages=_meanings(entry, "packages"),
        temperatures=_meanings(entry, "temperatures"),
        of_prefix_packages=_meanings(entry, "of_prefix_packages"),
        of_prefix_temperatures=_meanings(entry, "of_prefix_temperatures"),
        package=entry.get("package"),
        temperature=entry.get("temperature"),
        source=sourced(entry),
    )


def _meanings(entry: dict[str, Any], name: str) -> dict[str, str]:
    """Return letters and what they mean from lines like 'P: plastic DIP'."""
    pairs = (line.partition(": ") for line in entry.get(name, ()))
    return {letters: meaning for letters, _, meaning in pairs}


def split(text: str) -> PartSplit | None:
    """Split a part number; None when the text has not the shape of one.

    Parameters
    ----------
    text : str
        One token, or a token and its grade after a space or hyphen ('AT28C16 20PC'); any case.

    Notes
    -----
    Where no maker's grammar fits, the pieces come from the general shape of part numbers, and only what nearly all
    makers agree on is said.
    """
    general = parts.parse(text)
    if general is not None and general.family is not None:
        return _logic(general)
    for form in _forms(text):
        for grammar, prefix, found in _fitting(form):
            return _by_grammar(grammar, prefix, found)
    if general is None:
        return None
    return _general(general)


def _general(part: parts.PartNumber) -> PartSplit:
    """Say only what nearly all makers agree on: a grade behind a hyphen, the letters of the plastic DIP at the end."""
    own = part.prefix in table("parts.toml")["package_letters"]
    return PartSplit(
        prefix=part.prefix or None,
        base=part.base,
        grade=part.speed if re.search(rf"[-/ ]{re.escape(part.speed or '')}$", part.text) else None,
        package=part.package if own or part.package == "plastic DIP" else None,
        temperature=part.temperature,
        source=f"{COMMON_PRACTICE}: the general shape of part numbers",
    )


def _forms(text: str) -> tuple[str, ...]:
    """Return the text without spaces, and with a hyphen for them where that makes a difference."""
    upper = re.sub(r"\s+", " ", text.upper().replace("_", "-")).strip(" ,;:.")
    return tuple(dict.fromkeys((upper.replace(" ", ""), upper.replace(" ", "-"))))


def _fitting(form: str) -> Iterator[tuple[Grammar, str, re.Match[str]]]:
    for grammar in grammars():
        for prefix in grammar.prefixes:
            if form.startswith(prefix) and (found := grammar.pattern.fullmatch(form[len(prefix) :].removeprefix("-"))):
                yield grammar, prefix, found


def _by_grammar(grammar: Grammar, prefix: str, found: re.Match[str]) -> PartSplit:
    package, temperature = _joined(found, "package"), _joined(found, "temperature")
    return PartSplit(
        prefix=prefix or None,
        base=_joined(found, "base"),
        grade=_joined(found, "grade") or None,
        package=grammar.packages.get(package) if package else grammar.of_prefix_packages.get(prefix, grammar.package),
        temperature=grammar.temperatures.get(temperature)
        if temperature
        else grammar.of_prefix_temperatures.get(prefix, grammar.temperature),
        source=f"{grammar.name}: {grammar.source}",
    )


def _joined(found: re.Match[str], name: str) -> str:
    """Return what the groups of one name matched ('base', 'base1' ...), joined in their order."""
    return "".join(text for key, text in found.groupdict().items() if text and key.rstrip("0123456789") == name)


def _logic(part: parts.PartNumber) -> PartSplit:
    ranges = table("part_grammar.toml")["logic_temperature"]
    if part.base.startswith("54"):
        temperature = ranges["military"]
    else:
        temperature = ranges["bipolar" if part.family in ranges["bipolar_families"] else "cmos"]
    return PartSplit(
        prefix=part.prefix or None,
        base=part.base,
        grade=part.speed,
        package=part.package,
        temperature=temperature,
        source=sourced(ranges),
    )
