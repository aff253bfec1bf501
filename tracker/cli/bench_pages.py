"""What the help of a bench verb looks like: its options in groups, and a few lines to type.

Thirty options in one box are a wall. The verbs say what each option means; this page says in which order a person at
the bench needs them. A test holds it against the verbs, so that no option is left out.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

READINGS = "Readings"
LIVE = "Read from an instrument"
LIMIT = "What they are held against"
CONDITIONS = "Conditions, kept with the run"
OUTPUT = "How it runs and what it prints"
PLAN = "What is planned"

_KEPT = ("--how", "--json", "--fail-exit", "--workspace", "--operator")
_HELD = ("--supply", "--ambient", "--jig", "--instrument", "--remark")


@dataclass(frozen=True, slots=True)
class Page:
    """The groups of a verb's options (title, and the options in the order they are shown in), and its examples."""

    groups: Mapping[str, tuple[str, ...]]
    examples: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Verb:
    """Where a verb stands among the others: under which title."""

    name: str
    title: str


_PIECES = "Tests of a piece"
_MACHINES = "A machine, before and after a change"
_AROUND = "Before and around the tests"

BENCH_ORDER = (
    Verb("plan", _AROUND),
    Verb("read", _AROUND),
    Verb("current", _PIECES),
    Verb("clock", _PIECES),
    Verb("soak", _PIECES),
    Verb("signature", _PIECES),
    Verb("curve", _PIECES),
    Verb("in-circuit", _PIECES),
    Verb("power", _MACHINES),
    Verb("compare", _MACHINES),
)
BENCH_EXAMPLES = (
    "lotproof bench plan L0001",
    "lotproof bench current --how",
    "lotproof bench current L0001-03 --prompt",
)

PAGES = {
    "current": Page(
        {
            READINGS: ("--current", "--clock", "--at", "--prompt", "--from", "--column", "--u", "--clock-u"),
            LIVE: ("--read", "--count", "--every", "--query", "--log"),
            LIMIT: ("--limit", "--limit-source", "--limit-clock", "--k"),
            CONDITIONS: _HELD,
            OUTPUT: _KEPT,
        },
        (
            "lotproof bench current L0001-03 --prompt",
            'lotproof bench current L0001-03 --at "1 MHz=12.1 mA" --at "2 MHz=14.2 mA"',
            'lotproof bench current L0001-03 --from meter.csv --limit "10 mA"',
        ),
    ),
    "clock": Page(
        {
            READINGS: ("--at", "--prompt", "--from", "--column"),
            LIMIT: ("--grade", "--grade-source", "--grade-supply", "--grade-ambient", "--margin"),
            CONDITIONS: _HELD,
            OUTPUT: _KEPT,
        },
        (
            "lotproof bench clock L0001-03 --prompt",
            'lotproof bench clock L0001-03 --at "2 MHz=pass" --at "2.5 MHz=fail"',
        ),
    ),
    "soak": Page(
        {
            READINGS: (
                "--at",
                "--prompt",
                "--from",
                "--column",
                "--thermistor",
                "--cold-junction",
                "--cold",
                "--heat-on",
                "--spot",
                "--u",
            ),
            LIVE: ("--read", "--every", "--for", "--stop-early", "--query", "--log"),
            LIMIT: ("--limit", "--limit-temp", "--limit-source", "--aim", "--k"),
            CONDITIONS: ("--case", "--machine", *_HELD),
            OUTPUT: ("--plot", *_KEPT),
        },
        (
            'lotproof bench soak M0001 --prompt --ambient "23 C" --case',
            'lotproof bench soak L0001-03 --from soak.csv --limit "40 K" --plot soak.png',
        ),
    ),
    "signature": Page(
        {
            READINGS: ("--bytes", "--from", "--offset"),
            LIMIT: ("--maker",),
            CONDITIONS: _HELD,
            OUTPUT: _KEPT,
        },
        (
            'lotproof bench signature L0001-03 --bytes "1E 0D" --bytes "1E 0D"',
            "lotproof bench signature L0001-03 --from dump.hex --offset 0x200",
        ),
    ),
    "curve": Page(
        {
            READINGS: ("--from", "--common"),
            LIMIT: ("--exemplar",),
            CONDITIONS: _HELD,
            OUTPUT: ("--plot", *_KEPT),
        },
        ("lotproof bench curve L0001-03 --from pins.csv --exemplar L0002-01 --plot pins.png",),
    ),
    "in-circuit": Page(
        {
            READINGS: ("--runs", "--for", "--check", "--board-current-before", "--board-current-after", "--u"),
            LIMIT: ("--known-good", "--least"),
            CONDITIONS: ("--machine", *_HELD),
            OUTPUT: _KEPT,
        },
        (
            'lotproof bench in-circuit L0001-03 --runs --for "2 h" --check "keys=pass"',
            "lotproof bench in-circuit L0001-03 --does-not-run --known-good runs",
        ),
    ),
    "power": Page(
        {
            READINGS: ("--rail", "--mains-voltage", "--mains-current", "--mains-power", "--within"),
            LIMIT: ("--limit",),
            CONDITIONS: ("--ambient", "--instrument", "--remark"),
            OUTPUT: _KEPT,
        },
        ('lotproof bench power M0001 --rail "5 V=1.21 A" --mains-power "16.2 W"',),
    ),
    "compare": Page(
        {
            "What is compared": ("--minute", "--ea", "--ambient"),
            OUTPUT: ("--plot", "--json", "--workspace"),
        },
        (
            "lotproof bench compare B0006 B0007",
            'lotproof bench compare before=B0006 after=B0007 --minute "30 min" --plot rise.png',
        ),
    ),
    "plan": Page(
        {PLAN: ("--bad-fraction", "--confidence", "--have", "--table"), OUTPUT: ("--json", "--workspace")},
        ('lotproof bench plan L0001 --have "2 h"', "lotproof bench plan --table"),
    ),
    "read": Page(
        {
            READINGS: ("--to", "--what", "--every", "--count", "--for", "--clock"),
            LIVE: ("--query", "--timeout"),
            OUTPUT: ("--json",),
        },
        ("lotproof bench read TCPIP::192.0.2.7::5025::SOCKET --to board.csv --what temperature",),
    ),
}

