"""A whole marking taken apart for dating: its words, what each is, and what they say of maker and years."""

import re
from dataclasses import dataclass
from functools import cache

from tracker.knowledge import families, lexicon, makers, parts
from tracker.knowledge.datestyles import Style, styles
from tracker.knowledge.facts import sourced, table

# Log10 odds from which a word is a part number and never a date; common practice, no source.
CLEAR_PART = 1.3
LIKELY_PART = 0.3

_YEAR = r"(19[6-9]\d|20[0-4]\d)"
_MARK = r"(?:©|\(C\)|Ⓒ|Ⓜ|COPYRIGHT|\(M\))"
# A copyright line: the mark, at most two names, the year; or the year and then a company word.
_COPYRIGHT = re.compile(
    rf"{_MARK}\s*(?:[A-Z&.,]+\s+){{0,2}}[A-Z&.,]*\s*{_YEAR}(?!\d)|(?<!\d){_YEAR}\s+(?=[A-Z]{{3,}}\s+(?:COMPUTER|CORP|INC|LTD|CO\b))"
)
_SHORT_YEAR = re.compile(r"(?<![\w'’])['’](\d\d)(?!\d)")
_MARK_AND_SHORT_YEAR = re.compile(rf"{_MARK}\s*[A-Z]+(\d\d)(?!\d)")
# 'INTEL 77': the owner of the mask and the year; a lot or line number after a name is hardly ever so high.
_OWNER_AND_SHORT_YEAR = re.compile(r"(?<![\w-])(?:INTEL|AMD|NEC|TI|ATARI)\s+([7-9]\d)(?![\w/-])")


@dataclass(frozen=True, slots=True)
class Mark:
    """One entry of date_marks.toml."""

    pattern: re.Pattern[str]
    first: int
    last: int
    part: bool
    first_word: bool
    makers: tuple[str, ...]
    styles: tuple[str, ...]
    source: str


@dataclass(frozen=True, slots=True)
class DateKnowledge:
    """What an interpretation rests on; a benchmark leaves entries out to see what they are worth."""

    styles: tuple[Style, ...]
    marks: tuple[Mark, ...]


@dataclass(frozen=True, slots=True)
class Window:
    """Years in which such a piece was made, from one thing known; outside it a date grows unlikely year by year."""

    first: int
    last: int


@dataclass(frozen=True, slots=True)
class Marking:
    """A marking taken apart.

    Parameters
    ----------
    words : tuple of str
        Upper case, copyright years taken out.
    part : str or None
        The word that is the part number.
    beside_country : frozenset of int
        Indices of words next to a place of assembly.
    behind_prefix : frozenset of int
        Indices of words behind a maker's prefix that stands alone ('TMS 0803'): likelier the type than the date.
    part_like : frozenset of int
        Indices of words that look like part numbers.
    certain_parts : frozenset of int
        Indices of words that are part numbers.
    windows : tuple of Window
    copyright : int or None
        The latest copyright year.
    likely_styles : frozenset of str
        Styles that the maker uses.
    possible_styles : frozenset of str
        Styles of the several makers that share the part's prefix.
    mark_styles : frozenset of str
        Styles that go with a part in the marking.
    """

    words: tuple[str, ...]
    part: str | None
    beside_country: frozenset[int]
    behind_prefix: frozenset[int]
    part_like: frozenset[int]
    certain_parts: frozenset[int]
    windows: tuple[Window, ...]
    copyright: int | None
    likely_styles: frozenset[str]
    possible_styles: frozenset[str]
    mark_styles: frozenset[str]


@cache
def marks() -> tuple[Mark, ...]:
    """Return the entries of date_marks.toml; raises ValueError where one names a style that does not exist."""
    known = {style.name for style in styles()}
    found = []
    for entry in table("date_marks.toml")["mark"]:
        unknown = set(entry.get("styles", ())) - known
        if unknown:
            raise ValueError(f"date_marks.toml names unknown styles {sorted(unknown)}")
        found.append(
            Mark(
                pattern=re.compile(entry["pattern"]),
                first=entry["first"],
                last=entry["last"],
                part=entry.get("part", False),
                first_word=entry.get("first_word", False),
                makers=tuple(entry.get("makers", ())),
                styles=tuple(entry.get("styles", ())),
                source=sourced(entry),
            )
        )
    return tuple(found)


@cache
def everything() -> DateKnowledge:
    """Return all styles and marks of the data files."""
    return DateKnowledge(styles(), marks())


