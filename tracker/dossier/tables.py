"""CSV tables that no spreadsheet takes for formulas.

A text that begins with one of `= + - @`, a tab, a carriage return or a line feed, or their full-width forms, would be
calculated by a spreadsheet (OWASP, 'CSV Injection', from memory). It is written with an apostrophe before it, which
spreadsheets take as 'this is text' (common practice). A text that has apostrophes before such a character gets one
more, so that `plain` undoes `harmless` exactly. Numbers stay numbers: `-3.5` is written as it is.
"""

import csv
import io
import re
from collections.abc import Iterable, Sequence
from datetime import date
from typing import IO, Any

_FORMULA = re.compile(r"'*[=+\-@\t\r\n＝＋－＠]")
_KEPT_HARMLESS = re.compile(r"'+[=+\-@\t\r\n＝＋－＠]")


def harmless(text: str) -> str:
    """Return a text as a cell that no spreadsheet takes for a formula."""
    return f"'{text}" if _FORMULA.match(text) else text


def plain(cell: str) -> str:
    """Return the text that a cell written by `harmless` stands for; any other cell as it is."""
    return cell[1:] if _KEPT_HARMLESS.match(cell) else cell


def cell(value: Any) -> str:
    """Return a value as a cell: numbers as Python and RFC 8259 write them, dates as YYYY-MM-DD, None as empty."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float):
        return repr(value)
    if isinstance(value, date):
        return value.isoformat()
    return harmless(str(value))


def write(file: IO[str], columns: Sequence[str], rows: Iterable[Sequence[Any]]) -> int:
    """Write a table (RFC 4180, header first) to a text file opened with `newline=""`; return its number of rows."""
    writer = csv.writer(file)
    writer.writerow(columns)
    count = 0
    for row in rows:
        writer.writerow([cell(value) for value in row])
        count += 1
    return count


def as_bytes(columns: Sequence[str], rows: Iterable[Sequence[Any]]) -> bytes:
    """Return a table as UTF-8."""
    text = io.StringIO(newline="")
    write(text, columns, rows)
    return text.getvalue().encode("utf-8")
