"""A table before anything is made of it: its columns, its first rows, and which column would be taken for what."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from tracker.bench import readings, soak_columns
from tracker.bench.tables import file_bytes, rows_of
from tracker.errors import BadRequest

QUANTITIES = {
    "current": ("clock", "current", "u", "clock_u"),
    "clock": ("clock", "passed"),
    "soak": ("time", "temp", "ambient", "emf", "resistance", "cold_junction"),
    "curve": (),
}
"""What the columns of each test's table may be; those of curves are known by their heads alone."""
_SHOWN_ROWS = 5
_SHOWN_CELL = 60


@dataclass(frozen=True, slots=True)
class TablePreview:
    """A table as it would be understood.

    Parameters
    ----------
    heads : tuple of str
        As they stand in the file.
    rows : tuple of tuple of str
        The first few.
    count : int
        All of them.
    taken : tuple of str
        For each column the quantity it is taken for; '' where it is left out.
    doubt : str
        Why it cannot be used as it stands, and what to do; '' where it can, as far as its heads tell.
    """

    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    count: int
    taken: tuple[str, ...]
    doubt: str


def table_preview(test: str, path: Path, columns: Sequence[str] = ()) -> TablePreview:
    """Return what a table's columns would be taken for; nothing is recorded.

    Parameters
    ----------
    test : str
        A key of `QUANTITIES`.
    path : Path
    columns : sequence of str
        'QUANTITY=COLUMN', as the tests take them.

    Raises
    ------
    BadRequest
        The file is no table.
    """
    heads, rows = rows_of(file_bytes(path), path.name)
    places: dict[str, int] = {}
    doubt = ""
    try:
        places = _places(test, heads, path.name, columns)
    except BadRequest as error:
        doubt = str(error)
    by_place = {place: quantity for quantity, place in places.items()}
    return TablePreview(
        heads=heads,
        rows=tuple(tuple(cell[:_SHOWN_CELL] for cell in row) for row in rows[:_SHOWN_ROWS]),
        count=len(rows),
        taken=tuple(by_place.get(i, "") for i in range(len(heads))),
        doubt=doubt,
    )


def _places(test: str, heads: tuple[str, ...], name: str, columns: Sequence[str]) -> dict[str, int]:
    if test == "soak":
        found = soak_columns.columns_of([head.lower() for head in heads], name, columns)
        return {role: place for role, (place, _) in found.items()}
    if test in ("current", "clock"):
        return readings.places_of(heads, QUANTITIES[test], columns)
    return {}
