"""What became of looking for each declared indicator on one piece, in one byte each: there are very many pieces."""

from collections.abc import Iterator, Mapping
from functools import cache
from types import MappingProxyType

from tracker.judgement.counts import OUTCOMES
from tracker.judgement.weights import indicators

_MARK = {outcome: number for number, outcome in enumerate(OUTCOMES, start=1)}
"""0 stands for what was not looked for."""


def mark_of(outcome: str) -> int:
    """Return the byte that stands for one of `OUTCOMES`."""
    return _MARK[outcome]


@cache
def codes() -> tuple[str, ...]:
    """Return every declared indicator, in the order of the bytes."""
    return tuple(indicators())


@cache
def _place() -> Mapping[str, int]:
    return MappingProxyType({code: at for at, code in enumerate(codes())})


class Outcomes(Mapping[str, str]):
    """From an indicator's code to one of `OUTCOMES`; what was not looked for is left out.

    Parameters
    ----------
    marks : bytes
        For each of `codes()` 0, or 1 and more for the place in `OUTCOMES`.
    """

    __slots__ = ("marks",)

    def __init__(self, marks: bytes) -> None:
        self.marks = marks

    @classmethod
    def of(cls, said: Mapping[str, str]) -> "Outcomes":
        """Return what is said of declared indicators; others teach nothing."""
        return cls(bytes(len(codes()))).with_more(said)

    def with_more(self, said: Mapping[str, str]) -> "Outcomes":
        """Return these, with what is said of further indicators."""
        place, marks = _place(), bytearray(self.marks)
        for code, outcome in said.items():
            if code in place:
                marks[place[code]] = _MARK[outcome]
        return Outcomes(bytes(marks))

    def __getitem__(self, code: str) -> str:
        mark = self.marks[_place()[code]]
        if not mark:
            raise KeyError(code)
        return OUTCOMES[mark - 1]

    def __iter__(self) -> Iterator[str]:
        return (code for code, mark in zip(codes(), self.marks, strict=True) if mark)

    def __eq__(self, other: object) -> bool:
        return self.marks == other.marks if isinstance(other, Outcomes) else super().__eq__(other)

    __hash__ = None  # type: ignore[assignment]

    def __len__(self) -> int:
        return len(self.marks) - self.marks.count(0)

    def __repr__(self) -> str:
        return f"Outcomes({dict(self)})"
