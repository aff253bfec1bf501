"""The grammar of part numbers: prefix, base, suffix, grade; comparison of a claim with a reading; which line it is."""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from itertools import pairwise
from typing import Any

from tracker.knowledge import families, makers
from tracker.knowledge.facts import table

# Glyphs that many marking fonts share (REFERENCE: O/0 and I/1 look the same on many chips).
SAME_GLYPH = str.maketrans({"O": "0", "I": "1", "Q": "0"})
# Glyphs that a reader confuses in bad light though the font tells them apart.
LOOK_ALIKE = str.maketrans({"O": "0", "I": "1", "Q": "0", "D": "0", "S": "5", "B": "8", "Z": "2", "L": "1", "G": "6"})

# A word that scores less is taken for no part number at all; common practice, no source.
LEAST_PART_SCORE = -0.5


@dataclass(frozen=True, slots=True)
class PartNumber:
    """One part number taken apart.

    Parameters
    ----------
    text : str
        Upper case, as given.
    prefix : str
        The maker's letters; '' where there are none.
    makers : tuple of str
        Names of makers that use the prefix; several where it is shared, none where unknown.
    base : str
        The type number: 'LS245' parts keep their logic family here ('74LS245').
    family : str or None
        Logic family letters ('LS', 'HC', '' for standard TTL) or None for other parts.
    suffix : str
        Everything after the base without the grade: revision and package letters.
    package : str or None
        What the suffix (or a leading letter) says of the package.
    speed : str or None
        The grade behind the hyphen or at the end, without the hyphen.
    temperature : str or None
    """

    text: str
    prefix: str
    makers: tuple[str, ...]
    base: str
    family: str | None
    suffix: str
    package: str | None
    speed: str | None
    temperature: str | None


@dataclass(frozen=True, slots=True)
class PartComparison:
    """How a part number read on a piece stands to the one claimed.

    `kind` is 'same', 'other-part', 'other-grade', 'other-package', 'other-maker' or 'unsure'; `detail` a sentence.
    """

    kind: str
    detail: str


@cache
def _logic_pattern() -> re.Pattern[str]:
    families = "|".join(table("parts.toml")["logic"]["families"])
    return re.compile(
        rf"(?P<prefix>[FMNST]|[A-Z]{{2,4}}?|)(?P<base>(?P<range>74|54)(?P<family>{families}|)(?P<number>\d{{2,5}}))"
        r"(?P<suffix>[A-Z]{0,3}\d?)(?:[-/ ](?P<grade>[A-Z0-9/]+))?"
    )


@cache
def _general_pattern() -> re.Pattern[str]:
    inner = "|".join(sorted(table("parts.toml")["inner_letters"]["letters"], key=len, reverse=True))
    return re.compile(
        rf"(?P<prefix>[A-Z]{{0,6}})-?(?P<base>\d-\d{{4}}|\d+(?:(?:{inner})\d{{2,}}|[A-Z]{{1,3}}\d{{3,}})*)"
        r"(?P<suffix>[A-Z0-9]*?)(?:[-/ ](?P<grade>[A-Z0-9/+#-]+))?"
    )


def _clean(text: str) -> str:
    tidy = re.sub(r"\s+", " ", text.upper().replace("_", "-")).strip(" ,;:.")
    return re.sub(r"^([A-Z]{2,4}) (?=\d)", r"\1", tidy)  # 'MCS 6502' is MCS6502


def parse(text: str) -> PartNumber | None:
    """Take a part number apart; None when the text has not the shape of one.

    Parameters
    ----------
    text : str
        One token, or a token and its grade after a space or hyphen ('AT28C16 20PC'); any case.
    """
    clean = _clean(text)
    if not 3 <= len(clean) <= 30:
        return None
    logic = _logic_pattern().fullmatch(clean)
    if logic and logic_number_exists(logic["number"]):
        return _logic_part(clean, logic)
    general = _general_pattern().fullmatch(clean)
    if not general or len(general["base"]) < 2:
        return None
    prefix, suffix = general["prefix"], general["suffix"]
    return PartNumber(
        text=clean,
        prefix=prefix,
        makers=tuple(m.name for m in makers.of_prefix(prefix)),
        base=general["base"],
        family=None,
        suffix=suffix,
        package=_package(prefix, suffix),
        speed=general["grade"] or _trailing_speed(suffix),
        temperature=None,
    )


