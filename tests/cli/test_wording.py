"""Help and refusals as a person meets them: no Python types, no broken paragraphs, one sentence and exit code 2."""

import pytest
import typer
from conftest import Lotproof

from tracker.cli.main import app
from tracker.cli.wording import plain_help, refusal
from tracker.errors import ExitCode


def every_path() -> list[str]:
    """Return every command as typed, groups and the program itself among them."""

    def below(command: object, path: list[str]) -> list[str]:
        found = [" ".join(path)]
        for name, sub in getattr(command, "commands", {}).items():
            found += below(sub, [*path, name])
        return found

    return below(typer.main.get_command(app), [])


@pytest.mark.parametrize("path", every_path())
def test_help_names_no_python_type(path: str, lotproof: Lotproof) -> None:
    ran = lotproof(*path.split(), "--help")
    assert ran.code == ExitCode.DONE
    assert "Usage: lotproof" in ran.out
    for word in ("<", "list[", "PosixPath", "None", "bool"):
        assert word not in ran.out


def test_paragraphs_are_broken_by_the_terminal_only() -> None:
    command = plain_help(typer.main.get_command(app))
    assert all(
        "\n" not in paragraph for sub in command.commands.values() for paragraph in (sub.help or "").split("\n\n")
    )
    assert "\n\n" in command.commands["demo"].help


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ("show", "LABEL is missing."),
        ("calc plan", "--lot is missing."),
        ("calc plan --lot x", "--lot needs a whole number."),
        ("calc conformity --value 1 --u x", "--u needs a plain number, without a unit."),
        ("list pices", "LIST cannot be 'pices'; it is one of lots, pieces, sellers, machines, runs."),
        ("list lots --limit 0", "--limit must be 1 or more."),
        ("list lots --min-suspicion 1.5", "--min-suspicion must be 1 or less."),
        ("list lots --limit", "--limit needs a value."),
        ("list lots --json=3", "--json takes no value."),
        ("list lots --lmit 3", "There is no option --lmit. Did you mean --limit, --lot?"),
        ("fitt", "There is no command 'fitt'. Did you mean 'fit', 'unfit'?"),
        ("show L0001 L0002", "There is more than was expected: L0002."),
    ],
)
def test_a_wrong_command_line_gets_one_sentence_and_what_to_do(typed: str, said: str, lotproof: Lotproof) -> None:
    ran = lotproof(*typed.split())
    assert ran.code == ExitCode.BAD_REQUEST
    assert ran.out == ""
    first, advice = ran.err.splitlines()
    assert first == f"lotproof: {said}"
    assert "--help" in advice


def test_a_bare_group_prints_its_help_and_no_error(lotproof: Lotproof) -> None:
    ran = lotproof("bench")
    assert ran.code == ExitCode.BAD_REQUEST
    assert "in-circuit" in ran.out + ran.err
    assert "lotproof:" not in ran.err


def test_other_exceptions_are_not_taken_for_refusals() -> None:
    assert refusal(ValueError("x")) is None
