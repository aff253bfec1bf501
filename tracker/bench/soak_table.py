"""Tables of a heat soak: time, temperature and ambient in the units people use, or what a sensor gave instead.

The header may carry the unit ('time_min', 'Temperature (F)', 'emf_mv'), or each cell may ('10 min', '41.5 C'). Plain
numbers are read in one go; anything else is read cell by cell, which also finds what was wrong.
"""

import io
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from tracker.bench import tables, thermometry
from tracker.bench.soak_columns import ROLES, Columns, Role, columns_of
from tracker.bench.soak_model import Array
from tracker.bench.tables import Source
from tracker.bench.thermometry import Thermistor
from tracker.bench.units import cited, refuse_overload, written
from tracker.errors import BadRequest

_NONE = 1e37  # from here on a number stands for a reading there was none of, which is told cell by cell
_GAP = 5.0  # usual steps; common practice, no source
_NUMBER = re.compile(r"\s*([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,2})?)\s*([^\d\s].*?)?\s*")


_SI_OF = {"voltage": 1e3}
"""What a quantity of `units` is multiplied with to get what a role has: emfs are in millivolts."""


@dataclass(frozen=True, slots=True, eq=False)
class SoakTable:
    """Times in seconds, temperatures and (or None) ambients in degrees Celsius: arrays of shape (n,).

    `notes` name gaps, repeated times and repeated rows.
    """

    time_s: Array
    temp_c: Array
    ambient_c: Array | None
    source: Source
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Sensors:
    """What turns a sensor's readings into temperatures; the table's own columns come first."""

    thermistor: Thermistor | None = None
    cold_junction_c: float | None = None


def soak_table(path: Path, sensors: Sensors | None = None, mapped: Sequence[str] = ()) -> SoakTable:
    """Read a table of time, temperature and, if measured, ambient.

    Parameters
    ----------
    path : Path
    sensors : Sensors, optional
    mapped : sequence of str
        'QUANTITY=COLUMN' pairs for columns that are called otherwise.

    Raises
    ------
    BadRequest
        The file or one of its rows cannot be used; the sentence names the row.
    """
    whole = tables.file_bytes(path)
    data, said = tables.answered(whole, path.name)
    names = _names(data, path.name)
    columns = columns_of(names, path.name, mapped)
    values = None
    if all(unit is not None for _, unit in columns.values()):
        values = _only_numbers(data, columns) or _plain(data, columns)
    if values is None:
        values, blank = _by_cell(data, columns, path.name)
        said = (*said, *blank)
    _check(values, columns, names, path.name)
    temp = _temperatures(values, sensors or Sensors(), path.name)
    table = SoakTable(values["time"], temp, values.get("ambient"), Source(path.name, whole), ())
    ordered = in_order(table, "data row")
    return replace(ordered, notes=(*said, *ordered.notes))


def _names(data: bytes, name: str) -> list[str]:
    """Return the column names as they stand in the first line."""
    head = data[:100_000].split(b"\n", 1)[0] if data.strip() else b""
    if not head.strip() or b"\0" in data:
        return [column for column, _ in tables.cells_of(data, name)]  # says what is wrong, or skips empty lines
    try:
        text = head.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise BadRequest(f"{name} is not a CSV file in UTF-8.") from None
    return [cell.strip().strip('"').strip().lower() for cell in text.split(_separator(text))]


def _head(data: bytes) -> str:
    """Return the first line of a file that `_names` has accepted."""
    return data[:100_000].split(b"\n", 1)[0].decode("utf-8-sig")


def _separator(head: str) -> str:
    return ";" if ";" in head and "," not in head else ","


