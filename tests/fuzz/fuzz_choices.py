"""Choices that make a case: the same recipe is fed by a coverage-guided fuzzer or drawn by hypothesis.

A recipe (`made` in each campaign's file) asks for numbers and bytes and puts a case together from valid examples and
ways to spoil them. So cases are mostly right, and wrong in one or two places: they get past the first check.
"""

from collections.abc import Callable, Sequence
from typing import Any, TypeVar

T = TypeVar("T")
ODD = (
    "\0", "\u202e", "\u200b", "\ufeff", "\u2028", "\x1b[31m", "\r\n", "\t", "\xa0", "\u0661", "\uff11", "\u00b2", "−",
    "\ud800", "\U0001f9ea", "é", "e\u0301", "İ", "ß", "=cmd", "'=1", "@", '"', "''", "<b>", "&amp;", "{{7*7}}", "%s",
    "../", "\\", "nan", "inf", "-0", "1e309", "1e-400", "9" * 40, "0x1", "1_0", "-1", ",", ";", "|", "μ", "℃", "Ω",
)  # fmt: skip
"""Pieces of text that have broken programs: invisible, reversing, unpaired, other scripts' figures, formulas."""


class Choices:
    """What a recipe may ask for; those who make one say how a number and bytes are chosen."""

    def whole(self, least: int, most: int) -> int:
        """Return a number from `least` to `most`."""
        raise NotImplementedError

    def raw(self, most: int) -> bytes:
        """Return some bytes, at most so many."""
        raise NotImplementedError

    def one(self, among: Sequence[T]) -> T:
        """Return one of several."""
        return among[self.whole(0, len(among) - 1)]

    def often(self, percent: int) -> bool:
        """Return True in so many of a hundred."""
        return self.whole(0, 99) < percent

    def odd(self) -> str:
        """Return a piece of hostile text."""
        return self.one(ODD)

    def text(self, most: int = 12) -> str:
        """Return any text at all."""
        return self.raw(most * 2).decode("utf-8", "replace")[:most]

    def spoiled(self, text: str) -> str:
        """Return a text with something put in, taken out, doubled or turned round."""
        at = self.whole(0, len(text))
        upto = min(len(text), at + self.whole(0, 4))
        way = self.whole(0, 6)
        if way <= 2:
            return text[:at] + (self.odd() if way else self.text()) + text[at:]
        if way == 3:
            return text[:at] + text[upto:]
        if way == 4:
            return text[:upto] + text[at:upto] * self.whole(1, 40) + text[upto:]
        if way == 5:
            return text[:at] + text[at:upto].swapcase() + text[upto:]
        return text[:at] + self.text(3) + text[upto:]

    def bent(self, data: bytes) -> bytes:
        """Return bytes with a few of them changed, taken out, doubled or cut off."""
        out = bytearray(data)
        for _ in range(self.whole(1, 4)):
            at = self.whole(0, max(0, len(out) - 1))
            way = self.whole(0, 5)
            if way <= 2 and out:
                out[at] = self.one((0, 255, 127, 128, out[at] ^ (1 << self.whole(0, 7)), self.whole(0, 255)))
            elif way == 3:
                out[at:at] = self.raw(8)
            elif way == 4:
                del out[at : at + self.whole(1, 16)]
            else:
                out[at:at] = out[at : at + self.whole(1, 32)]
        if self.often(10):
            del out[self.whole(0, len(out)) :]
        return bytes(out)


class Fed(Choices):
    """Choices out of the bytes that a coverage-guided fuzzer hands in."""

    def __init__(self, provider: Any) -> None:
        self._provider = provider

    def whole(self, least: int, most: int) -> int:
        """Return the next number; the least where no bytes are left."""
        return int(self._provider.ConsumeIntInRange(least, most))

    def raw(self, most: int) -> bytes:
        """Return the next bytes."""
        return bytes(self._provider.ConsumeBytes(self.whole(0, most)))


class Drawn(Choices):
    """Choices that hypothesis draws."""

    def __init__(self, draw: Callable[[Any], Any]) -> None:
        self._draw = draw

    def whole(self, least: int, most: int) -> int:
        """Draw a number."""
        from hypothesis import strategies as st

        return int(self._draw(st.integers(least, most)))

    def raw(self, most: int) -> bytes:
        """Draw bytes."""
        from hypothesis import strategies as st

        return bytes(self._draw(st.binary(max_size=most)))
