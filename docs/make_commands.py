"""Writes docs/commands.md from the command line itself: every command with its arguments and options.

Run it after any change to a help text: `.venv/bin/python docs/make_commands.py`. A test compares the file with what
it makes.
"""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import typer

from tracker.cli.main import app
from tracker.cli.wording import plain_help

TARGET = Path(__file__).with_name("commands.md")
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
    print(f"{TARGET.name} written.")
