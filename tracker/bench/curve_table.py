"""Voltage-current tables of a part's pins, from CSV with whatever units their headers or cells have."""

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from tracker.bench.readings import columns
from tracker.bench.tables import Source, cells_of, has_decimal_commas
from tracker.errors import BadRequest

MOST_ROWS = 100_000
TYPED = "The typed table"
MOST_POINTS = 500  # of a pin's curve; every point is held against every stretch of the other curve
LEAST_POINTS = 4  # a shorter sweep has no shape to compare; common practice, no source
_PREFIXES = {"": 1.0, "p": 1e-12, "n": 1e-9, "u": 1e-6, "µ": 1e-6, "μ": 1e-6, "m": 1e-3, "k": 1e3}
_UNIT = re.compile(r"([pnuµμmk]?)([av])", re.IGNORECASE)
_HEADER = re.compile(r"(?P<name>[a-zµμ]+)[\s_/]*[\[(]?\s*(?P<unit>[pnuµμmk]?[av])?\s*[\])]?")
_CELL = re.compile(r"([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,2})?)\s*([A-Za-zµμ]*)")
_NAMES = {
    "pin": ("pin", "lead", "terminal", "leg"),
    "v": ("voltage", "volts", "volt", "v", "u"),
    "a": ("current", "amps", "amperes", "i"),
}
_WORDS = {"v": "voltage", "a": "current"}
_LARGEST = {"v": 1000.0, "a": 100.0}  # beyond, nobody sweeps a chip's pin; a slip of the unit. Common practice


@dataclass(frozen=True, slots=True)
class Point:
    """One reading at one pin: volts and amperes, both signed."""

    pin: str
    voltage_v: float
    current_a: float


@dataclass(frozen=True, slots=True)
class Curve:
    """The curve of one pin.

    Parameters
    ----------
    pin : str
    voltage_v, current_a : ndarray of float, shape (n,)
        Volts, ascending and each once; amperes, the mean where a voltage was read several times.
    """

    pin: str
    voltage_v: np.ndarray
    current_a: np.ndarray


def table(path: Path) -> tuple[tuple[Point, ...], Source]:
    """Read pin, voltage and current; the unit stands in a header ('current [uA]', 'voltage_mv') or in every cell.

    Raises
    ------
    BadRequest
        The file or one of its rows cannot be used; the sentence names the row.
    """
    there, source = columns(path)
    return _points(there, source), source


def typed(text: str) -> tuple[Point, ...]:
    """Read pin, voltage and current from a table that was typed or pasted: the columns of a file, in the same words.

    Raises
    ------
    BadRequest
        As in `table`.
    """
    data = text.encode(errors="replace")
    return _points(cells_of(data, TYPED), Source(TYPED, data))


def _points(there: Sequence[tuple[str, tuple[str, ...]]], source: Source) -> tuple[Point, ...]:
    if has_decimal_commas(source.data):
        there = tuple((head, tuple(cell.replace(",", ".") for cell in cells)) for head, cells in there)
    found = {kind: _find(there, kind, source.name) for kind in _NAMES}
    count = len(found["pin"][1])
    if count > MOST_ROWS:
        raise BadRequest(f"{source.name} has {count} rows, more than the {MOST_ROWS} that curves of a part have.")
    points = []
    for row in range(count):
        where = f"{source.name}, data row {row + 1}"
        pin = pin_name(found["pin"][1][row], where)
        voltage, current = (_number(found[kind][1][row], kind, found[kind][0], where) for kind in ("v", "a"))
        points.append(Point(pin, voltage, current))
    return tuple(points)


def curves(points: Sequence[Point]) -> dict[str, Curve]:
    """Return the curves by pin, in the order of the pins' numbers.

    Raises
    ------
    BadRequest
        A pin has too few different voltages for a curve.
    """
    by_pin: dict[str, dict[float, list[float]]] = {}
    for point in points:
        by_pin.setdefault(point.pin, {}).setdefault(point.voltage_v, []).append(point.current_a)
    found = {}
    for pin in sorted(by_pin, key=pin_order):
        sweep = by_pin[pin]
        if len(sweep) < LEAST_POINTS:
            raise BadRequest(
                f"Pin {pin} has readings at too few voltages, {len(sweep)}; a curve needs {LEAST_POINTS}.",
                "Sweep it in finer steps, or leave the pin out.",
            )
        voltages = sorted(sweep)
        means = [math.fsum(sweep[voltage]) / len(sweep[voltage]) for voltage in voltages]
        found[pin] = Curve(pin, _thinned(voltages), _thinned(means))
    return found


