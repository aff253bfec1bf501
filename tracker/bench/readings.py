"""Tables of readings from CSV files: every row is checked before anything is computed.

A column carries its unit in its name and plain numbers in its cells ('clock_hz', 'current_a'), or has the short name
and cells with units as people write them ('clock', 'current').
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

from tracker.bench.clock import Step
from tracker.bench.current import Reading
from tracker.bench.tables import Source, cells_of, file_bytes
from tracker.bench.units import written
from tracker.errors import BadRequest

Cell = TypeVar("Cell")
_PASSED = {"1": True, "true": True, "yes": True, "pass": True, "passed": True, "p": True, "ok": True}
_FAILED = {"0": False, "false": False, "no": False, "fail": False, "failed": False, "f": False}


@dataclass(frozen=True, slots=True)
class _Column:
    """How one quantity may stand in a table."""

    full: str
    short: str
    kind: str
    lowest: float
    highest: float
    above_lowest: bool = False


# The ends are far outside any bench; they keep a slip of the keyboard from ending as an overflow.
_CLOCK = _Column("clock_hz", "clock", "clock", 0.0, 1e12)
_STEP_CLOCK = _Column("clock_hz", "clock", "clock", 0.0, 1e12, above_lowest=True)
_CURRENT = _Column("current_a", "current", "current", 0.0, 1e4)
_CURRENT_U = _Column("u_a", "u", "current", 0.0, 1e4, above_lowest=True)


def current_table(path: Path) -> tuple[tuple[Reading, ...], Source]:
    """Read `clock_hz,current_a[,u_a]`.

    Raises
    ------
    BadRequest
        The file or one of its rows cannot be used; the sentence names the row.
    """
    sheet = _Sheet.open(path)
    clocks, currents = sheet.numbers(_CLOCK), sheet.numbers(_CURRENT)
    stated = sheet.numbers(_CURRENT_U) if sheet.has(_CURRENT_U) else None
    readings = tuple(
        Reading(
            current_a=current,
            clock_hz=clock,
            u_a=stated[0][i] if stated else None,
            step_a=step,
        )
        for i, (clock, current, step) in enumerate(zip(clocks[0], currents[0], currents[1], strict=True))
    )
    return readings, sheet.source


def clock_table(path: Path) -> tuple[tuple[Step, ...], Source]:
    """Read `clock_hz,passed`; 'passed' is 1 or 0, true or false, yes or no, pass or fail.

    Raises
    ------
    BadRequest
        As in `current_table`.
    """
    sheet = _Sheet.open(path)
    clocks = sheet.numbers(_STEP_CLOCK)[0]
    passed = sheet.cells("passed", outcome)
    return tuple(Step(clock, ok) for clock, ok in zip(clocks, passed, strict=True)), sheet.source


def columns(path: Path) -> tuple[tuple[tuple[str, tuple[str, ...]], ...], Source]:
    """Return the columns of a CSV file as text, each with its lower-case name, for tables whose headers vary.

    Raises
    ------
    BadRequest
        The file cannot be read as a table.
    """
    sheet = _Sheet.open(path)
    return sheet.columns, sheet.source


def outcome(text: str) -> bool:
    """Return whether a word says pass (True) or fail (False).

    Raises
    ------
    BadRequest
        It says neither.
    """
    word = text.strip().lower()
    if word in _PASSED:
        return True
    if word in _FAILED:
        return False
    raise BadRequest(f"{text.strip()!r} is neither pass nor fail.", "Write pass or fail (or 1 or 0, yes or no).")


@dataclass(frozen=True, slots=True)
class _Sheet:
    """The cells of a CSV file as text, by column."""

    columns: tuple[tuple[str, tuple[str, ...]], ...]
    source: Source

    @classmethod
    def open(cls, path: Path) -> "_Sheet":
        """Read a CSV file of readings."""
        data = file_bytes(path)
        return cls(cells_of(data, path.name), Source(path.name, data))

    def has(self, column: _Column) -> bool:
        """Return whether the table has a column, under either name."""
        return bool({column.full, column.short} & {name for name, _ in self.columns})

    def numbers(self, column: _Column) -> tuple[list[float], list[float]]:
        """Return the values of a column, and what one step of each one's last written digit is worth."""
        name = column.full if column.full in dict(self.columns) else column.short
        if name not in dict(self.columns):
            self._missing(column.full)
        if name == column.full:
            # pint is not needed here: the name says the unit, and the cells are plain numbers.
            found = self.cells(name, lambda text: _plain(text, column))
        else:
            found = self.cells(name, lambda text: _with_unit(text, column))
        return [value for value, _ in found], [step for _, step in found]

    def cells(self, name: str, convert: Callable[[str], Cell]) -> list[Cell]:
        """Return a column converted cell by cell; an error names the row."""
        if name not in dict(self.columns):
            self._missing(name)
        converted = []
        for row, text in enumerate(dict(self.columns)[name], start=1):
            try:
                converted.append(convert(text))
            except BadRequest as error:
                raise BadRequest(f"{self.source.name}, data row {row}, {name}: {error.what}", error.advice) from None
        return converted

    def _missing(self, name: str) -> None:
        there = ", ".join(column for column, _ in self.columns) or "none"
        raise BadRequest(
            f"{self.source.name} has no column {name!r}; its columns are: {there}.",
            "Name the columns in the first line.",
        )


def _plain(text: str, column: _Column) -> tuple[float, float]:
    """Return a bare number and the step of its last digit."""
    if not text.strip():
        raise BadRequest("the cell is empty.")
    try:
        value = float(text)
    except ValueError:
        raise BadRequest(
            f"{text.strip()!r} is not a number.", "Plain numbers belong in a column with a unit."
        ) from None
    if not math.isfinite(value):
        raise BadRequest(f"{text.strip()!r} is not a finite number.")
    return _in_range(value, column, text), 0.0


def _with_unit(text: str, column: _Column) -> tuple[float, float]:
    found = written(text, column.kind)
    return _in_range(found.value, column, text), found.step


def _in_range(value: float, column: _Column, text: str) -> float:
    if value < column.lowest or (column.above_lowest and value == column.lowest):
        bound = "above" if column.above_lowest else "at least"
        raise BadRequest(f"{text.strip()!r} is too low; it must be {bound} {column.lowest:g}.")
    if value > column.highest:
        raise BadRequest(f"{text.strip()!r} is too high; it must be at most {column.highest:g}.")
    return value
