"""How answers reach the terminal: one JSON document, or text a person reads."""

import json
import sys
from collections.abc import Iterable, Sequence
from typing import Any

from rich.console import Console
from rich.table import Table


def print_json(document: Any) -> None:
    """Print `document` as the one JSON document on standard output.

    NaN and infinity have no JSON form; they raise ValueError here rather than print something unreadable.
    """
    json.dump(document, sys.stdout, ensure_ascii=False, indent=2, allow_nan=False, default=str)
    sys.stdout.write("\n")


def console() -> Console:
    """Return a console on standard output; plain text when that is not a terminal."""
    return Console(highlight=False, soft_wrap=not sys.stdout.isatty())


def note(text: str) -> None:
    """Print a progress line or warning on standard error, so that standard output stays one answer."""
    print(text, file=sys.stderr)


def table(columns: Sequence[str], rows: Iterable[Sequence[str]], *, right: Sequence[str] = ()) -> Table:
    """Return a plain table; `right` names the columns aligned to the right (numbers)."""
    grid = Table(box=None, pad_edge=False, header_style="bold")
    for name in columns:
        grid.add_column(name, justify="right" if name in right else "left")
    for row in rows:
        grid.add_row(*row)
    return grid
