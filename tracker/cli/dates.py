"""The verb `datecode`."""

from dataclasses import asdict
from datetime import date
from typing import Annotated

import typer

from tracker.cli.options import JsonOption
from tracker.cli.printing import console, print_json, table
from tracker.errors import BadRequest


def register(app: typer.Typer) -> None:
    """Add this module's verb to the command line."""
    app.command("datecode")(datecode)


def datecode(
    markings: Annotated[
        list[str],
        typer.Argument(metavar="MARKING...", help="The whole marking of one chip, in quotes.", show_default=False),
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
    """What the date code in each marking may mean, best first.

    Put -- before the markings when one begins with a hyphen.
    """
    latest = _day(by)
    from tracker.desk.dating import date_markings

    dated = date_markings(markings, maker=maker, by=latest)
    if as_json:
        print_json(
            {
                "schema": "lotproof.datecode/1",
                "markings": [{"text": m.text, "candidates": [asdict(c) for c in m.candidates]} for m in dated],
            }
        )
        return
    out = console()
    for marking in dated:
        out.print(f"[bold]{marking.text}[/bold]")
        if not marking.candidates:
            out.print("  no date that can be read")
            continue
        rows = [
            (c.text, _when(c.year, c.week, c.month), c.style, f"{c.probability:.2f}", c.source)
            for c in marking.candidates
        ]
        out.print(table(("code", "made", "style", "probability", "known from"), rows, right=("probability",)))


def _day(text: str | None) -> date | None:
    if text is None:
        return None
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise BadRequest(
            f"--by {text} is not a date of the calendar.", "Write year, month and day, such as 2026-02-28."
        ) from None


def _when(year: int, week: int | None, month: int | None) -> str:
    if week:
        return f"{year} week {week}"
    return f"{year}-{month:02d}" if month else str(year)