def _logic_part(clean: str, found: re.Match[str]) -> PartNumber:
    return PartNumber(
        text=clean,
        prefix=found["prefix"],
        makers=tuple(m.name for m in makers.of_prefix(found["prefix"])),
        base=found["base"],
        family=found["family"],
        suffix=found["suffix"],
        package=_package(found["prefix"], found["suffix"]),
        speed=found["grade"],
        temperature=table("parts.toml")["temperature"][found["range"]],
    )


def logic_number_exists(number: str) -> bool:
    """Return whether a 54/74 function of this number was made."""
    logic = table("parts.toml")["logic"]
    if number in logic["numbers"]:
        return True
    return not number.startswith("0") and any(low <= int(number) <= high for low, high in logic["number_ranges"])


def _package(prefix: str, suffix: str) -> str | None:
    """Return what the longest known package letters at the end of `suffix` say, or the leading letter's word."""
    tables: dict[str, Any] = table("parts.toml")["package_letters"]
    letters = re.sub(r"\d+$", "", suffix)
    for own in (tables.get(prefix, {}), tables["*"]):
        for length in range(len(letters), 0, -1):
            word = own.get(letters[-length:])
            if word:
                return str(word)
    leading = table("parts.toml")["leading_package"]
    return str(leading[prefix]) if len(prefix) == 1 and prefix in leading else None


def _trailing_speed(suffix: str) -> str | None:
    """Return digits at the end of the suffix ('FN8' -> '8'), where makers put a speed grade without a hyphen."""
    found = re.fullmatch(r"[A-Z]+(\d{1,3})", suffix)
    return found.group(1) if found else None


def folded(text: str) -> str:
    """Return letters and digits alone, with O and 0, I and 1 made one glyph each."""
    return re.sub(r"[^A-Z0-9?]", "", text.upper()).translate(SAME_GLYPH)


def compare_part(claimed: str, read: str) -> PartComparison:
    """Compare the part number claimed for a piece with the one read on it.

    O and 0 (and Q), I and 1 count as one glyph. A difference only in glyphs that readers confuse (5/S, 8/B, 2/Z ...)
    or in an unreadable place ('?') is 'unsure', never an accusation.
    """
    want, got = folded(claimed), folded(read)
    if not want or not got:
        return PartComparison("unsure", "There is no part number to compare.")
    if want == got:
        return PartComparison("same", f"The marking reads {read}, as claimed.")
    if re.fullmatch(re.sub(r"\\\?", ".", re.escape(got)), want) or want.translate(LOOK_ALIKE) == got.translate(
        LOOK_ALIKE
    ):
        return PartComparison("unsure", f"{read} differs from {claimed} only in characters that are easily misread.")
    ours, theirs = parse(claimed), parse(read)
    if ours is None or theirs is None:
        return PartComparison("other-part", f"The marking reads {read}, not {claimed}.")
    return _compare_parsed(ours, theirs)


def _compare_parsed(want: PartNumber, got: PartNumber) -> PartComparison:
    if folded(want.base) != folded(got.base):
        return PartComparison("other-part", f"The marking reads {got.text}: type {got.base}, not {want.base}.")
    if want.prefix and got.prefix and folded(want.prefix) != folded(got.prefix):
        return PartComparison(
            "other-maker", f"The marking reads {got.text}: the prefix {got.prefix} is not the claimed {want.prefix}."
        )
    slower = _slower(want, got)
    if slower:
        return slower
    want_grade, got_grade = want.speed, got.speed
    if want_grade and got_grade and folded(want_grade) != folded(got_grade):
        return PartComparison("other-grade", f"The marking reads grade {got_grade}, the claim says {want_grade}.")
    if want_grade and not got_grade:
        return PartComparison("unsure", f"The claim names grade {want_grade}; the marking that was read shows none.")
    if folded(want.suffix) == folded(got.suffix) or not want.suffix:
        return PartComparison("same", f"The marking reads {got.text}, which agrees with {want.text}.")
    return _compare_suffix(want, got)


def _slower(want: PartNumber, got: PartNumber) -> PartComparison | None:
    """Return 'other-grade' where a letter or digit of the number names a lower clock than the claim's."""
    ours, theirs = families.for_part(want.text), families.for_part(got.text)
    if ours is None or theirs is None or ours.clock_hz is None or theirs.clock_hz is None or want.speed:
        return None
    if theirs.clock_hz.value >= ours.clock_hz.value:
        return None
    mhz = (theirs.clock_hz.value / 1e6, ours.clock_hz.value / 1e6)
    return PartComparison(
        "other-grade", f"The marking reads {got.text} for {mhz[0]:g} MHz, the claim is {mhz[1]:g} MHz."
    )


