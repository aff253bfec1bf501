"""The verbs `calc ...`: the bench computations on a file or a few numbers, without a workspace."""

import math
import shutil
import sys
import textwrap
from collections.abc import Iterable
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from tracker.cli.options import ColumnOption, JsonOption
from tracker.cli.printing import print_json

if TYPE_CHECKING:
    from tracker.bench.soak import Soak

FileArgument = Annotated[Path, typer.Argument(metavar="FILE.csv", help="Table with its columns named in line one.")]


def register(app: typer.Typer) -> None:
    """Add the group `calc` and this module's verbs to the command line."""
    calc = typer.Typer(
        no_args_is_help=True,
        help="Bench computations on a file or a few numbers; nothing is recorded.",
        rich_markup_mode="rich",
    )
    app.add_typer(calc, name="calc")
    calc.command("soak")(soak)
    calc.command("current")(current)
    calc.command("clock")(clock)
    calc.command("conformity")(conformity)
    calc.command("plan")(plan)
    calc.command("interval")(interval)
    calc.command("life")(life)


def soak(
    file: FileArgument,
    from_rest: Annotated[
        bool, typer.Option("--from-rest", help="Fix the start at zero, or at ambient where that was measured.")
    ] = False,
    columns: ColumnOption = None,
    thermistor: Annotated[
        str | None,
        typer.Option(
            "--thermistor", metavar="COEFFICIENTS", help="What resistances mean: 'B=3950 K, 10 kohm at 25 C'."
        ),
    ] = None,
    cold_junction: Annotated[
        str | None,
        typer.Option("--cold-junction", metavar="TEMPERATURE", help="Cold junction of type K emfs: '22 C'."),
    ] = None,
    plot: Annotated[Path | None, typer.Option("--plot", metavar="FILE", help="Write a plot: .png or .svg.")] = None,
    as_json: JsonOption = False,
) -> None:
    """Fit a first-order rise to temperature against time.

    Columns for time, temp (or emf of type K, or resistance) and, if measured, ambient, which the part follows with its
    own time constant; units in their names (time_min, temp_f) or in the cells.
    """
    from tracker.desk.bench_words import slower_text
    from tracker.desk.soak_file import soak_file

    found = soak_file(
        file, from_rest=from_rest, columns=columns or (), thermistor=thermistor, cold_junction=cold_junction, plot=plot
    )
    if as_json:
        slower = None if found.slower is None else asdict(found.slower)
        more = {"slower": slower, "notes": found.notes, "plot": found.plot}
        print_json({"schema": "lotproof.calc.soak/1", **asdict(found.soak), **more})
    else:
        plotted = [("plot", found.plot)] if found.plot else []
        bound = [] if found.slower is None else [slower_text(found.slower.upper_k)]
        say([*with_key(_soak_text(found.soak)), *bound, *(("note", note) for note in found.notes), *plotted])


def current(file: FileArgument, columns: ColumnOption = None, as_json: JsonOption = False) -> None:
    """Fit the straight line I = I0 + k f, and weigh CMOS against NMOS and bipolar.

    Columns clock_hz, current_a and, if known, u_a: the standard uncertainty of each reading. Other units and names do,
    too: clock_khz, 'current (mA)'; or --column says which is which.
    """
    from tracker.desk.bench_words import current_line_text
    from tracker.desk.calc import current_file

    found, notes = current_file(file, columns or ())
    if as_json:
        print_json({"schema": "lotproof.calc.current/1", **asdict(found), **_models(), "notes": notes})
    else:
        say([*with_key(current_line_text(found)), *(("note", text) for text in notes)])


def clock(file: FileArgument, columns: ColumnOption = None, as_json: JsonOption = False) -> None:
    """Find the clock ceiling from steps that passed or failed.

    Columns clock_hz (or clock_mhz and so on) and passed (1 or 0, pass or fail, yes or no); or --column says which is
    which.
    """
    from tracker.desk.bench_words import ceiling_text
    from tracker.desk.calc import clock_file
    from tracker.desk.documents.bench import ceiling_said

    found, notes = clock_file(file, columns or ())
    if as_json:
        print_json({"schema": "lotproof.calc.clock/1", **asdict(ceiling_said(found)), "notes": notes})
    else:
        say([*ceiling_text(found), *(("note", text) for text in notes)])


def conformity(
    value: Annotated[float, typer.Option("--value", help="The measured value, a plain number.")],
    u: Annotated[float, typer.Option("--u", help="Its standard uncertainty, a number in the same unit.")],
    lower: Annotated[float | None, typer.Option("--lower", help="Lower limit.", show_default=False)] = None,
    upper: Annotated[float | None, typer.Option("--upper", help="Upper limit.", show_default=False)] = None,
    k: Annotated[float, typer.Option("--k", help="Coverage factor: the guard band is U = k u.")] = 2.0,
    as_json: JsonOption = False,
) -> None:
    """Say whether a value meets its limits: probability of conformity and guard-banded verdict."""
    from tracker.bench.figures import percent
    from tracker.desk.calc import conforms

    found = conforms(value, u, lower, upper, k)
    if as_json:
        print_json({"schema": "lotproof.calc.conformity/1", **asdict(found)})
        return
    say(
        [
            ("verdict", found.verdict),
            ("probability", f"{percent(found.probability)} that the value meets its limits"),
            ("rule", found.rule),
            ("source", found.source),
        ]
    )