def _only_numbers(data: bytes, columns: Columns) -> dict[str, Array] | None:
    """Return the columns of a table that holds plain numbers and nothing else; None for any other.

    NumPy reads them half as fast as pandas, whose import takes longer than that a table of a day costs.
    """
    head = _head(data)
    separator = _separator(head)
    cells = data.partition(b"\n")[2].replace(b"\r\n", b"\n").rstrip(b"\n") + b"\n"
    if cells.translate(None, b"0123456789+-.eE\n" + separator.encode()):
        return None
    width = head.count(separator) + 1
    # The numbers lie in one row below: every line must have as many cells as the first.
    if not _evenly(cells, separator.encode(), width):
        return None
    try:
        found = np.fromstring(cells.decode("ascii").replace(separator, " "), sep=" ")
    except ValueError:
        return None
    if len(found) != cells.count(b"\n") * width or not (np.abs(found) < _NONE).all():  # an empty cell; 1e999
        return None
    table = found.reshape(-1, width)
    return {role: _scaled(table[:, at].copy(), role, unit or "") for role, (at, unit) in columns.items()}


def _evenly(cells: bytes, separator: bytes, width: int) -> bool:
    """Return whether every line ends in a line feed and has `width` cells."""
    letters = np.frombuffer(cells, np.uint8)
    ends, between = np.flatnonzero(letters == ord("\n")), np.flatnonzero(letters == ord(separator))
    if len(between) != len(ends) * (width - 1):
        return False
    own = between.reshape(len(ends), width - 1)
    return bool((own[:, -1] < ends).all() and (own[1:, 0] > ends[:-1]).all())


def _plain(data: bytes, columns: Columns) -> dict[str, Array] | None:
    """Return the columns wanted where they are plain numbers, whatever the others hold; None where a cell is not."""
    import pandas as pd

    head = _head(data)
    wanted = sorted(position for position, _ in columns.values())
    try:
        frame = pd.read_csv(
            io.BytesIO(data), sep=_separator(head), usecols=wanted, dtype=np.float64, index_col=False, encoding="utf-8"
        )
    except (ValueError, TypeError):  # pandas' parser errors are ValueErrors
        return None
    # With columns chosen, pandas drops what a row has too many of without a word.
    if data.count(_separator(head).encode()) != head.count(_separator(head)) * (len(frame) + 1):
        return None
    values = {}
    for role, (position, unit) in columns.items():
        found = frame.iloc[:, wanted.index(position)].to_numpy()
        if not len(found) or not (np.abs(found) < _NONE).all():
            return None
        values[role] = _scaled(found, role, unit or "")
    return values


def _scaled(values: Array, role: str, unit: str) -> Array:
    factor, shift = ROLES[role].units[unit]
    return values * factor + shift if (factor, shift) != (1.0, 0.0) else values


def _by_cell(data: bytes, columns: Columns, name: str) -> tuple[dict[str, Array], tuple[str, ...]]:
    """Return the columns cell by cell, and a note on rows with nothing in them; errors name the row."""
    cells = tables.cells_of(data, name)
    # Where semicolons part the cells, a comma can only be a decimal one.
    decimal_commas = _separator(_head(data)) == ";"
    wanted = [cells[position][1] for position, _ in columns.values()]
    rows = [row for row, texts in enumerate(zip(*wanted, strict=True)) if any(text.strip() for text in texts)]
    values = {}
    for role, (position, unit) in columns.items():
        column, texts = cells[position]
        found = np.empty(len(rows))
        for i, row in enumerate(rows):
            text = texts[row]
            try:
                found[i] = _cell(text.replace(",", ".") if decimal_commas else text, ROLES[role], unit)
            except BadRequest as error:
                raise BadRequest(f"{name}, data row {row + 1}, {column}: {error.what}", error.advice) from None
        values[role] = found
    empty = sorted(set(range(len(wanted[0]))) - set(rows))
    if not empty:
        return values, ()
    listed = tables.listed([row + 1 for row in empty])
    return values, (f"Rows with nothing in the columns that matter were left out of {name}: {listed}.",)


def _cell(text: str, role: Role, unit: str | None) -> float:
    if not text.strip():
        raise BadRequest("the cell is empty.", "Fill it in, or leave the whole row out.")
    refuse_overload(text)
    found = _NUMBER.fullmatch(text)
    if unit is not None and found is None:
        raise BadRequest(f"{cited(text.strip())} is not a number.", "Leave the row out where there was no reading.")
    if unit is not None and found is not None and found[2]:
        raise BadRequest(f"{cited(text.strip())} is not a plain number.", "The column's name says the unit already.")
    used = unit if unit is not None else (found[2] if found else None)
    known = None if used is None else role.units.get(used if used.startswith("M") else used.lower())
    if found is None or known is None:
        return written(text, role.kind).value * _SI_OF.get(role.kind, 1.0)
    return float(found[1]) * known[0] + known[1]


