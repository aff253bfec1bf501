"""The verb `calc board-current`."""

from dataclasses import asdict
from typing import Annotated

import typer

from tracker.cli.bench_common import text_option
from tracker.cli.calc import calc, say
from tracker.cli.options import JsonOption
from tracker.cli.printing import print_json


def register(app: typer.Typer) -> None:
    """Nothing to add: importing this module hung its verb on `calc`."""


@calc.command("board-current")
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
    say([*rows, ("uncertainty", found.u_source)])
