"""What the bench verbs share: their options, and how a recorded run is told."""

from collections.abc import Callable, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from tracker.cli.calc import say, with_key
from tracker.cli.printing import note, print_json
from tracker.errors import AnswerIsNo

if TYPE_CHECKING:
    from tracker.bench.cautions import Protocol
    from tracker.desk.bench_entry import Conditions
    from tracker.desk.bench_record import Recorded, Result

_MOST_REASONS = 4
Rows = Sequence[tuple[str, str]]


def _how(test: str) -> Callable[[bool], None]:
    """Return what `--how` does for a test: print its steps and cautions, and stop."""

    def show(wanted: bool) -> None:
        if wanted:
            from tracker.bench.cautions import protocol

            say(_protocol_text(protocol(test)))
            raise typer.Exit

    return show


def how_option(test: str) -> Any:
    return typer.Option(
        "--how",
        callback=_how(test),
        is_eager=True,
        help="Print how the test is done and what to mind; nothing is recorded.",
    )


def text_option(flag: str, help: str, metavar: str = "TEXT") -> Any:
    return typer.Option(flag, help=help, metavar=metavar, show_default=False)


SubjectArgument = Annotated[
    str, typer.Argument(metavar="PIECE|MACHINE", help="Label such as L0001-03 or M0001.", show_default=False)
]
SupplyOption = Annotated[str | None, text_option("--supply", "Supply voltage: '5 V'.", "VOLTAGE")]
AmbientOption = Annotated[str | None, text_option("--ambient", "Ambient temperature: '23 C', '73 F'.", "TEMPERATURE")]
JigOption = Annotated[str | None, text_option("--jig", "Jig or board it was tested in.")]
InstrumentOption = Annotated[str | None, text_option("--instrument", "What it was read with.")]
LiveInstrumentOption = Annotated[
    str | None, text_option("--instrument", "What it was read with; a VISA resource is read live, as with --read.")
]
RemarkOption = Annotated[str | None, text_option("--remark", "Anything else.")]
LiveQueryOption = Annotated[
    str | None, text_option("--query", "Live: SCPI query to ask instead of the standard one.", "QUERY")
]
LiveLogOption = Annotated[
    Path | None, text_option("--log", "Live: new table that the readings go to, to be kept.", "CSV")
]
LimitSourceOption = Annotated[str | None, text_option("--limit-source", "Where the limit was read.")]
CoverageOption = Annotated[
    float | None,
    text_option("--k", "Coverage factor of the guard band (default: for 95.45 %, 2.00 with many readings).", "K"),
]
PromptOption = Annotated[
    bool, typer.Option("--prompt", help="Enter the readings one after the other, with the result after each.")
]
FailExitOption = Annotated[
    bool, typer.Option("--fail-exit", help="Exit with 1 when the verdict is fail (it is recorded all the same).")
]


def answer(
    recorded: "Recorded[Result]",
    measured: Rows,
    *,
    as_json: bool,
    fail_exit: bool,
    minded: bool = False,
) -> None:
    """Print a recorded run: what was measured, the rule, and what it did to the suspicion.

    Parameters
    ----------
    recorded : Recorded
    measured : sequence of (str, str)
        The test's own rows for a person.
    as_json, fail_exit : bool
    minded : bool
        Whether the cautions were shown before the readings were taken, and need not be shown again.
    """
    if as_json:
        from tracker.desk.documents.bench import bench_document

        print_json(asdict(bench_document(recorded)))
    else:
        # First, not last: whoever types a reading in is about to touch the piece again.
        cautions = [] if minded else _cautions(recorded.protocol)
        say([*cautions, *_recorded_text(recorded, measured)])
    if fail_exit and recorded.verdict == "fail":
        raise AnswerIsNo(f"The verdict of {recorded.run} is fail.")


def mind(test: str) -> None:
    """Print what to mind on standard error, before somebody takes readings."""
    from tracker.bench.cautions import protocol

    for name, text in _cautions(protocol(test)):
        note(f"{name:<5} {text}".strip())


def _recorded_text(recorded: "Recorded[Result]", measured: Rows) -> list[tuple[str, str]]:
    from tracker.desk.bench_words import suspicion_text

    tested = " in ".join(label for label in (recorded.piece, recorded.machine) if label)
    claimed = f", claimed {recorded.claimed_part}" if recorded.claimed_part else ""
    return [
        (recorded.run, f"{tested}{claimed}: {recorded.test} {recorded.verdict.upper()}"),
        *with_key(measured),
        *_conditions_text(recorded.conditions),
        ("rule", recorded.rule),
        *_reasons_text(recorded),
        *(("note", note) for note in recorded.notes),
        *suspicion_text(recorded),
    ]


def _reasons_text(recorded: "Recorded[Result]") -> list[tuple[str, str]]:
    """Return the first reasons; forty pins that differ in the same way are not read one by one."""
    rows = [("because", reason) for reason in recorded.reasons[:_MOST_REASONS]]
    left = len(recorded.reasons) - len(rows)
    return [*rows, ("", f"and {left} more reasons: lotproof show {recorded.run} --json")] if left else rows


def _conditions_text(held: "Conditions") -> list[tuple[str, str]]:
    from tracker.bench.figures import show

    told = (
        ("supply", None if held.supply_v is None else show(held.supply_v, "V")),
        ("ambient", None if held.ambient_c is None else f"{held.ambient_c:.4g} C"),
        ("jig", held.jig),
        ("instrument", held.instrument),
    )
    text = "; ".join(f"{name} {value}" for name, value in told if value)
    return [("conditions", text)] if text else []


def _protocol_text(protocol: "Protocol") -> list[tuple[str, str]]:
    from tracker.cli.bench_pages import PAGES

    steps = [(f"step {i}", step.text) for i, step in enumerate(protocol.steps, start=1)]
    return [*_cautions(protocol), *steps, ("then", PAGES[protocol.test].examples[0])]


def _cautions(protocol: "Protocol") -> list[tuple[str, str]]:
    from tracker.bench.cautions import LAST_WORD

    return [*(("mind", caution.text) for caution in protocol.cautions), ("", LAST_WORD)]
