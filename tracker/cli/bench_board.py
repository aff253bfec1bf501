"""The verb `calc board-current`."""

from dataclasses import asdict
from typing import Annotated

import typer

from tracker.cli.bench_common import text_option
from tracker.cli.calc import say, with_key
from tracker.cli.groups import group
from tracker.cli.options import JsonOption
from tracker.cli.printing import print_json


def register(app: typer.Typer) -> None:
    """Add this module's verb to the command line."""
    group(app, "calc").command("board-current")(board)


def board(
    before: Annotated[
        list[str], text_option("--before", "Supply current of the board before the change. Repeat it.", "CURRENT")
    ],
    after: Annotated[list[str], text_option("--after", "The same after the change. Repeat it.", "CURRENT")],
    u: Annotated[str | None, text_option("--u", "Standard uncertainty of a reading: '5 mA'.", "CURRENT")] = None,
    as_json: JsonOption = False,
) -> None:
    """Say how a board's supply current changed, with the interval of the change."""
    from tracker.bench.board_current import told
    from tracker.desk.bench_board import board_change

    found = board_change(before, after, u)
    if as_json:
        print_json({"schema": "lotproof.calc.board-current/1", **asdict(found)})
        return
    rows = [("change", told(found))]
    if found.much_more:
        rows.append(("mind", found.much_source))
    say([*with_key(rows), ("uncertainty", found.u_source)])