def take_apart(text: str, maker: str | None, known: DateKnowledge | None = None) -> Marking:
    """Take a marking apart.

    Parameters
    ----------
    text : str
        The whole marking, lines joined by spaces, commas or slashes between spaces.
    maker : str or None
        Its maker as a person names it, where known; an unknown name is as good as none.
    known : DateKnowledge, optional
        All there is where not given.
    """
    known = known or everything()
    upper = re.sub(r"\s/\s", " ", text.upper().replace("ⓒ", "©"))
    copyright_year, bare = _without_copyright(upper)
    words = tuple(w for w in (raw.strip(",;:.()[]|©Ⓜ*+") for raw in re.split(r"[\s,;]+", bare)) if w)
    part = parts.find_part(words)
    owners, certain = _owners(words, part, maker)
    part = (_own_part(words, owners) if certain else None) or part
    found_marks = _marks_in(words, known, {owner.name for owner in owners})
    return Marking(
        words=words,
        part=part,
        beside_country=_beside_country(words),
        behind_prefix=_behind_prefix(words),
        part_like=frozenset(i for i, w in enumerate(words) if _part_like(w)),
        certain_parts=_certain_parts(words, frozenset(i for i, m in found_marks if m.part)),
        windows=_windows(part, owners if certain else (), [m for _, m in found_marks]),
        copyright=copyright_year,
        likely_styles=_styles_of(owners) if certain else frozenset(),
        possible_styles=frozenset() if certain else _styles_of(owners),
        mark_styles=frozenset(s for _, m in found_marks for s in m.styles),
    )


def _without_copyright(upper: str) -> tuple[int | None, str]:
    """Return the latest copyright year, or None, and the text without copyright lines."""
    years = [int(y) for found in _COPYRIGHT.findall(upper) for y in found if y]
    bare = _COPYRIGHT.sub(" ", upper)
    for pattern in (_MARK_AND_SHORT_YEAR, _SHORT_YEAR, _OWNER_AND_SHORT_YEAR):
        years += [1900 + int(y) if int(y) > 60 else 2000 + int(y) for y in pattern.findall(upper)]
        bare = pattern.sub(" ", bare)
    return max(years, default=None), bare


def _marks_in(words: tuple[str, ...], known: DateKnowledge, owners: set[str]) -> list[tuple[int, Mark]]:
    """Return every (index of the word, mark) that holds in this marking."""
    return [
        (i, mark)
        for i, word in enumerate(words)
        for mark in known.marks
        if mark.pattern.fullmatch(word)
        and (i == 0 or not mark.first_word)
        and (not mark.makers or owners.intersection(mark.makers))
    ]


def _owners(words: tuple[str, ...], part: str | None, maker: str | None) -> tuple[tuple[makers.Maker, ...], bool]:
    """Return the makers and whether they are certain: given or named, or the only one that uses the part's prefix."""
    given = makers.find_maker(maker) if maker else None
    if given:
        return (given,), True
    named = makers.named_in(words)
    if named:
        return named, True
    parsed = parts.parse(part) if part else None
    owners = makers.of_prefix(parsed.prefix) if parsed and parsed.prefix else ()
    return owners, len(owners) == 1


def _own_part(words: tuple[str, ...], owners: tuple[makers.Maker, ...]) -> str | None:
    """Return the first word that carries one of the owners' prefixes; one letter is too little."""
    own = {prefix for owner in owners for prefix in owner.prefixes if len(prefix) > 1}
    return next((w for w in words if (parsed := parts.parse(w)) and parsed.prefix in own), None)


def _styles_of(owners: tuple[makers.Maker, ...]) -> frozenset[str]:
    return frozenset(style for owner in owners for style in owner.date_styles)


def _beside_country(words: tuple[str, ...]) -> frozenset[int]:
    single = {i for i, w in enumerate(words) if w in lexicon.countries()}
    double = {i for i in range(len(words) - 1) if f"{words[i]} {words[i + 1]}" in lexicon.countries()}
    places = single | double | {i + 1 for i in double}
    return frozenset(j for i in places for j in (i - 1, i + 1) if 0 <= j < len(words) and j not in places)


def _behind_prefix(words: tuple[str, ...]) -> frozenset[int]:
    """Names of makers do not count, though some are prefixes as well: 'MOS 2783' is a date."""
    prefixes = {w for w in words if len(w) > 1 and makers.of_prefix(w) and not makers.find_maker(w)}
    return frozenset(i + 1 for i, w in enumerate(words[:-1]) if w in prefixes)


def _part_like(word: str) -> bool:
    parsed = parts.parse(word)
    return bool(parsed and len(parsed.prefix) > 1 and (parsed.makers or families.for_part(word)))


def _certain_parts(words: tuple[str, ...], marked: frozenset[int]) -> frozenset[int]:
    """Return indices of words that are part numbers beyond doubt, or else of a bare well-known type ('MOS 6502').

    A bare type counts only as the first number of the marking: behind another number it may as well be the date.
    """
    clear = marked | {i for i, w in enumerate(words) if len(w) > 4 and parts.part_score(w) >= CLEAR_PART}
    if clear or any(parts.part_score(w) >= LIKELY_PART for w in words):
        return clear
    numbers = [i for i, w in enumerate(words) if len(w) > 3 and re.search(r"\d", w)]
    return frozenset(
        i for i in numbers[:1] if re.fullmatch(r"\d{4}[A-Z]?\d?", words[i]) and families.for_part(words[i])
    )


def _windows(part: str | None, owners: tuple[makers.Maker, ...], found: list[Mark]) -> tuple[Window, ...]:
    windows = [Window(mark.first, mark.last) for mark in found]
    family = families.for_part(part) if part else None
    if family and family.first_year:
        windows.append(Window(family.first_year.value, family.last_year.value if family.last_year else 9999))
    if len(owners) == 1:
        windows.append(Window(owners[0].first or 0, owners[0].last or 9999))
    return tuple(windows)
