"""Tables of readings from CSV files: every row is checked before anything is computed.

A column carries its unit in its name and plain numbers in its cells ('clock_hz', 'current (mA)'), or has the short name
and cells with units as people write them ('clock', 'current'); see `tracker.bench.headers`. Rows of a live table that
say why they have no value are left out and counted, and so are rows with nothing in the columns that matter.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TypeVar

from tracker.bench import headers
from tracker.bench.clock import Step
from tracker.bench.current import Reading
from tracker.bench.headers import Head, Scale
from tracker.bench.tables import (
    Source,
    cells_of,
    file_bytes,
    has_decimal_commas,
    listed,
    rows_of,
    unanswered,
    unanswered_note,
)
from tracker.bench.units import cited, refuse_overload, written
from tracker.errors import BadRequest

Cell = TypeVar("Cell")
_MOST_NAMED = 5  # rows in one sentence
_ONE_CLOCK = " One clock for all readings is stated with --clock."
_MOST_HEADS = 12  # columns in one sentence
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

    @property
    def advice(self) -> str:
        """What to do where it is not found."""
        unit = {"clock": "MHz", "current": "mA"}[self.kind]
        return (
            f"Name it '{self.short} ({unit})' in the first line, or say which it is: --column "
            f"'{self.short}=NAME ({unit})'.{_ONE_CLOCK if self.full == 'clock_hz' and not self.above_lowest else ''}"
        )

    def find(self, sheet: "_Sheet") -> Head | None:
        return headers.find(sheet.heads, self.short, self.kind, self.full.rpartition("_")[2], sheet.mapped)


@dataclass(frozen=True, slots=True)
class _Words:
    """A column of words."""

    full: str

    @property
    def advice(self) -> str:
        """What to do where it is not found."""
        return f"Name it '{self.full}' in the first line, or say which it is: --column {self.full}=NAME."

    def find(self, sheet: "_Sheet") -> Head | None:
        return headers.find(sheet.heads, self.full, None, "", sheet.mapped)


# The ends are far outside any bench; they keep a slip of the keyboard from ending as an overflow.
_CLOCK = _Column("clock_hz", "clock", "clock", 0.0, 1e12)
_STEP_CLOCK = _Column("clock_hz", "clock", "clock", 0.0, 1e12, above_lowest=True)
_CURRENT = _Column("current_a", "current", "current", 0.0, 1e4)
_CURRENT_U = _Column("u_a", "u", "current", 0.0, 1e4, above_lowest=True)
_CLOCK_U = _Column("clock_u_hz", "clock_u", "clock", 0.0, 1e12, above_lowest=True)
_OUTCOME = _Words("passed")


def current_table(
    path: Path, columns: Sequence[str] = (), clock_hz: float | None = None
) -> tuple[tuple[Reading, ...], Source]:
    """Read `clock_hz,current_a[,u_a][,clock_u_hz]`.

    Parameters
    ----------
    path : Path
    columns : sequence of str
        Which column is what, where the head does not say: 'clock=F', 'current=I1 (mA)'.
    clock_hz : float, optional
        The clock of every reading, where the table has no column for it.

    Raises
    ------
    BadRequest
        The file or one of its rows cannot be used; the sentence names the row.
    """
    sheet = _Sheet.open(path, headers.mapping(columns, ("clock", "current", "u", "clock_u")))
    has_clock = sheet.has(_CLOCK)
    if has_clock and clock_hz is not None:
        raise BadRequest(f"{sheet.source.name} has the clock of each reading, and --clock states one.", "Leave it out.")
    has_clock = has_clock or clock_hz is None  # neither: the sentence about the missing column follows
    sheet = sheet.filled([one for one in (_CLOCK, _CURRENT, _CURRENT_U, _CLOCK_U) if sheet.has(one)])
    currents = sheet.numbers(_CURRENT)
    clocks: Sequence[float | None] = sheet.numbers(_CLOCK)[0] if has_clock else [clock_hz] * len(currents[0])
    stated = sheet.numbers(_CURRENT_U)[0] if sheet.has(_CURRENT_U) else None
    clock_u = sheet.numbers(_CLOCK_U)[0] if sheet.has(_CLOCK_U) else None
    readings = tuple(
        Reading(
            current_a=current,
            clock_hz=clock,
            u_a=stated[i] if stated else None,
            step_a=step,
            clock_u_hz=clock_u[i] if clock_u else None,
        )
        for i, (clock, current, step) in enumerate(zip(clocks, currents[0], currents[1], strict=True))
    )
    return readings, sheet.noted()


def clock_table(path: Path, columns: Sequence[str] = ()) -> tuple[tuple[Step, ...], Source]:
    """Read `clock_hz,passed`; 'passed' is 1 or 0, true or false, yes or no, pass or fail.

    Parameters
    ----------
    path, columns
        As in `current_table`; the quantities are clock and passed.

    Raises
    ------
    BadRequest
        As in `current_table`.
    """
    sheet = _Sheet.open(path, headers.mapping(columns, ("clock", "passed")))
    sheet = sheet.filled([_STEP_CLOCK, _OUTCOME])
    clocks = sheet.numbers(_STEP_CLOCK)[0]
    passed = sheet.cells(sheet.head(_OUTCOME), outcome)
    return tuple(Step(clock, ok) for clock, ok in zip(clocks, passed, strict=True)), sheet.noted()


def places_of(heads: Sequence[str], quantities: Sequence[str], columns: Sequence[str] = ()) -> dict[str, int]:
    """Return which column each quantity of a table of readings would be read from, by its heads alone.

    Parameters
    ----------
    heads : sequence of str
        As they stand in the file.
    quantities : sequence of str
        Those that may be there: 'clock', 'current', 'u', 'clock_u', 'passed'.
    columns : sequence of str
        As in `current_table`.

    Raises
    ------
    BadRequest
        A column that was named is not there, or two could be one quantity.
    """
    mapped = headers.mapping(columns, quantities)
    words = {"clock": _CLOCK, "current": _CURRENT, "u": _CURRENT_U, "clock_u": _CLOCK_U}
    found = {}
    for quantity in quantities:
        kind = words.get(quantity)
        if kind is None:
            head = headers.find(heads, quantity, None, "", mapped)
        else:
            head = headers.find(heads, kind.short, kind.kind, kind.full.rpartition("_")[2], mapped)
        if head is not None:
            found[quantity] = head.place
    return found


def columns(path: Path) -> tuple[tuple[tuple[str, tuple[str, ...]], ...], Source]:
    """Return the columns of a CSV file as text, each with its lower-case name, for tables whose headers vary.

    Raises
    ------
    BadRequest
        The file cannot be read as a table.
    """
    data = file_bytes(path)
    return cells_of(data, path.name), Source(path.name, data)


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
    raise BadRequest(f"{cited(text)} is neither pass nor fail.", "Write pass or fail (or 1 or 0, yes or no).")


@dataclass(frozen=True, slots=True)
class _Sheet:
    """The cells of a CSV file as text, by row, each with its number."""

    heads: tuple[str, ...]
    rows: tuple[tuple[int, tuple[str, ...]], ...]
    mapped: Mapping[str, str]
    source: Source
    decimal_commas: bool = False

    @classmethod
    def open(cls, path: Path, mapped: Mapping[str, str] | None = None) -> "_Sheet":
        """Read a CSV file of readings."""
        data = file_bytes(path)
        heads, rows = rows_of(data, path.name)
        numbered, source = tuple(enumerate(rows, start=1)), Source(path.name, data)
        return cls(heads, numbered, mapped or {}, source, has_decimal_commas(data))._with_values()

    def has(self, column: "_Column | _Words") -> bool:
        """Return whether the table has a column, under any of its names."""
        return column.find(self) is not None

    def head(self, column: "_Column | _Words") -> Head:
        """Return where a column is."""
        found = column.find(self)
        if found is None:
            there = ", ".join(cited(head) for head in self.heads[:_MOST_HEADS]) or "none"
            more = f" and {len(self.heads) - _MOST_HEADS} more" if len(self.heads) > _MOST_HEADS else ""
            raise BadRequest(
                f"{self.source.name} has no column {column.full!r}; its columns are: {there}{more}.", column.advice
            )
        return found

    def numbers(self, column: _Column) -> tuple[list[float], list[float]]:
        """Return the values of a column, and what one step of each one's last written digit is worth."""
        head = self.head(column)
        scale = head.scale

        def convert(text: str) -> tuple[float, float]:
            pointed = text.replace(",", ".") if self.decimal_commas else text
            return _with_unit(pointed, column) if scale is None else _plain(pointed, column, scale)

        found = self.cells(head, convert)
        return [value for value, _ in found], [step for _, step in found]

    def cells(self, head: Head, convert: Callable[[str], Cell]) -> list[Cell]:
        """Return a column converted cell by cell; an error names the row, and every row without a cell."""
        empty = [row for row, cells in self.rows if not cells[head.place].strip()]
        name = head.name.lower()
        if len(empty) > 1:
            raise BadRequest(f"{self.source.name}, data rows {listed(empty)}, {name}: the cells are empty.", _FILL)
        converted = []
        for row, cells in self.rows:
            text = cells[head.place]
            try:
                if not text.strip():
                    raise BadRequest("the cell is empty.", _FILL)
                converted.append(convert(text))
            except BadRequest as error:
                raise BadRequest(f"{self.source.name}, data row {row}, {name}: {error.what}", error.advice) from None
        return converted

    def filled(self, columns: "Sequence[_Column | _Words]") -> "_Sheet":
        """Return the sheet without rows that are empty in all of these columns, which are named in its notes."""
        places = [self.head(column).place for column in columns]
        gaps = [row for row, cells in self.rows if not any(cells[place].strip() for place in places)]
        if not places or not gaps:
            return self
        if len(gaps) == len(self.rows):
            raise BadRequest(f"{self.source.name} has no readings in its {len(gaps)} rows.")
        text = f"Rows with nothing in the columns that matter were left out of {self.source.name}: {listed(gaps)}."
        return self._without(gaps, text)

    def noted(self) -> Source:
        """Return the source, with the rows that stand in the file twice in its notes."""
        first: dict[tuple[str, ...], int] = {}
        twice = [(first[cells], row) for row, cells in self.rows if first.setdefault(cells, row) != row]
        if not twice:
            return self.source
        pairs = ", ".join(f"{row} as {earlier}" for earlier, row in twice[:_MOST_NAMED])
        more = f" and {len(twice) - _MOST_NAMED} more" if len(twice) > _MOST_NAMED else ""
        text = f"Data rows of {self.source.name} that repeat an earlier one cell for cell: {pairs}{more}; all count."
        return replace(self.source, notes=(*self.source.notes, text))

    def _with_values(self) -> "_Sheet":
        """Return the sheet without the rows in which an instrument said why it gave no value."""
        without = unanswered(self.heads, [cells for _, cells in self.rows], self.source.name)
        return self._without(without, unanswered_note(without, number_of=len(self.rows))) if without else self

    def _without(self, rows: Sequence[int], note: str) -> "_Sheet":
        left = set(rows)
        kept = tuple(one for one in self.rows if one[0] not in left)
        return replace(self, rows=kept, source=replace(self.source, notes=(*self.source.notes, note)))


_FILL = "Fill it in, or take the row out."


def _plain(text: str, column: _Column, scale: Scale) -> tuple[float, float]:
    """Return a bare number in the column's unit, and the step of its last digit."""
    refuse_overload(text)
    try:
        value = float(text)
    except ValueError:
        comma = "," in text
        raise BadRequest(
            f"{cited(text)} is not a plain number.",
            "Write a decimal point, or part the columns with semicolons."
            if comma
            else "The column's name says the unit; its cells hold numbers only.",
        ) from None
    if not math.isfinite(value):
        raise BadRequest(f"{cited(text)} is not a finite number.", "Take the row out, or read again.")
    return _in_range(scale(value), column, text), 0.0


def _with_unit(text: str, column: _Column) -> tuple[float, float]:
    found = written(text, column.kind)
    return _in_range(found.value, column, text), found.step


def _in_range(value: float, column: _Column, text: str) -> float:
    if value < column.lowest or (column.above_lowest and value == column.lowest):
        bound = "above" if column.above_lowest else "at least"
        raise BadRequest(f"{cited(text)} is too low; it must be {bound} {column.lowest:g}.")
    if value > column.highest:
        raise BadRequest(f"{cited(text)} is too high; it must be at most {column.highest:g}.")
    return value
