"""The library's own words, on help screens and in refusals, put into plain ones.

Typer describes values by their Python types and keeps the line breaks of docstrings; it passes on what its checker of
values says in the checker's words. A person at a bench should meet none of that.
"""

import re
from enum import EnumType
from pathlib import Path
from typing import Any

from tracker.errors import BadRequest

# What a value is called where a verb gave it no name of its own.
_NAMES: dict[Any, str] = {Path: "PATH", int: "NUMBER", float: "NUMBER", str: "TEXT"}


def plain_help(command: Any) -> Any:
    """Return a built command whose help, and that of all below it, is in plain words.

    Parameters
    ----------
    command : typer.core.TyperGroup or typer.core.TyperCommand
        As `typer.main.get_command` builds it; its class differs between Typer's versions.
    """
    if command.name in ("bench", "calc"):
        from tracker.cli.bench_pages import lay_out, lay_out_calc

        (lay_out if command.name == "bench" else lay_out_calc)(command)
    command.help = _joined(command.help)
    help_option = command.get_help_option(command.context_class(command))
    for parameter in [*command.params, *([help_option] if help_option else [])]:
        _name_value(parameter)
    if help_option:
        help_option.help = "Show this help."
    for below in getattr(command, "commands", {}).values():
        plain_help(below)
    return command


def _joined(text: str | None) -> str | None:
    """Each paragraph on one line: the terminal's width breaks it, not the source's."""
    return None if text is None else "\n\n".join(" ".join(part.split()) for part in text.split("\n\n"))


def _name_value(parameter: Any) -> None:
    if parameter.param_type_name == "argument":
        # The argument's name stands beside it already; a column with its type would say it again in Python.
        vars(parameter)["display_type_rich"] = lambda ctx: None
    elif getattr(parameter, "is_flag", False):
        parameter.metavar = ""
    elif parameter.metavar is None:
        kind = getattr(getattr(parameter, "type_descriptor", None), "annotation", None)
        parameter.metavar = "|".join(kind) if isinstance(kind, EnumType) else _NAMES.get(kind)
    # A range in mathematical signs; the sentence of help or the refusal says it in words.
    vars(parameter)["_get_number_range_help_str"] = lambda: None


def refusal(error: Exception) -> BadRequest | None:
    """Return what Typer says of a wrong command line as our own error; None for any other exception.

    It says nothing (an empty text) where it has printed the help instead.
    """
    say = getattr(error, "format_message", None)
    if say is None:
        return None
    path = getattr(getattr(error, "ctx", None), "command_path", None)
    advice = f"`{path} --help` says what can be asked." if path else "Add --help to see what can be asked."
    said = str(say())
    if said.startswith("Missing"):
        advice = " ".join(filter(None, (_example(error), advice)))
    return BadRequest(_plain(said), advice) if said else BadRequest("")


def _example(error: Any) -> str:
    """Return the first example of the command that was typed, for a sentence; nothing where it has none."""
    lines = (getattr(error.ctx.command, "epilog", None) or "").split("\n\n") if error.ctx else []
    typed = next((line for line in lines if line.startswith("lotproof ")), None)
    return f"As in: `{typed}`." if typed else ""


# (what the library says, what it means); tried in turn on the whole sentence.
_PLAIN = (
    (r"Missing (?:argument|parameter):? '(.+?)'.*", r"\1 is missing."),
    (r"Missing option '(.+?)'.*", r"\1 is missing."),
    (
        r"Invalid value for '(.+?)': (?:Value error, )?'(.*)' is not one of (.+?)\.?",
        r"\1 cannot be '\2'; it is one of \3.",
    ),
    (r"Invalid value for '(.+?)': Input should be a valid integer.*", r"\1 needs a whole number."),
    (r"Invalid value for '(.+?)': Input should be a valid number.*", r"\1 needs a plain number, without a unit."),
    (r"Invalid value for '(.+?)': Input should be greater than or equal to (.+)", r"\1 must be \2 or more."),
    (r"Invalid value for '(.+?)': Input should be less than or equal to (.+)", r"\1 must be \2 or less."),
    (r"Invalid value for '(.+?)': Input should be a finite number", r"\1 needs a finite number."),
    (r"No such option:? (\S+?)\.?(?: \(Possible options: (.+)\)| Did you mean (.+)\?)?", r"There is no option \1."),
    (r"No such command '(.+?)'\.(.*)", r"There is no command '\1'.\2"),
    (r"Option '(.+?)' does not take a value\.", r"\1 takes no value."),
    (r"Option '(.+?)' requires an argument\.", r"\1 needs a value."),
    (r"Got unexpected extra argument(?:s|\(s\))? \((.+)\)\.?", r"There is more than was expected: \1."),
)


def _plain(said: str) -> str:
    one_line = " ".join(said.split())
    for pattern, meaning in _PLAIN:
        found = re.fullmatch(pattern, one_line)
        if found:
            words = found.expand(meaning)
            if "one of" in meaning:
                start, _, choices = words.partition("one of ")
                words = f"{start}one of {choices.replace(chr(39), '')}"
            hint = re.search(r"(?:Possible options: |Did you mean )(--.+?)[)?]", one_line)
            return words + (f" Did you mean {hint[1]}?" if hint else "")
    return one_line if one_line.endswith((".", "?", "!")) else f"{one_line}."