def _compare_suffix(want: PartNumber, got: PartNumber) -> PartComparison:
    if not got.suffix:
        return PartComparison("unsure", f"The claim ends in {want.suffix}; the marking that was read shows no suffix.")
    if want.package and got.package and want.package != got.package:
        return PartComparison("other-package", f"{got.text} is {got.package}, the claim {want.text} is {want.package}.")
    return PartComparison("unsure", f"{got.text} and {want.text} differ in the suffix ({got.suffix}, {want.suffix}).")


def find_part(lines: Sequence[str]) -> str | None:
    """Return the line, or the words of a line, that is the part number; None when nothing looks like one.

    Parameters
    ----------
    lines : sequence of str
        The marking from top to bottom.
    """
    best: tuple[float, str] | None = None
    for position, line in enumerate(lines):
        for words in _spans(line):
            # The part number usually stands above the date and lot codes; a hint, no more.
            score = part_score(words.replace("?", "")) - 0.15 * position
            if score > LEAST_PART_SCORE and (best is None or score > best[0]):
                best = (score, words)
    return best[1] if best else None


def _spans(line: str) -> list[str]:
    """Return the words of a line, and pairs that belong together: 'AT28C16 20PC', 'MCS 6522'."""
    words = [stripped for word in line.split() if (stripped := word.strip(",;:()"))]
    return words + [f"{a} {b}" for a, b in pairwise(words) if _belong_together(a, b)]


def _belong_together(first: str, second: str) -> bool:
    if re.fullmatch(r"-\w{1,6}|\d{2,3}[A-Z]{2}", second):
        return part_score(first) > 0
    if len(first) < 2 or not makers.of_prefix(first) or not re.fullmatch(r"\d{3,5}[A-Z]{0,2}\d?", second):
        return False
    return bool(families.for_part(second)) or not re.fullmatch(
        r"(6[5-9]|[7-9]\d|[0-2]\d)(0[1-9]|[1-4]\d|5[0-3])[A-Z]*", second
    )


def part_score(text: str) -> float:
    """Return log10 odds that `text` is a part number. Bounds and steps: common practice, no source."""
    part = parse(text)
    if part is None:
        return -1.0
    score = _prefix_score(part)
    if part.family is not None:
        score += _logic_score(part)
    elif families.for_part(text):
        score += 1.2
    elif part.base.startswith("0"):
        score -= 0.5
    score += 0.4 if part.package else 0.0
    score += _grade_score(part.speed)
    if part.family is None and _logic_pattern().fullmatch(part.text):
        score -= 1.0  # written like a 54/74 part, yet no function has that number
    # Makers leave O and I out of suffixes because they look like digits; common practice, no source.
    score -= 0.6 * len(re.findall(r"[OI]", part.suffix + (part.speed or "")))
    return score - 0.3 * max(0, kind_changes(part.suffix) - 2)


def _logic_score(part: PartNumber) -> float:
    """A bare '7404' may as well be a date or a lot; family letters, a prefix or package letters settle it."""
    if part.family:
        # The H and L families ended early; revisions beyond A are few.
        revision = re.match(r"[B-Z][A-Z]", part.suffix) and part.suffix not in _packages_of(part.prefix)
        return 1.6 if part.family in ("H", "L") or revision else 2.2
    if part.prefix:
        return 1.6
    return 0.8 if part.package or not part.suffix else -0.5


def _grade_score(grade: str | None) -> float:
    if not grade:
        return 0.0
    return 0.1 if grade.isdigit() else -0.2 * max(0, kind_changes(grade) - 1)


def _packages_of(prefix: str) -> frozenset[str]:
    tables = table("parts.toml")["package_letters"]
    return frozenset(tables["*"]) | frozenset(tables.get(prefix, ()))


def _prefix_score(part: PartNumber) -> float:
    """One letter proves little: lot and date codes begin with one as well."""
    if not part.prefix:
        custom = re.fullmatch(
            r"\d{3}-\d{4}|\d{6}-\d\d", part.text
        )  # house numbers of machine makers; common practice, no source
        return (0.3 if custom else -1.0) if part.family is None else 0.0
    if len(part.prefix) == 1:
        return 0.1 if part.makers else -0.3
    return 1.0 if part.makers else 0.0


def kind_changes(token: str) -> int:
    """Return how often letters give way to digits or digits to letters."""
    kinds = ["d" if c.isdigit() else "a" for c in token if c.isalnum()]
    return sum(a != b for a, b in pairwise(kinds))
