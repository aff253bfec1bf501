"""A whole delivery from a CSV file: every row is checked before any is recorded."""

import io
import stat
from datetime import date
from pathlib import Path

from tracker.desk.arrival import FIELDS, REQUIRED, Arrival, FieldProblems, Paper, check_arrival
from tracker.dossier.tables import plain
from tracker.errors import BadRequest

PAPER_COLUMNS = ("invoice", "certificate", "listing")
COLUMNS = (*FIELDS, *PAPER_COLUMNS)
_LARGEST_BYTES = 20_000_000  # Our own bound: a delivery list is a few kilobytes.
_MOST_SHOWN = 20


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
    table = _table(path, _text(path))
    header = _header(path, table[0])
    arrivals, wrong = [], []
    for number, cells in enumerate(table[1:], start=2):
        values = dict(zip(header, cells, strict=True))
        if not any(text.strip() for text in cells):
            continue
        try:
            arrivals.append(_arrival(values, path.parent, today, number))
        except FieldProblems as error:
            wrong += [f"row {number}, {column}: {problem}" for column, problem in error.problems]
    if wrong:
        shown = "\n".join(f"  {line}" for line in wrong[:_MOST_SHOWN])
        more = f"\n  and {len(wrong) - _MOST_SHOWN} more" if len(wrong) > _MOST_SHOWN else ""
        count = "1 fault" if len(wrong) == 1 else f"{len(wrong)} faults"
        raise BadRequest(f"{path} has {count}:\n{shown}{more}", "Nothing was recorded. Correct the file and try again.")
    if not arrivals:
        raise BadRequest(f"{path} has a header and no rows.", "Add a row for each lot.")
    return tuple(arrivals)


def _arrival(values: dict[str, str], folder: Path, today: date, row: int) -> Arrival:
    papers = [Paper(kind, folder / values[kind].strip()) for kind in PAPER_COLUMNS if values.get(kind, "").strip()]
    return check_arrival({name: text for name, text in values.items() if name in FIELDS}, papers, today=today, row=row)


def _text(path: Path) -> str:
    try:
        found = path.stat()
        if not stat.S_ISREG(found.st_mode):
            kind = "a folder" if stat.S_ISDIR(found.st_mode) else "not a plain file"
            raise BadRequest(f"{path} is {kind}.", "Name a CSV file.")
        if found.st_size > _LARGEST_BYTES:
            raise BadRequest(f"{path} is larger than {_LARGEST_BYTES // 1_000_000} MB.", "Split the delivery.")
        text = path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError:
        raise BadRequest(f"{path} is not UTF-8 text.", "Save it as CSV in UTF-8.") from None
    except (OSError, ValueError) as error:
        said = error.strerror if isinstance(error, OSError) else str(error)
        raise BadRequest(f"{path} cannot be read ({said}).", "Check its path.") from None
    if not text.strip():
        raise BadRequest(f"{path} is empty.", f"Its first line names the columns, at least {', '.join(REQUIRED)}.")
    if "\0" in text:
        raise BadRequest(f"{path} is not a text file.", "Save it as CSV in UTF-8.")
    return text


def _table(path: Path, text: str) -> list[list[str]]:
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
        raise BadRequest(f"{path} is no table ({said}).", "Each row needs as many cells as the header.") from None
    # What was written so that no spreadsheet takes it for a formula is the text again.
    return [[plain(str(cell)) for cell in row] for row in frame.fillna("").to_numpy().tolist()]


def _header(path: Path, cells: list[str]) -> list[str]:
    names = ["_".join(cell.strip().lower().replace("-", " ").replace("_", " ").split()) for cell in cells]
    known = f"The columns are: {', '.join(COLUMNS)}."
    unknown = [cell.strip() or "(empty)" for cell, name in zip(cells, names, strict=True) if name not in COLUMNS]
    if unknown:
        raise BadRequest(f"{path}: the column {unknown[0]!r} is not known.", known)
    doubled = [name for name in COLUMNS if names.count(name) > 1]
    if doubled:
        raise BadRequest(f"{path}: the column '{doubled[0]}' is there twice.", "Keep one of them.")
    missing = [name for name in REQUIRED if name not in names]
    if missing:
        raise BadRequest(f"{path}: the column '{missing[0]}' is missing.", known)
    return names
