"""The help of the bench and calc verbs: every option in a group, examples that can be typed, nothing lost on screen."""

import shlex
from typing import Any

import pytest
import rich.text
import typer
from conftest import Lotproof

from tracker.cli.bench_pages import BENCH_EXAMPLES, BENCH_ORDER, CALC_EXAMPLES, PAGES
from tracker.cli.main import app
from tracker.cli.wording import plain_help
from tracker.errors import ExitCode

PROGRAM: Any = plain_help(typer.main.get_command(app))
BENCH, CALC = PROGRAM.commands["bench"], PROGRAM.commands["calc"]
EXAMPLES = [
    *BENCH_EXAMPLES,
    *(example for page in PAGES.values() for example in page.examples),
    *(example for examples in CALC_EXAMPLES.values() for example in examples),
]


def options(verb: Any) -> list[Any]:
    return [one for one in verb.params if one.param_type_name == "option"]


@pytest.mark.parametrize("name", sorted(BENCH.commands))
def test_every_option_of_a_bench_verb_stands_in_one_group(name: str) -> None:
    listed = [flag for flags in PAGES[name].groups.values() for flag in flags]
    assert sorted(listed) == sorted(one.opts[0] for one in options(BENCH.commands[name]))
    assert all(one.rich_help_panel for one in options(BENCH.commands[name]))
    assert [one.opts[0] for one in options(BENCH.commands[name])] == listed


def test_the_order_names_every_verb_once() -> None:
    assert [place.name for place in BENCH_ORDER] == list(BENCH.commands)
    assert set(CALC_EXAMPLES) == set(CALC.commands)


@pytest.mark.parametrize("example", EXAMPLES)
def test_an_example_parses_as_it_stands(example: str) -> None:
    """Each fits a terminal of 100 columns, and the command line takes its words."""
    assert len(example) <= 98
    program, group, verb, *words = shlex.split(example)
    assert program == "lotproof"
    command = PROGRAM.commands[group].commands[verb]
    eager = {"--how"} & set(words)
    if not eager:
        with command.make_context(verb, words) as context:
            assert context.params


def walked(command: Any) -> list[Any]:
    return [command, *(one for below in getattr(command, "commands", {}).values() for one in walked(below))]


def test_no_help_text_loses_words_to_markup() -> None:
    """Square brackets are markup on a help screen: 'current [uA]' was shown as 'current '."""
    for command in walked(PROGRAM):
        for text in [command.help, *(getattr(one, "help", None) for one in command.params)]:
            if text:
                assert rich.text.Text.from_markup(text).plain == text


def test_what_is_missing_is_said_with_an_example(lotproof: Lotproof) -> None:
    ran = lotproof("bench", "current")
    assert ran.code == ExitCode.BAD_REQUEST
    assert "PIECE|MACHINE is missing." in ran.err
    assert "As in: `lotproof bench current L0001-03 --prompt`." in ran.err