CALC_EXAMPLES = {
    "soak": ("lotproof calc soak soak.csv --plot soak.png",),
    "current": ("lotproof calc current meter.csv",),
    "clock": ("lotproof calc clock steps.csv",),
    "conformity": ("lotproof calc conformity --value 5.6 --u 0.1 --upper 6",),
    "plan": ('lotproof calc plan --lot 20 --bad-fraction "10 %" --confidence "90 %"',),
    "interval": ("lotproof calc interval --failed 0 --tested 5",),
    "life": ('lotproof calc life --from "60 C" --to "50 C"',),
    "board-current": ('lotproof calc board-current --before "1.10 A" --after "0.90 A" --u "5 mA"',),
    "curve": ("lotproof calc curve pins.csv --exemplar known_good.csv",),
    "signature": ('lotproof calc signature --bytes "1E 0D"',),
}


def lay_out_calc(calc: Any) -> None:
    """Give each verb of the built group `calc` its examples."""
    for name, examples in CALC_EXAMPLES.items():
        if name in calc.commands:
            calc.commands[name].epilog = epilog(examples)


def lay_out(bench: Any) -> None:
    """Give the built group `bench` its order, and each of its verbs its groups and examples.

    Parameters
    ----------
    bench : typer.core.TyperGroup
        As `typer.main.get_command` built it, with all its verbs or only those that were asked for.
    """
    verbs = bench.commands
    for place in BENCH_ORDER:
        if place.name not in verbs:
            continue
        verb = verbs.pop(place.name)
        verbs[place.name] = verb
        verb.rich_help_panel = place.title
        _group(verb, PAGES[place.name])
    bench.epilog = epilog(BENCH_EXAMPLES)


def epilog(examples: tuple[str, ...]) -> str:
    """Return examples as the end of a help screen: each a paragraph, so that each stands on a line of its own."""
    return "\n\n".join(("Examples:" if len(examples) > 1 else "Example:", *examples))


def _group(verb: Any, page: Page) -> None:
    order = [(title, flag) for title, flags in page.groups.items() for flag in flags]
    flags = [flag for _, flag in order]

    def place(parameter: Any) -> int:
        return flags.index(parameter.opts[0]) if parameter.opts[0] in flags else -1

    for parameter in verb.params:
        if place(parameter) >= 0:
            parameter.rich_help_panel = order[place(parameter)][0]
    verb.params.sort(key=place)  # stable: arguments stay first and in their order
    # Else `--help` alone would make a box of its own, above all others.
    verb.get_help_option(verb.context_class(verb)).rich_help_panel = OUTPUT
    verb.epilog = epilog(page.examples)
