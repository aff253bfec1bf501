"""The verb `bench read`: what an instrument reads, as a table."""

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from tracker.cli.bench_common import text_option
from tracker.cli.calc import say
from tracker.cli.groups import group
from tracker.cli.live_show import shown
from tracker.cli.options import JsonOption
from tracker.cli.printing import print_json

if TYPE_CHECKING:
    from tracker.desk.reading_summary import Summary


class What(StrEnum):
    """What can be read; the same names as `tracker.instruments.scpi` has."""

    CURRENT = "current"
    VOLTAGE = "voltage"
    FREQUENCY = "frequency"
    TEMPERATURE = "temperature"
    RESISTANCE = "resistance"


def register(app: typer.Typer) -> None:
    """Add this module's verb to the command line."""
    group(app, "bench").command("read")(read)


def read(
    resource: Annotated[
        str,
        typer.Argument(
            metavar="RESOURCE", help="VISA resource, such as TCPIP::192.0.2.7::5025::SOCKET.", show_default=False
        ),
    ],
    to: Annotated[Path, typer.Option("--to", help="New table to write.", metavar="CSV", show_default=False)],
    what: Annotated[
        What, typer.Option("--what", help="What to read: DC current or voltage, frequency, temperature, resistance.")
    ] = What.CURRENT,
    every: Annotated[str, typer.Option("--every", help="From one reading to the next.", metavar="TIME")] = "1 s",
    count: Annotated[int | None, text_option("--count", "Stop after so many readings.", "N")] = None,
    duration: Annotated[str | None, text_option("--for", "Stop after this time: '20 min'.", "TIME")] = None,
    clock: Annotated[
        str | None, text_option("--clock", "Clock rate to write beside each reading: '4 MHz'.", "CLOCK")
    ] = None,
    query: Annotated[
        str | None, text_option("--query", "SCPI query to ask instead of the standard one: 'READ?'.", "QUERY")
    ] = None,
    timeout: Annotated[
        str | None, text_option("--timeout", "How long an answer may take (default: '5 s').", "TIME")
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Record what an instrument reads to a table that the tests take with --from.

    Every reading is on the disk before it is shown. Ctrl-C stops and keeps what was read; without --count and --for it
    is the only end.
    """
    from tracker.desk.live import LiveRequest, ready
    from tracker.desk.reading_summary import summarise

    request = LiveRequest(resource, what.value, every, count, duration, clock, query, timeout)
    live = ready(request, to)
    events = shown(live)
    found = summarise(live, events)
    if as_json:
        from dataclasses import asdict

        print_json({"schema": "lotproof.bench.read/1", **asdict(found)})
    else:
        say(_summary_text(found))


def _summary_text(found: "Summary") -> list[tuple[str, str]]:
    from tracker.bench.figures import show

    rows = [("instrument", found.instrument), ("asked", f"{found.query} ({found.source})")]
    if found.n and found.mean is not None and found.lowest is not None and found.highest is not None:
        spread = "" if found.sd is None else f", standard deviation {show(found.sd, found.unit, 3)}"
        rows += [
            ("readings", f"{found.n} in {found.seconds:.1f} s"),
            ("mean", f"{show(found.mean, found.unit, 6)}{spread}"),
            ("range", f"{show(found.lowest, found.unit, 6)} to {show(found.highest, found.unit, 6)}"),
        ]
    else:
        rows.append(("readings", "none"))
    return [*rows, *(("note", text) for text in found.notes), ("table", found.path)]