def _check(values: dict[str, Array], columns: Columns, names: list[str], name: str) -> None:
    for role, found in values.items():
        known = ROLES[role]
        outside = (found < known.lowest - 1e-9) | (found > known.highest)
        if outside.any():
            row = int(outside.argmax())
            how = "too low" if found[row] < known.lowest else "too high"
            raise BadRequest(f"{name}, data row {row + 1}, {names[columns[role][0]]}: {found[row]:.6g} is {how}.")


def _temperatures(values: dict[str, Array], sensors: Sensors, name: str) -> Array:
    if "temp" in values:
        return values["temp"]
    if "resistance" in values:
        if sensors.thermistor is None:
            raise BadRequest(
                f"{name} has resistances, and nothing says which temperature they stand for.",
                "State the thermistor: --thermistor 'B=3950 K, 10 kohm at 25 C'.",
            )
        return sensors.thermistor.temp_c(values["resistance"])
    junction: Any = values.get("junction", values.get("ambient"))
    if junction is None:
        junction = sensors.cold_junction_c
    if junction is None:
        raise BadRequest(
            f"{name} has emfs of a thermocouple, and nothing says how warm its cold junction was.",
            "Add a column cold_junction_c, or state --cold-junction '22 C'.",
        )
    return thermometry.type_k_temp_c(values["emf"], junction)


def in_order(table: SoakTable, counted: str) -> SoakTable:
    """Return the table without rows that were written twice, with a word on what is odd about its times.

    Parameters
    ----------
    table : SoakTable
    counted : str
        What a row is called, before its number: 'data row'.

    Raises
    ------
    BadRequest
        The time runs backwards.
    """
    t = table.time_s
    steps = np.diff(t)
    if (steps < 0).any():
        row = int((steps < 0).argmax()) + 2
        raise BadRequest(
            f"{table.source.name}, {counted} {row}: the time runs backwards, from {t[row - 2]:g} s to "
            f"{t[row - 1]:g} s.".removeprefix(", "),
            "Part readings that hold two runs, and count time from the moment the heat came on.",
        )
    same = np.flatnonzero(steps == 0) + 1
    twice = same[_equal(table, same)]
    notes = (*_repeated(same, twice, counted), *_gaps(steps, counted))
    keep = np.ones(len(t), bool)
    keep[twice] = False
    if keep.all():
        return replace(table, notes=notes)
    ambient = None if table.ambient_c is None else table.ambient_c[keep]
    return SoakTable(t[keep], table.temp_c[keep], ambient, table.source, notes)


def _repeated(same: Any, twice: Any, counted: str) -> list[str]:
    told = []
    if len(twice):
        told.append(f"{_rows(len(twice), counted)} there twice (first: {counted} {twice[0] + 1}); each counts once.")
    again = np.setdiff1d(same, twice)
    if len(again):
        told.append(
            f"{_rows(len(again), counted)} at the time of the one before, with another temperature (first: {counted} "
            f"{again[0] + 1}); all count."
        )
    return told


def _gaps(steps: Array, counted: str) -> list[str]:
    forward = steps[steps > 0]
    if len(forward) < 3:
        return []
    usual = float(np.median(forward))
    gaps = np.flatnonzero(steps > _GAP * usual)
    if not len(gaps):
        return []
    longest = int(steps.argmax())
    return [
        f"{'1 gap' if len(gaps) == 1 else f'{len(gaps)} gaps'} in the readings, the longest of {steps[longest]:g} s "
        f"after {counted} {longest + 1}, where {usual:g} s is usual; the ambient is taken as straight in between."
    ]


def _rows(number: int, counted: str) -> str:
    return f"1 {counted} is" if number == 1 else f"{number} {counted}s are"


def _equal(table: SoakTable, at: Array | Any) -> Any:
    same = table.temp_c[at] == table.temp_c[at - 1]
    return same if table.ambient_c is None else same & (table.ambient_c[at] == table.ambient_c[at - 1])
