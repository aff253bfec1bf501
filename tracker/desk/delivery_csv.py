"""A whole delivery from a CSV file: every row is checked before any is recorded."""

import io
import stat
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from tracker.desk.arrival import FIELDS, REQUIRED, Arrival, FieldProblems, Paper, check_arrival
from tracker.desk.fields import file_name
from tracker.dossier.tables import plain
from tracker.errors import BadRequest

PAPER_COLUMNS = ("invoice", "certificate", "listing")
COLUMNS = (*FIELDS, *PAPER_COLUMNS)
_LARGEST_BYTES = 20_000_000  # Our own bound: a delivery list is a few kilobytes.
_MOST_SHOWN = 20


@dataclass(frozen=True, slots=True)
class DeliveryRow:
    """One row as checked: its number as a spreadsheet counts, what stands in it, and what is wrong by column."""

    number: int
    values: Mapping[str, str]
    arrival: Arrival | None
    problems: tuple[tuple[str, BadRequest], ...] = ()


@dataclass(frozen=True, slots=True)
class CheckedDelivery:
    """All rows of a delivery's file; `columns` are those it has."""

    name: str
    columns: tuple[str, ...]
    rows: tuple[DeliveryRow, ...]

    @property
    def faults(self) -> tuple[str, ...]:
        """What is wrong, each with row and column."""
        return tuple(f"row {row.number}, {column}: {error}" for row in self.rows for column, error in row.problems)

    @property
    def arrivals(self) -> tuple[Arrival, ...]:
        """The arrivals, of those rows where nothing is wrong."""
        return tuple(row.arrival for row in self.rows if row.arrival is not None)


def read_delivery(path: Path, *, today: date) -> tuple[Arrival, ...]:
    """Return the arrivals in a CSV file with a header; paths in it are relative to the file's folder.

    Parameters
    ----------
    path : Path
        UTF-8, separated by commas or semicolons; `COLUMNS` are known, `REQUIRED` must be there.

    Raises
    ------
    BadRequest
        When the file cannot be read, or naming row (as a spreadsheet counts, the header is row 1) and column of
        everything that is wrong in it.
    """
    checked = check_delivery(path, today=today)
    wrong = checked.faults
    if wrong:
        shown = "\n".join(f"  {line}" for line in wrong[:_MOST_SHOWN])
        more = f"\n  and {len(wrong) - _MOST_SHOWN} more" if len(wrong) > _MOST_SHOWN else ""
        count = "1 fault" if len(wrong) == 1 else f"{len(wrong)} faults"
        raise BadRequest(f"{path} has {count}:\n{shown}{more}", "Nothing was recorded. Correct the file and try again.")
    return checked.arrivals


def check_delivery(
    path: Path, *, today: date, name: str | None = None, papers: Mapping[str, Path] | None = None
) -> CheckedDelivery:
    """Return every row of a delivery's file with what is wrong in it.

    Parameters
    ----------
    path : Path
    name : str, optional
        What the file is called, where it came from elsewhere.
    papers : mapping of str to Path, optional
        The papers that came with it, by name: no other can be meant. None: paths are relative to the file's folder.

    Raises
    ------
    BadRequest
        When the file cannot be read, its header is wrong, or it has no rows.
    """
    called = str(path) if name is None else name
    table = _table(called, _text(path, called))
    header = _header(called, table[0])
    rows = []
    for number, cells in enumerate(table[1:], start=2):
        if any(text.strip() for text in cells):
            rows.append(_row(number, dict(zip(header, cells, strict=True)), path.parent, papers, today))
    if not rows:
        raise BadRequest(f"{called} has a header and no rows.", "Add a row for each lot.")
    return CheckedDelivery(called, tuple(header), tuple(rows))


def _row(
    number: int, values: dict[str, str], folder: Path, papers: Mapping[str, Path] | None, today: date
) -> DeliveryRow:
    named = {kind: values[kind].strip() for kind in PAPER_COLUMNS if values.get(kind, "").strip()}
    if papers is None:
        found, lost = [Paper(kind, folder / text) for kind, text in named.items()], []
    else:
        sent = {kind: text.replace("\\", "/").rpartition("/")[2] for kind, text in named.items()}
        found = [Paper(kind, papers[text], text) for kind, text in sent.items() if text in papers]
        lost = [(kind, _not_sent(text)) for kind, text in sent.items() if text not in papers]
    fields = {name: text for name, text in values.items() if name in FIELDS}
    try:
        arrival = check_arrival(fields, found, today=today, row=number)
    except FieldProblems as error:
        return DeliveryRow(number, values, None, (*error.problems, *lost))
    return DeliveryRow(number, values, None if lost else arrival, tuple(lost))


def _not_sent(text: str) -> BadRequest:
    shown = file_name(text[:80])
    return BadRequest(
        f"The paper '{shown}' was not sent along.", "Choose it together with the table, or empty the cell."
    )


def _text(path: Path, called: str) -> str:
    try:
        found = path.stat()
        if not stat.S_ISREG(found.st_mode):
            kind = "a folder" if stat.S_ISDIR(found.st_mode) else "not a plain file"
            raise BadRequest(f"{called} is {kind}.", "Name a CSV file.")
        if found.st_size > _LARGEST_BYTES:
            raise BadRequest(f"{called} is larger than {_LARGEST_BYTES // 1_000_000} MB.", "Split the delivery.")
        text = path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError:
        raise BadRequest(f"{called} is not UTF-8 text.", "Save it as CSV in UTF-8.") from None
    except (OSError, ValueError) as error:
        said = error.strerror if isinstance(error, OSError) else str(error)
        raise BadRequest(f"{called} cannot be read ({said}).", "Check its path.") from None
    if not text.strip():
        raise BadRequest(f"{called} is empty.", f"Its first line names the columns, at least {', '.join(REQUIRED)}.")
    if "\0" in text:
        raise BadRequest(f"{called} is not a text file.", "Save it as CSV in UTF-8.")
    return text


def _table(called: str, text: str) -> list[list[str]]:
    import pandas

    first = text.lstrip().splitlines()[0]
    separator = ";" if first.count(";") > first.count(",") else ","
    try:
        # The header is read as a row: pandas would otherwise take a surplus first cell for an index and shift the rest.
        frame = pandas.read_csv(
            io.StringIO(text), header=None, dtype=str, keep_default_na=False, sep=separator, skip_blank_lines=False
        )
    except (pandas.errors.ParserError, pandas.errors.EmptyDataError) as error:
        said = str(error).removeprefix("Error tokenizing data. C error: ").strip()
        raise BadRequest(f"{called} is no table ({said}).", "Each row needs as many cells as the header.") from None
    # What was written so that no spreadsheet takes it for a formula is the text again.
    return [[plain(str(cell)) for cell in row] for row in frame.fillna("").to_numpy().tolist()]


def _header(called: str, cells: list[str]) -> list[str]:
    names = ["_".join(cell.strip().lower().replace("-", " ").replace("_", " ").split()) for cell in cells]
    known = f"The columns are: {', '.join(COLUMNS)}."
    unknown = [cell.strip() or "(empty)" for cell, name in zip(cells, names, strict=True) if name not in COLUMNS]
    if unknown:
        raise BadRequest(f"{called}: the column {unknown[0]!r} is not known.", known)
    doubled = [name for name in COLUMNS if names.count(name) > 1]
    if doubled:
        raise BadRequest(f"{called}: the column '{doubled[0]}' is there twice.", "Keep one of them.")
    missing = [name for name in REQUIRED if name not in names]
    if missing:
        raise BadRequest(f"{called}: the column '{missing[0]}' is missing.", known)
    return names
