"""The tree of verbs that Typer runs: the whole of it, or what one command line needs."""

import os
from collections.abc import Sequence
from importlib import import_module
from itertools import dropwhile
from typing import Annotated

import typer

from tracker.cli.verb_table import MODULES


def _print_version(wanted: bool) -> None:
    if wanted:
        from tracker import __version__

        typer.echo(f"lotproof {__version__}")
        raise typer.Exit


def _top(
    version: Annotated[
        bool, typer.Option("--version", callback=_print_version, is_eager=True, help="Print the version.")
    ] = False,
    debug: Annotated[
        bool,
        typer.Option(
            "--debug", envvar="LOTPROOF_DEBUG", help="Show where in the program an error arose, for a report."
        ),
    ] = False,
) -> None:
    if debug:
        os.environ["LOTPROOF_DEBUG"] = "1"


def grown(modules: Sequence[str]) -> typer.Typer:
    """Return the command line with the verbs of these modules of `tracker.cli`, the group of a verb before the verb."""
    app = typer.Typer(
        name="lotproof",
        no_args_is_help=True,
        add_completion=False,
        pretty_exceptions_enable=False,
        rich_markup_mode="rich",
        help="Is this chip what its marking says? Log it, look at it, measure it, decide, and keep the proof.",
        epilog="Exit codes: 0 done; 1 the answer is no; 2 the request was wrong; 3 the workspace or a file is damaged; "
        "70 a fault in Lotproof itself.",
    )
    app.callback()(_top)
    for name in modules:
        import_module(f"tracker.cli.{name}").register(app)
    return app


def needed(words: Sequence[str], whole: Sequence[str]) -> Sequence[str]:
    """Return the modules that a command line needs.

    Parameters
    ----------
    words : sequence of str
        What was typed after the program's name.
    whole : sequence of str
        All modules: the answer where the first word is no verb of the table, so that what is near it can be named, and
        where an option other than `--debug` stands before it, which may ask for a page that lists all verbs.
    """
    rest = list(dropwhile(lambda word: word == "--debug", words))
    return MODULES.get(" ".join(rest[:2])) or MODULES.get(" ".join(rest[:1])) or whole


def verbs(app: typer.Typer) -> set[str]:
    """Return every verb and group of a command line as it is typed."""
    found = {str(one.name) for one in app.registered_commands}
    for group in app.registered_groups:
        inside = group.typer_instance.registered_commands if group.typer_instance else ()
        found |= {str(group.name), *(f"{group.name} {one.name}" for one in inside)}
    return found
