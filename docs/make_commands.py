"""Writes docs/commands.md from the command line itself: every command with its arguments and options.

Beside it tracker/cli/verb_table.py, from which the first help page is printed and which says what each verb loads.
Run it after any change to a help text or a verb: `.venv/bin/python docs/make_commands.py`. A test compares both files
with what it makes.
"""

from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

import typer

from tracker.cli import verb_table
from tracker.cli.main import VERB_MODULES, app
from tracker.cli.tree import grown, verbs
from tracker.cli.wording import plain_help

TARGET = Path(__file__).with_name("commands.md")
TABLE = Path(verb_table.__file__)
TABLE_HEAD = '''\
"""What the first help page says, and which modules each verb needs: made by docs/make_commands.py, never by hand."""

# fmt: off
# ruff: noqa: E501
'''
HEAD = """# Commands

Made by `docs/make_commands.py` from the help of the commands; edit the help, not this file. Every command also has
`--help`.
"""


def program() -> Any:
    """Return the built command line with its help in plain words."""
    return plain_help(typer.main.get_command(app))


def walk(command: Any, path: str = "lotproof") -> Iterator[tuple[str, Any]]:
    """Yield (command as typed, command) for the program, every group and every command."""
    yield path, command
    for name, below in getattr(command, "commands", {}).items():
        yield from walk(below, f"{path} {name}")


def document() -> str:
    """Return the whole text of docs/commands.md."""
    return HEAD + "".join(_section(path, command) for path, command in walk(program()))


def table() -> str:
    """Return the whole text of tracker/cli/verb_table.py."""
    top = program()
    context = top.context_class(top, info_name="lotproof")
    # Of a parameter only what our own options of the first page use: a long name, a sentence, an environment variable.
    options = [(one.opts[0], one.help, one.envvar) for one in top.get_params(context)]
    sentences = [(name, _first_sentence(below)) for name, below in top.commands.items()]
    modules = _modules().items()
    return TABLE_HEAD + "".join(
        (
            f"USAGE = {' '.join(['lotproof', *top.collect_usage_pieces(context)])!r}\n",
            f"HELP = {top.help!r}\n",
            f"EPILOG = {top.epilog!r}\n",
            _rows("OPTIONS: tuple[tuple[str, str, str | None], ...] = (", map(repr, options), ")"),
            _rows("VERBS = (", map(repr, sentences), ")"),
            _rows("MODULES: dict[str, tuple[str, ...]] = {", (f"{verb!r}: {names!r}" for verb, names in modules), "}"),
        )
    )


def _modules() -> dict[str, tuple[str, ...]]:
    """Return which modules each verb needs: its own, and those that made the groups its own adds verbs to."""
    needs: dict[str, set[str]] = {}
    made_by: dict[str, str] = {}
    known: set[str] = set()
    for count, module in enumerate(VERB_MODULES, start=1):
        all_now = verbs(grown(VERB_MODULES[:count]))
        new = sorted(all_now - known)
        groups = {verb.partition(" ")[0] for verb in new if " " in verb}
        together = {module, *(made_by.setdefault(group, module) for group in groups)}
        for verb in new:
            needs[verb] = together
        for group in groups:
            needs[group] = needs.get(group, set()) | together
        known = all_now
    return {verb: tuple(filter(names.__contains__, VERB_MODULES)) for verb, names in sorted(needs.items())}


def _rows(begin: str, rows: Iterable[str], end: str) -> str:
    return "\n".join([begin, *(f"    {row}," for row in rows), end, ""])


def _section(path: str, command: Any) -> str:
    parts = [f"\n## {path}\n", f"{command.help}\n", f"    {_usage(path, command)}\n"]
    below = getattr(command, "commands", None)
    if below:
        parts.append("".join(f"- `{path} {name}`: {_first_sentence(sub)}\n" for name, sub in below.items()))
    arguments = [one for one in command.params if one.param_type_name == "argument"]
    options = [one for one in command.params if one.param_type_name == "option"]
    if arguments:
        parts.append(_table("Argument", [(f"`{one.metavar}`", _meaning(one)) for one in arguments]))
    if options:
        parts.append(_table("Option", [(f"`{spelled(one)}`", _meaning(one)) for one in options]))
    if command.epilog:
        parts.append(_end(command.epilog))
    return "\n".join(parts)


def _usage(path: str, command: Any) -> str:
    words = [path]
    for one in command.params:
        if one.param_type_name == "argument":
            words.append(one.metavar if one.required else f"[{one.metavar}]")
        elif one.required:
            words.append(spelled(one))
    words.append("COMMAND" if getattr(command, "commands", None) else "[OPTIONS]")
    return " ".join(words)


def spelled(option: Any) -> str:
    """Return an option as it is typed, with the name of its value where it takes one."""
    names = "/".join([*option.opts, *option.secondary_opts])
    return f"{names} {option.metavar}" if option.metavar else names


def _meaning(one: Any) -> str:
    said = [one.help or ""]
    if one.required:
        said.append("Needed.")
    elif one.show_default and one.default not in (None, False, [], ()):
        said.append(f"Default: {getattr(one.default, 'value', one.default)}.")
    if one.envvar:
        said.append(f"From the environment: {one.envvar}.")
    return " ".join(said).replace("|", "\\|")


def _table(title: str, rows: list[tuple[str, str]]) -> str:
    head = f"| {title} | meaning |\n| --- | --- |\n"
    return head + "".join(f"| {name.replace('|', chr(92) + '|')} | {meaning} |\n" for name, meaning in rows)


def _end(epilog: str) -> str:
    """Return the end of a help screen: what is to be typed in a block, the rest as text."""
    lines = epilog.split("\n\n")
    typed = [f"    {line}\n" for line in lines if line.startswith("lotproof ")]
    text = [f"{line}\n" for line in lines if not line.startswith("lotproof ")]
    return "\n".join([*text, *(["".join(typed)] if typed else [])])


def _first_sentence(command: Any) -> str:
    return str(command.help).split("\n\n")[0]


if __name__ == "__main__":
    TARGET.write_text(document(), encoding="utf-8")
    TABLE.write_text(table(), encoding="utf-8")
    print(f"{TARGET.name} and {TABLE.name} written.")
