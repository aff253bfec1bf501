"""How answers reach the terminal: one JSON document, or text a person reads."""

import json
import shutil
import sys
import textwrap
import time
from collections.abc import Callable, Iterable, Sequence
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from rich.console import Console
    from rich.table import Table

_UNBOUNDED = 10_000
_NARROWEST = 40


def print_json(document: Any) -> None:
    """Print `document` as the one JSON document on standard output.

    NaN and infinity have no JSON form; they raise ValueError here rather than print something unreadable.
    """
    json.dump(document, sys.stdout, ensure_ascii=False, indent=2, allow_nan=False, default=str)
    sys.stdout.write("\n")


def console() -> "Console":
    """Return a console on standard output; plain text when that is not a terminal."""
    from rich.console import Console

    # A file or a pipe has no width: Rich would otherwise assume 80 columns and cut tables to it.
    if sys.stdout.isatty():
        return Console(highlight=False)
    return Console(highlight=False, soft_wrap=True, width=_UNBOUNDED)


def note(text: str) -> None:
    """Print a progress line or warning on standard error, so that standard output stays one answer.

    On a terminal a long line is broken between words.
    """
    width = shutil.get_terminal_size().columns if sys.stderr.isatty() else 0
    if width > _NARROWEST:
        text = "\n".join(_broken(line, width) for line in text.split("\n"))
    print(text, file=sys.stderr)


def _broken(line: str, width: int) -> str:
    if len(line) <= width:
        return line
    indent = " " * (len(line) - len(line.lstrip(" ")) + 2)
    return textwrap.fill(
        line, width, subsequent_indent=indent, break_on_hyphens=False, break_long_words=False, replace_whitespace=False
    )


def table(columns: Sequence[str], rows: Iterable[Sequence[str]], *, right: Sequence[str] = ()) -> "Table":
    """Return a plain table; `right` names the columns aligned to the right (numbers)."""
    from rich.table import Table
    from rich.text import Text

    grid = Table(box=None, pad_edge=False, header_style="bold")
    for name in columns:
        grid.add_column(name, justify="right" if name in right else "left", overflow="fold")
    for row in rows:
        # As Text: what people typed must not be taken for Rich's markup.
        grid.add_row(*(Text(cell) for cell in row))
    if sys.stdout.isatty():
        _fit_words(grid, console().width)
    return grid


def with_room(columns: Sequence[str], rows: Sequence[Sequence[str]], spare: Sequence[str]) -> list[str]:
    """Return the columns that a terminal has room for without breaking a word; those in `spare` go, the first first.

    Where there is no terminal all stay, and so does what is not in `spare`.
    """
    kept = list(columns)
    if not sys.stdout.isatty():
        return kept
    least = {name: _longest_word([name, *(row[at] for row in rows)]) for at, name in enumerate(columns)}
    room = console().width
    for name in spare:
        if sum(least[one] for one in kept) + 2 * (len(kept) - 1) <= room:
            break
        if name in kept:
            kept.remove(name)
    return kept


def _longest_word(texts: Iterable[str]) -> int:
    from rich.cells import cell_len

    return max((cell_len(word) for text in texts for word in text.split()), default=0)


def _fit_words(grid: "Table", room: int) -> None:
    """Narrow the columns of a table wider than `room` so that no word is broken, where that can be done."""
    from rich.cells import cell_len

    texts = [[str(column.header), *(str(cell) for cell in column.cells)] for column in grid.columns]
    widths = [max(cell_len(text) for text in column) for column in texts]
    least = [_longest_word(column) for column in texts]
    room -= 2 * (len(widths) - 1)
    if sum(widths) <= room or sum(least) > room:
        return  # all fits, or Rich has to fold words
    while sum(widths) > room:
        widest = max(range(len(widths)), key=lambda one: widths[one] if widths[one] > least[one] else 0)
        widths[widest] -= 1
    for column, width in zip(grid.columns, widths, strict=True):
        column.width = width


def after_a_second(tell: Callable[[int, int], None]) -> Callable[[int, int], None]:
    """Return `tell` as one that keeps still for the first second: what is done by then needs no progress."""
    begun = time.monotonic()

    def told(done: int, total: int) -> None:
        if time.monotonic() - begun > 1:
            tell(done, total)

    return told
