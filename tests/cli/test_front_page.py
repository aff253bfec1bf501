"""What is loaded for the first help page and for one verb says the same as the whole tree of verbs."""

import json
import os
import subprocess
import sys
from typing import Any

import pytest
import typer
from conftest import Lotproof

from tracker.cli.main import VERB_MODULES, app
from tracker.cli.tree import grown, needed, verbs
from tracker.cli.verb_table import MODULES
from tracker.cli.wording import plain_help
from tracker.errors import ExitCode

WHOLE: Any = plain_help(typer.main.get_command(app))
COLOURS = ({}, {"FORCE_COLOR": "1"}, {"FORCE_COLOR": "1", "NO_COLOR": "1"}, {"FORCE_COLOR": "1", "TERM": "dumb"})


@pytest.mark.parametrize("width", [20, 41, 80, 100, 173])
@pytest.mark.parametrize("colours", COLOURS, ids=lambda one: "+".join(one) or "plain")
def test_the_first_page_is_what_typer_would_print(
    width: int, colours: dict[str, str], lotproof: Lotproof, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("FORCE_COLOR", "NO_COLOR", "TERM"):
        monkeypatch.delenv(name, raising=False)
    for name, value in {"COLUMNS": str(width), **colours}.items():
        monkeypatch.setenv(name, value)
    ours = lotproof("--help")
    typers = lotproof("--debug", "--help")  # an option before it: Typer answers
    assert ours == typers
    assert ours.code == ExitCode.DONE
    assert ("\x1b[" in ours.out) == (bool(colours) and "TERM" not in colours)
    if not colours:
        assert max(map(len, ours.out.splitlines())) <= width


def test_a_bare_command_prints_the_page_too(lotproof: Lotproof, monkeypatch: pytest.MonkeyPatch) -> None:
    ours = lotproof()
    monkeypatch.setenv("TERMINAL_WIDTH", "80")  # a switch of Typer's own: it answers itself
    assert lotproof() == ours
    assert ours.code == ExitCode.BAD_REQUEST


def test_the_first_page_loads_neither_typer_nor_a_verb() -> None:
    program = (
        "import atexit, json, sys\n"
        "atexit.register(lambda: print(json.dumps(sorted(sys.modules)), file=sys.stderr))\n"
        "sys.argv = ['lotproof', '--help']\n"
        "from tracker.cli.main import run\n"
        "run()"
    )
    # What stands in ASCII alone where the terminal knows no more is Rich's affair; that it comes to an end is ours.
    surroundings = {**os.environ, "PYTHONIOENCODING": "ascii"}
    ran = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True, env=surroundings)
    loaded = set(json.loads(ran.stderr))
    assert "doctor" in ran.stdout
    assert not loaded & {"typer", "rich.markdown", "tracker.desk", "numpy"}
    assert {name for name in loaded if name.startswith("tracker.cli.")} == {
        "tracker.cli.main",
        "tracker.cli.front_page",
        "tracker.cli.verb_table",
    }


def described(command: Any) -> Any:
    """Return what a built command is: everything it says and takes, and its verbs."""
    kept = ("name", "opts", "secondary_opts", "help", "metavar", "required", "envvar", "rich_help_panel", "default")
    return (
        command.help,
        command.epilog,
        getattr(command, "rich_help_panel", None),
        [[str(getattr(one, name, None)) for name in kept] for one in command.params],
        {name: described(below) for name, below in getattr(command, "commands", {}).items()},
    )


def test_the_table_knows_every_verb() -> None:
    assert set(MODULES) == verbs(app)


@pytest.mark.parametrize("verb", MODULES)
def test_a_verb_by_itself_is_the_same_as_in_the_whole_tree(verb: str) -> None:
    words = verb.split()
    alone: Any = plain_help(typer.main.get_command(grown(needed([*words, "--json"], VERB_MODULES))))
    in_tree = WHOLE
    for word in words:
        alone, in_tree = alone.commands[word], in_tree.commands[word]
    assert described(alone) == described(in_tree)


@pytest.mark.parametrize(
    ("typed", "modules"),
    [
        ("list lots", ("answers",)),
        ("--debug list", ("answers",)),
        ("bench current L0001-01", ("bench",)),
        ("calc curve pins.csv", ("bench", "calc", "bench_curve")),
        ("bench --help current", MODULES["bench"]),
        ("bench curent", MODULES["bench"]),
        ("--help list", VERB_MODULES),
        ("--version list", VERB_MODULES),
        ("-- list", VERB_MODULES),
        ("lst", VERB_MODULES),
        ("", VERB_MODULES),
    ],
)
def test_what_a_command_line_loads(typed: str, modules: tuple[str, ...]) -> None:
    assert needed(typed.split(), VERB_MODULES) == modules


def test_the_version_is_the_same_with_and_without_typer(lotproof: Lotproof) -> None:
    assert lotproof("--version") == lotproof("--version", "list")
