"""The first help page, `lotproof --help`, without Typer: loading that and every verb takes longer than the page.

It prints what `tracker/cli/verb_table.py` says, with Rich and as Typer does: the same boxes, colours and widths as on
every other page. A test holds it against Typer's own, in several widths, with colours and without.
"""

from rich.align import Align
from rich.columns import Columns
from rich.console import Console, RenderableType
from rich.highlighter import RegexHighlighter
from rich.padding import Padding
from rich.panel import Panel
from rich.table import Table
from rich.text import Text
from rich.theme import Theme

from tracker.cli.verb_table import EPILOG, HELP, OPTIONS, USAGE, VERBS

# The styles and patterns are those of typer/rich_utils.py.
_THEME = {"option": "bold cyan", "switch": "bold green", "types": "bold yellow", "usage": "yellow"}


class _Options(RegexHighlighter):
    highlights = [  # noqa: RUF012  as the base class has it
        r"(^|\W)(?P<switch>\-\w+)(?![a-zA-Z0-9])",
        r"(^|\W)(?P<option>\-\-[\w\-]+)(?![a-zA-Z0-9])",
        r"(?P<types>\<[^\>]+\>)",
        r"(?P<usage>Usage: )",
    ]


_coloured = _Options()


def print_front_page() -> None:
    """Print the page on standard output, as wide as the terminal."""
    console = Console(theme=Theme(_THEME), highlighter=_coloured)
    console.print(Padding(_coloured(f"Usage: {USAGE}"), 1), style="bold")
    console.print(Padding(Align(_text(HELP), pad=False), (0, 1, 1, 1)))
    console.print(_panel("Options", _options()))
    console.print(_panel("Commands", _verbs()))
    console.print(Padding(Align(_text(EPILOG), pad=False), 1))


def _text(words: str) -> Text:
    return _coloured(Text.from_markup(words))


def _grid(*, highlight: bool) -> Table:
    return Table(highlight=highlight, show_header=False, expand=True, box=None, pad_edge=False, padding=(0, 1))


def _options() -> Table:
    grid = _grid(highlight=True)
    for flag, words, variable in OPTIONS:
        said: list[RenderableType] = [_text(words)]
        if variable:
            said.append(Text(f"[env var: {variable}]", style="dim yellow"))
        # The empty columns are for short names, for the opposite of an option, and for its kind of value.
        grid.add_row(_coloured(flag), *[_coloured("")] * 4, Columns(said))
    return grid


def _verbs() -> Table:
    grid = _grid(highlight=False)
    grid.add_column(style="bold cyan", no_wrap=True, width=max(len(name) for name, _ in VERBS))
    grid.add_column("Description", justify="left", no_wrap=False, ratio=10)
    for name, words in VERBS:
        grid.add_row(Text(name), _text(words))
    return grid


def _panel(title: str, inside: Table) -> Panel:
    return Panel(inside, border_style="dim", title=title, title_align="left")
