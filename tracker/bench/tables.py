"""CSV files as they come: their bytes, and their cells as text by column."""

import io
import re
import warnings
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from tracker.errors import BadRequest

LARGEST_BYTES = 20_000_000  # a week of readings every second; more is not a table somebody took at a bench
_MOST_NAMED = 5  # rows in one sentence


@dataclass(frozen=True, slots=True)
class Source:
    """The file readings came from: its name, its bytes as they were read, and what to mind about its rows."""

    name: str
    data: bytes = field(repr=False)
    notes: tuple[str, ...] = ()


def file_bytes(path: Path) -> bytes:
    """Return the bytes of a table.

    Raises
    ------
    BadRequest
        It cannot be read, or is too large to be one.
    """
    try:
        if path.is_dir():
            raise BadRequest(f"{path} is a folder.", "Name the CSV file in it.")
        if path.stat().st_size > LARGEST_BYTES:
            raise BadRequest(
                f"{path} is larger than {LARGEST_BYTES // 1_000_000} MB, too large for a table of readings."
            )
        return path.read_bytes()
    except FileNotFoundError:
        raise BadRequest(f"There is no file {path}.") from None
    except (OSError, ValueError) as error:  # ValueError: a NUL in the name
        raise BadRequest(f"{path} cannot be read: {error}.") from None


def cells_of(data: bytes, name: str) -> tuple[tuple[str, tuple[str, ...]], ...]:
    """Return the columns of a CSV file: name in small letters, and the cells as text.

    Raises
    ------
    BadRequest
        It is no such file.
    """
    heads, rows = rows_of(data, name)
    return tuple((head.lower(), tuple(row[i] for row in rows)) for i, head in enumerate(heads))


def rows_of(data: bytes, name: str) -> tuple[tuple[str, ...], list[tuple[str, ...]]]:
    """Return the heads of a CSV file as they are written, and its rows as text.

    Raises
    ------
    BadRequest
        It is no such file, or has two columns of one name.
    """
    import pandas as pd

    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise BadRequest(f"{name} is not a CSV file in UTF-8.") from None
    if not text.strip() or "\0" in text:
        raise BadRequest(f"{name} is {'empty' if not text.strip() else 'not a CSV file'}.")
    separator = _separator(text)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            frame = pd.read_csv(
                io.StringIO(text), sep=separator, dtype=str, keep_default_na=False, index_col=False, header=None
            ).fillna("")
    except (ValueError, Warning) as error:  # pandas' parser errors are ValueErrors
        raise BadRequest(f"{name} cannot be read as a table{_where(str(error))}.") from None
    rows: Sequence[Sequence[str]] = frame.astype(str).to_numpy().tolist()
    heads = tuple(cell.strip() for cell in rows[0])
    names = [head.lower() for head in heads]
    twice = sorted({column for column in names if column and names.count(column) > 1})
    if twice:
        raise BadRequest(f"{name} has the column {twice[0]!r} twice.")
    if len(rows) < 2:
        raise BadRequest(f"{name} has no rows below its column names.")
    return heads, [tuple(row) for row in rows[1:]]


def has_decimal_commas(data: bytes) -> bool:
    """Return whether a comma in the cells of a CSV file can only be a decimal one, as something else parts them."""
    return _separator(data.decode("utf-8-sig", errors="replace")) != ","


def _separator(text: str) -> str:
    first = next((line for line in text.splitlines() if line.strip()), "")
    # Cells pasted from a spreadsheet are parted by tabs.
    return next((one for one in (";", "\t") if one in first and "," not in first), ",")


def unanswered(heads: Sequence[str], rows: Sequence[Sequence[str]], name: str) -> list[int]:
    """Return the numbers (from 1) of rows in which an instrument said why it gave no value; none in other tables.

    Such a table is one that was read live: it has the columns `instant` and `said`.

    Raises
    ------
    BadRequest
        Its last line was torn, or no row has a value.
    """
    names = [head.lower() for head in heads]
    if "said" not in names or "instant" not in names:
        return []
    said, instant = names.index("said"), names.index("instant")
    if rows and not rows[-1][instant].endswith("Z"):
        raise BadRequest(f"{name} breaks off in its last line.", "Remove that line.")
    without = [number for number, cells in enumerate(rows, start=1) if cells[said].strip()]
    if len(without) == len(rows):
        raise BadRequest(f"{name} holds no values: {rows[0][said] if rows else 'it is empty'}")
    return without


def overloaded(data: bytes, name: str) -> tuple[tuple[int, ...], int]:
    """Return in which rows (from 1) of a live table the instrument was beyond its range, and how many rows there are.

    Other tables have none such. The words are those that `tracker.instruments.scpi` writes.
    """
    head = data.partition(b"\n")[0]
    if b"Overload" not in data or not {b"instant", b"said"} <= {cell.strip() for cell in head.split(b",")}:
        return (), 0
    heads, rows = rows_of(data, name)
    said = [head.lower() for head in heads].index("said")
    return tuple(i for i, row in enumerate(rows, start=1) if row[said].startswith("Overload")), len(rows)


def answered(data: bytes, name: str) -> tuple[bytes, tuple[str, ...]]:
    """Return a table without the rows that `unanswered` names, and a note about them; other tables as they are."""
    head, _, rest = data.partition(b"\n")
    if not {b"instant", b"said"} <= {cell.strip() for cell in head.split(b",")}:
        return data, ()
    left = unanswered(*rows_of(data, name), name)
    if not left:
        return data, ()
    out = set(left)
    lines = [line for number, line in enumerate(rest.splitlines(keepends=True), start=1) if number not in out]
    return b"".join([head, b"\n", *lines]), (unanswered_note(left, number_of=len(lines) + len(left)),)


def unanswered_note(rows: Sequence[int], *, number_of: int) -> str:
    """Return in a sentence which answers held no value."""
    return f"{len(rows)} of {number_of} answers held no value and were left out: rows {listed(rows)}."


def listed(rows: Sequence[int]) -> str:
    """Return row numbers for a sentence, no more than a few of them."""
    shown = ", ".join(str(row) for row in rows[:_MOST_NAMED])
    return shown if len(rows) <= _MOST_NAMED else f"{shown} and {len(rows) - _MOST_NAMED} more"


def _where(message: str) -> str:
    """Return in words what pandas' parser says of a line with too many cells, or nothing."""
    found = re.search(r"Expected (\d+) fields in line (\d+), saw (\d+)", message)
    return f": line {found[2]} has {found[3]} cells, {found[1]} are expected" if found else ""
