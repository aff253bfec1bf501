"""Makers: the names they mark, their part-number prefixes, their years and the date styles they use."""

import re
from dataclasses import dataclass
from functools import cache

from tracker.knowledge.facts import sourced, table


@dataclass(frozen=True, slots=True)
class Maker:
    """One maker.

    Parameters
    ----------
    name : str
    aliases : tuple of str
        Upper-case words or phrases that name it on a chip.
    prefixes : tuple of str
        Upper-case letters in front of its type numbers.
    first, last : int or None
        Calendar years of the name's use on chips; None is unknown or still in use.
    date_styles : tuple of str
        Names in date_styles.toml it is known to use.
    invented : bool
        True for the makers of the demo.
    """

    name: str
    aliases: tuple[str, ...]
    prefixes: tuple[str, ...]
    first: int | None
    last: int | None
    date_styles: tuple[str, ...]
    source: str
    invented: bool = False


@cache
def makers(*, invented: bool = False) -> tuple[Maker, ...]:
    """Return the makers of makers.toml, or with `invented` those of the demo's invented.toml alone."""
    return tuple(
        Maker(
            name=entry["name"],
            aliases=tuple(entry.get("aliases", ())),
            prefixes=tuple(entry.get("prefixes", ())),
            first=entry.get("first"),
            last=entry.get("last"),
            date_styles=tuple(entry.get("date_styles", ())),
            source=sourced(entry),
            invented=invented,
        )
        for entry in table("invented.toml" if invented else "makers.toml")["maker"]
    )


def every_maker() -> tuple[Maker, ...]:
    """Return real and invented makers; the invented prefixes are chosen so that no real one is shadowed."""
    return makers() + makers(invented=True)


def _key(name: str) -> str:
    return re.sub(r"[^A-Z0-9]", "", name.upper())


@cache
def _by_alias() -> dict[str, Maker]:
    known = {_key(alias): maker for maker in every_maker() for alias in maker.aliases}
    return known | {_key(maker.name): maker for maker in every_maker()}


@cache
def _by_prefix() -> dict[str, tuple[Maker, ...]]:
    found: dict[str, list[Maker]] = {}
    for maker in every_maker():
        for prefix in maker.prefixes:
            found.setdefault(prefix, []).append(maker)
    return {prefix: tuple(owners) for prefix, owners in found.items()}


def find_maker(name: str) -> Maker | None:
    """Return the maker a person means by `name` (any case, spacing or usual abbreviation), or None."""
    key = _key(name)
    if not key:
        return None
    found = _by_alias().get(key)
    if found:
        return found
    # A fuller name than ours ("Motorola Semiconductor Inc."), or an unambiguous beginning of it.
    starts = {m.name: m for alias, m in _by_alias().items() if len(alias) > 3 and (key.startswith(alias))}
    return next(iter(starts.values())) if len(starts) == 1 else None


def of_prefix(prefix: str) -> tuple[Maker, ...]:
    """Return the makers that put `prefix` (upper case) before their type numbers; often several, often none."""
    return _by_prefix().get(prefix, ())


@cache
def prefixes() -> frozenset[str]:
    """Return every known prefix."""
    return frozenset(_by_prefix())


def named_in(words: tuple[str, ...]) -> tuple[Maker, ...]:
    """Return the makers whose name or abbreviation stands among the words of a marking, in order.

    Single letters and prefixes that double as names count only as whole words.
    """
    joined = f" {' '.join(words).upper()} "
    found: dict[str, tuple[int, Maker]] = {}
    for maker in every_maker():
        for alias in maker.aliases:
            at = joined.find(f" {alias} ")
            if len(alias) > 1 and at >= 0 and (maker.name not in found or at < found[maker.name][0]):
                found[maker.name] = (at, maker)
    return tuple(maker for _, maker in sorted(found.values(), key=lambda pair: pair[0]))
