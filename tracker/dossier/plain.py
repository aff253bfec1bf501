"""Text that came from outside, made harmless and readable before it is set.

The templates escape what HTML and Typst would take for markup. What is left are characters that nobody sees and that
change how others are read, characters no font at hand can draw, and words too long for a line.
"""

import re
import unicodedata
from collections.abc import Callable
from dataclasses import fields, is_dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any, TypeVar

T = TypeVar("T")

JOINERS = frozenset("\u200c\u200d")
"""Invisible, and part of how Persian and Indic words are spelt (Unicode Standard, chapter 23)."""
UNSEEN = frozenset({"Cc", "Cf", "Cs", "Co", "Zl", "Zp"})
"""General categories of characters without a look of their own; among them are those that turn the direction of text
(Unicode Standard Annex 9), with which a name can be made to read backwards."""
BROKEN_AFTER = 24
"""Letters without a gap after which a line may break (common practice, no source)."""
BREAK = "\u200b"
KEPT_WHOLE = re.compile(r"[0-9a-f]{64}[.,]?")
"""A SHA-256 must copy out of the page as it is; the templates give it the room."""
SKIPPED = "file"
"""Fields of this name hold a picture's file name, not text."""


def mapped(value: T, change: Callable[[str], str]) -> T:
    """Return a tree of frozen dataclasses and tuples with every text in it changed, but for names of picture files."""
    return _mapped(value, change)  # type: ignore[no-any-return]


def _mapped(value: Any, change: Callable[[str], str]) -> Any:
    if isinstance(value, str):
        return change(value)
    if isinstance(value, tuple):
        return tuple(_mapped(one, change) for one in value)
    if is_dataclass(value) and not isinstance(value, type):
        old = {one.name: getattr(value, one.name) for one in fields(value) if one.name != SKIPPED}
        return replace(value, **{name: _mapped(part, change) for name, part in old.items()})
    return value


def visible(text: str) -> str:
    """Return text with everything invisible spelt out, as in '⟨U+202E⟩'; white space of any kind becomes a space."""
    if text.isascii() and text.isprintable():
        return text
    return "".join(map(_visible, text))


def _visible(one: str) -> str:
    if one.isspace():
        return " "
    unseen = unicodedata.category(one) in UNSEEN and one not in JOINERS
    return spelt_out(one) if unseen or ord(one) & 0xFFFE == 0xFFFE else one


def spelt_out(one: str) -> str:
    """Return the Unicode number of a character, as in '⟨U+202E⟩'."""
    return f"⟨U+{ord(one):04X}⟩"


def drawable(text: str) -> str:
    """Return text with every character that the fonts of a PDF cannot draw spelt out: PDF/A allows no empty boxes."""
    if text.isascii():
        return text
    return "".join(one if ord(one) in _covered() or one in JOINERS else spelt_out(one) for one in text)


def breakable(text: str) -> str:
    """Return text whose long words may be broken anywhere, by spaces of no width."""
    return " ".join(_breakable(word) for word in text.split(" "))


def _breakable(word: str) -> str:
    if len(word) <= BROKEN_AFTER or KEPT_WHOLE.fullmatch(word):
        return word
    return BREAK.join(word[at : at + 6] for at in range(0, len(word), 6))


def font_files() -> tuple[Path, ...]:
    """Return DejaVu Sans, which Matplotlib carries, for what Typst's own text font does not have."""
    import matplotlib

    folder = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    return folder / "DejaVuSans.ttf", folder / "DejaVuSans-Bold.ttf"


@cache
def _covered() -> frozenset[int]:
    """Return the code points that both weights can draw."""
    from matplotlib.ft2font import FT2Font

    upright, bold = (frozenset(FT2Font(str(path)).get_charmap()) for path in font_files())
    return upright & bold