def _thinned(values: Sequence[float]) -> np.ndarray:
    """Return the values, neighbours averaged where there are more than a curve needs."""
    if len(values) <= MOST_POINTS:
        return np.array(values)
    return np.array([float(np.mean(group)) for group in np.array_split(np.array(values), MOST_POINTS)])


def pin_order(pin: str) -> tuple[bool, int, str]:
    """Return a key that sorts pins by number, then those with names."""
    return (not pin.isdigit(), int(pin) if pin.isdigit() else 0, pin)


def pin_name(text: str, where: str = "The pin") -> str:
    """Return a pin as it is called everywhere: '7' for ' 07 ' or 'pin 7', 'GND' for 'gnd'.

    Raises
    ------
    BadRequest
        Nothing is there, or more than a pin's name.
    """
    name = re.sub(r"^(pin|lead)\s*", "", text.strip(), flags=re.IGNORECASE).upper()
    if re.fullmatch(r"\d+\.0+", name):  # a spreadsheet's number
        name = name.partition(".")[0]
    if not re.fullmatch(r"[A-Z0-9+/_-]{1,12}", name):
        raise BadRequest(f"{where}: {text.strip()!r} is not a pin.", "Write its number or its name: 7, GND, A9.")
    return (name.lstrip("0") or "0") if name.isdigit() else name


def _find(there: Sequence[tuple[str, tuple[str, ...]]], kind: str, name: str) -> tuple[float | None, tuple[str, ...]]:
    """Return the factor of a column's unit to SI (None where its cells say it), and its cells."""
    hits: list[tuple[float | None, tuple[str, ...]]] = []
    for header, cells in there:
        if kind != "pin" and _is_unit(header, kind, cells):
            hits.append((_PREFIXES[header[:-1]], cells))
            continue
        found = _HEADER.fullmatch(header)
        if not found or found["name"] not in _NAMES[kind]:
            continue
        unit = found["unit"]
        if unit is not None and (kind == "pin" or unit[-1] != kind):
            raise BadRequest(f"{name} has the column {header!r}: {unit} is no unit of its {_WORDS.get(kind, kind)}.")
        hits.append((None if unit is None else _PREFIXES[unit[:-1]], cells))
    if len(hits) != 1:
        columns_there = ", ".join(repr(header) for header, _ in there) or "none"
        what = "no column" if not hits else f"{len(hits)} columns"
        raise BadRequest(
            f"{name} has {what} for the {_WORDS.get(kind, kind)}; its columns are: {columns_there}.",
            "Name them in the first line: pin, voltage [V], current [uA].",
        )
    return hits[0]


def _is_unit(header: str, kind: str, cells: Sequence[str]) -> bool:
    """Return whether a header is nothing but a unit ('mV'), above plain numbers; above '0.6 V' a 'V' is a name."""
    found = _UNIT.fullmatch(header)
    return bool(found) and header[-1] == kind and not any(re.search(r"[AV]\s*$", cell, re.IGNORECASE) for cell in cells)


def _number(text: str, kind: str, factor: float | None, where: str) -> float:
    """Return one cell in volts or amperes."""
    found = _CELL.fullmatch(text.strip().replace("−", "-"))
    if not found:
        comma = "," in text
        raise BadRequest(
            f"{where}: {text.strip()!r} is not a {_WORDS[kind]}.",
            "Write a decimal point, or part the columns with semicolons."
            if comma
            else "Write a number, with its unit or one in the header.",
        )
    unit = found[2]
    if unit:
        if factor is not None:
            raise BadRequest(
                f"{where}: {text.strip()!r} has a unit, and so has its column.", "Write the unit in one of the places."
            )
        factor = _factor(unit, kind, where, text)
    elif factor is None:
        raise BadRequest(
            f"{where}: {text.strip()!r} has no unit, and its column has none.",
            f"Write it in the header: {_WORDS[kind]} [{'V' if kind == 'v' else 'uA'}].",
        )
    value = float(found[1]) * factor
    if not abs(value) <= _LARGEST[kind]:
        raise BadRequest(f"{where}: {text.strip()!r} is more than a pin is swept with.", "Check the unit.")
    return value


def _factor(unit: str, kind: str, where: str, text: str) -> float:
    found = _UNIT.fullmatch(unit)
    # 'M' is a million, and nobody means that at a pin; 'mV' and 'mA' are written with a small letter.
    if not found or found[2].lower() != kind or found[1] not in _PREFIXES:
        raise BadRequest(f"{where}: {text.strip()!r} has the unit {unit!r}, where a {_WORDS[kind]} is needed.")
    return _PREFIXES[found[1]]
