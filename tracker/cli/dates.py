"""The verb `datecode`."""

import re
from collections.abc import Sequence
from dataclasses import asdict
from datetime import date
from typing import TYPE_CHECKING, Annotated

import typer

from tracker.cli.options import JsonOption
from tracker.cli.printing import console, note, print_json, table
from tracker.errors import BadRequest

if TYPE_CHECKING:
    from tracker.desk.dating import DatedMarking


def register(app: typer.Typer) -> None:
    """Add this module's verb to the command line."""
    app.command("datecode")(datecode)


def datecode(
    markings: Annotated[
        list[str],
        typer.Argument(metavar="MARKING", help="The whole marking of one chip, in quotes.", show_default=False),
    ],
    maker: Annotated[str | None, typer.Option("--maker", help="Who made it, where known.", show_default=False)] = None,
    by: Annotated[
        str | None,
        typer.Option(
            "--by",
            metavar="YYYY-MM-DD",
            help="The latest possible date, e.g. its arrival (default: today).",
            show_default=False,
        ),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Say what the date code in each marking may mean, best first.

    Put -- before the markings when one begins with a hyphen.
    """
    latest = _day(by)
    from tracker.desk.dating import date_markings
    from tracker.desk.documents.dates import datecode_document

    answer = date_markings(markings, maker=maker, by=latest)
    if not answer.maker_known:
        note(f"Maker '{maker}' is not known here; the markings were read as if none were given.")
    if as_json:
        print_json(asdict(datecode_document(answer)))
        return
    _show(answer.markings)


def _show(markings: Sequence["DatedMarking"]) -> None:
    out = console()
    for marking in markings:
        out.print(marking.text, style="bold", markup=False)
        if marking.candidates:
            columns = ("code", "made", "style", "probability", "known from")
            rows = [
                (c.text, _when(c.year, c.week, c.month), c.style, f"{c.probability:.2f}", c.source)
                for c in marking.candidates
            ]
            out.print(table(columns, rows, right=("probability",)))
        else:
            out.print("  no date that can be read")
        for suspect in marking.suspects:
            out.print(f"  {suspect.message}", markup=False)


def _day(text: str | None) -> date | None:
    if text is None:
        return None
    try:
        if re.fullmatch(r"\d{4}-\d{2}-\d{2}", text):  # Python also takes 2026-W09-6, which nobody means here
            return date.fromisoformat(text)
    except ValueError:
        pass
    raise BadRequest(f"--by {text} is not a date of the calendar.", "Write year, month and day, such as 2026-02-28.")


def _when(year: int, week: int | None, month: int | None) -> str:
    if week:
        return f"{year} week {week}"
    return f"{year}-{month:02d}" if month else str(year)
