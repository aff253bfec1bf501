"""The command line is made by calling `register` of each module, and by nothing else."""

import subprocess
import sys

import pytest
import typer

from tracker.cli.groups import group
from tracker.cli.main import VERB_MODULES, app
from tracker.cli.tree import grown

GROUPS = ("bench", "calc")


def verbs(top: typer.Typer) -> dict[str, list[str | None]]:
    """Return the names of all commands, by their group."""
    inside = {name: [command.name for command in group(top, name).registered_commands] for name in GROUPS}
    return {"": [command.name for command in top.registered_commands], **inside}


def test_registering_on_a_new_command_line_gives_the_same_verbs_once() -> None:
    other = grown(VERB_MODULES)
    assert verbs(other) == verbs(app)
    assert all(len(set(names)) == len(names) > 5 for names in verbs(other).values())


def test_importing_a_module_adds_nothing() -> None:
    # In a process of its own: here everything is imported already.
    program = (
        "import typer, tracker.cli.bench as bench\n"
        "from tracker.cli.groups import group\n"
        "import tracker.cli.bench_soak, tracker.cli.bench_curve\n"
        "app = typer.Typer()\n"
        "bench.register(app)\n"
        "print([one.name for one in group(app, 'bench').registered_commands])"
    )
    ran = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert ran.stdout.strip() == "['current', 'clock', 'in-circuit']"


def test_a_verb_before_its_group_is_an_error_of_ours() -> None:
    with pytest.raises(LookupError, match="no group bench yet"):
        group(typer.Typer(), "bench")