def plan(
    lot: Annotated[int, typer.Option("--lot", help="Pieces in the lot.")],
    bad_fraction: Annotated[str, typer.Option("--bad-fraction", help="Fraction bad to be found: 0.1 or '10 %'.")],
    confidence: Annotated[str, typer.Option("--confidence", help="How surely: 0.9 or '90 %'.")],
    allowed: Annotated[int, typer.Option("--allowed", help="Failures with which the lot is still accepted.")] = 0,
    as_json: JsonOption = False,
) -> None:
    """Say how many pieces of a lot to test."""
    from tracker.bench.figures import percent
    from tracker.desk.calc import sampling_plan

    found = sampling_plan(lot, bad_fraction, confidence, allowed)
    if as_json:
        print_json({"schema": "lotproof.calc.plan/1", **asdict(found)})
        return
    say(
        [
            ("test", f"{found.n} of {found.lot} pieces; accept {_while(found.allowed)}"),
            (
                "finds",
                f"{found.bad_pieces} or more bad pieces, with probability {percent(found.reached_confidence)}",
            ),
            ("source", found.source),
        ]
    )


def _while(allowed: int) -> str:
    return f"while no more than {allowed} fail{'s' if allowed == 1 else ''}" if allowed else "only if none fails"


def interval(
    failed: Annotated[int, typer.Option("--failed", help="How many failed.")],
    tested: Annotated[int, typer.Option("--tested", help="How many were tested.")],
    confidence: Annotated[str, typer.Option("--confidence", help="Two-sided: 0.95 or '95 %'.")] = "0.95",
    as_json: JsonOption = False,
) -> None:
    """Give the exact interval for the fraction that fails."""
    from tracker.desk.calc import failure_interval

    found = failure_interval(failed, tested, confidence)
    if as_json:
        print_json({"schema": "lotproof.calc.interval/1", **asdict(found)})
        return
    say(
        [
            ("fraction", f"{100 * found.fraction:.3g} %, {found.failed} of {found.tested}"),
            (
                "interval",
                f"{100 * found.lower:.3g} % to {100 * found.upper:.3g} % ({100 * found.confidence:g} % confidence)",
            ),
            ("source", found.source),
        ]
    )


def life(
    from_text: Annotated[str, typer.Option("--from", metavar="T1", help="Temperature before: '125 C', '257 F'.")],
    to_text: Annotated[str, typer.Option("--to", metavar="T2", help="Temperature after.")],
    ea: Annotated[
        str | None,
        typer.Option("--ea", metavar="EV", help="Activation energy in eV (default: 0.7).", show_default=False),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Say by what factor expected life grows from one temperature to another (Arrhenius).

    A bare number is degrees Celsius.
    """
    from tracker.bench.life import DEFAULT_EA_SOURCE
    from tracker.desk.calc import life_factor

    found = life_factor(from_text, to_text, ea)
    ea_source = "stated" if ea is not None else DEFAULT_EA_SOURCE
    if as_json:
        print_json({"schema": "lotproof.calc.life/1", **asdict(found), "ea_source": ea_source})
        return
    say(
        [
            ("factor", f"{found.factor:.4g} from {found.from_c:g} C to {found.to_c:g} C at {found.ea_ev:g} eV"),
            ("energy", ea_source),
            ("source", found.source),
            ("caution", found.caution),
        ]
    )


def _soak_text(found: "Soak") -> list[tuple[str, str]]:
    from tracker.bench.figures import show_with_u

    final = found.final
    unit = "K above ambient" if found.above_ambient else "C"
    start = "0, fixed" if found.from_rest else show_with_u(found.start.value, found.start.se, unit)
    places = 4 if final.se <= 0 else min(max(1 - math.floor(math.log10(final.se)), 0), 9)  # two digits of the error
    lower, upper = (
        "not bounded" if end is None else f"{end:.{places}f}"
        for end in (final.likelihood_lower, final.likelihood_upper)
    )
    stated = f"{final.lower:.{places}f} to {final.upper:.{places}f}"
    return [
        ("rise", show_with_u(found.rise.value, found.rise.se, "K")),
        ("time constant", show_with_u(found.time_constant.value, found.time_constant.se, "s")),
        ("start", start),
        ("final", f"{show_with_u(final.value, final.se, unit)}; 95 %: {stated}"),
        ("", f"by likelihood {lower} to {upper}"),
        ("residual sd", f"{found.residual_sd:.3g} K over {_counted(found)}"),
        *(("caution", caution) for caution in found.cautions),
    ]


def _counted(found: "Soak") -> str:
    if found.n == found.readings:
        return f"{found.n} readings"
    return f"{found.n} means of {found.readings} readings"


def _models() -> dict[str, Any]:
    from tracker.bench.technology import MODELS, PRIOR_SOURCE

    return {
        "technology_models": {name: asdict(model) for name, model in MODELS.items()},
        "technology_prior": PRIOR_SOURCE,
    }


def with_key(rows: Iterable[tuple[str, str]]) -> list[tuple[str, str]]:
    """Return rows, and below them what a ± in them means, where there is one: some would take it for the most."""
    told = list(rows)
    if not any("±" in text for _, text in told):
        return told
    return [*told, ("", "± is one standard uncertainty; about twice as much, more with few readings, covers 95 %")]


def say(rows: Iterable[tuple[str, str]]) -> None:
    """Print what each row is and says; on a terminal, long rows are wrapped under themselves."""
    width = shutil.get_terminal_size().columns if sys.stdout.isatty() else 0
    for name, text in rows:
        line = f"{name:<14} {text}".rstrip()
        wrap = width > 40 and len(line) > width
        typer.echo(textwrap.fill(line, width, subsequent_indent=" " * 15, break_on_hyphens=False) if wrap else line)
