"""The docs against the code: commands, options, paths, exit codes, examples, and the source beside every value."""

import importlib.util
import re
import shlex
import tomllib
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
import typer
from PIL import Image

from tracker.cli.main import app
from tracker.desk import place
from tracker.errors import ExitCode
from tracker.judgement.counts import Counts
from tracker.judgement.weights import decibans, families, indicators
from tracker.knowledge import datestyles

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
COMMANDS = (ROOT / "docs" / "commands.md").read_text(encoding="utf-8")
DATA = sorted([*ROOT.glob("tracker/knowledge/*.toml"), *ROOT.glob("tracker/judgement/*.toml")])


def commands() -> dict[str, Any]:
    """Return every command of the program by what is typed, groups among them; made without docs/make_commands.py."""

    def below(command: Any, path: str) -> Iterator[tuple[str, Any]]:
        yield path, command
        for name, sub in getattr(command, "commands", {}).items():
            yield from below(sub, f"{path} {name}")

    return dict(below(typer.main.get_command(app), "lotproof"))


def blocks(text: str, kind: str) -> list[str]:
    """Return the fenced blocks of one kind."""
    return re.findall(rf"^ *```{kind}\n(.*?)^ *```$", text, re.DOTALL | re.MULTILINE)


def in_backticks(text: str) -> list[str]:
    """Return what stands in single backticks outside fenced blocks, broken lines joined."""
    bare = re.sub(r"^ *```.*?^ *```$", "", text, flags=re.DOTALL | re.MULTILINE)
    return [" ".join(found.split()) for found in re.findall(r"`([^`]+)`", bare)]


def make_commands() -> ModuleType:
    """Return docs/make_commands.py as a module."""
    spec = importlib.util.spec_from_file_location("make_commands", ROOT / "docs" / "make_commands.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


# --- docs/commands.md -------------------------------------------------------------------------------------------------


def test_commands_are_documented_as_they_are_now() -> None:
    assert make_commands().document() == COMMANDS, "run: .venv/bin/python docs/make_commands.py"


def test_the_table_of_verbs_is_as_they_are_now() -> None:
    table = (ROOT / "tracker" / "cli" / "verb_table.py").read_text(encoding="utf-8")
    assert make_commands().table() == table, "run: .venv/bin/python docs/make_commands.py"


def test_every_command_has_its_heading_and_no_other() -> None:
    assert sorted(re.findall(r"^## (.+)$", COMMANDS, re.MULTILINE)) == sorted(commands())


@pytest.mark.parametrize("path", commands())
def test_options_are_documented_both_ways(path: str) -> None:
    section = re.search(rf"^## {re.escape(path)}$(.*?)(?=^## |\Z)", COMMANDS, re.DOTALL | re.MULTILINE)
    assert section is not None
    told = {flag for cell in re.findall(r"^\| `(--[^`]*)`", section[1], re.MULTILINE) for flag in _flags(cell)}
    there = {
        flag
        for one in commands()[path].params
        if one.param_type_name == "option"
        for flag in (*one.opts, *one.secondary_opts)
    }
    assert told == there


def _flags(cell: str) -> list[str]:
    return cell.split(" ")[0].split("/")


@pytest.mark.parametrize("path", commands())
def test_every_command_option_and_argument_says_what_it_is(path: str) -> None:
    command = commands()[path]
    assert command.help
    assert command.help.split("\n\n")[0].rstrip().endswith(".")
    for one in command.params:
        assert one.help, f"{path} {one.name}"
        assert one.help.rstrip().endswith("."), f"{path} {one.name}: {one.help}"


# --- README.md and DEVELOPERS.md --------------------------------------------------------------------------------------


def lotproof_lines(text: str) -> list[str]:
    """Return every command line of ours in a text: in shell blocks, and in backticks."""
    typed = [line for block in blocks(text, "sh") for line in block.splitlines()]
    return [line for line in [*typed, *in_backticks(text)] if re.match(r"lotproof( |$)", line)]


def resolved(line: str) -> tuple[Any, list[str]]:
    """Return the command that a line calls and the words after its name; fails where there is none."""
    words = shlex.split(line)[1:]
    command: Any = typer.main.get_command(app)
    while words and hasattr(command, "commands"):
        if words[0].startswith("--"):
            break
        assert words[0] in command.commands, f"no command: {line}"
        command = command.commands[words.pop(0)]
    return command, words


@pytest.mark.parametrize("line", sorted({*lotproof_lines(README), *lotproof_lines(DEVELOPERS)}))
def test_command_lines_name_commands_and_options_that_exist(line: str) -> None:
    command, words = resolved(line)
    known = {flag for one in command.params for flag in (*one.opts, *one.secondary_opts)} | {"--help"}
    assert [word for word in words if word.startswith("--") and word.split("=")[0] not in known] == []


def test_the_day_in_readme_parses_as_typed() -> None:
    typed = [line for line in "\n".join(blocks(README, "sh")).splitlines() if line.startswith("lotproof")]
    assert len(typed) > 15
    for line in typed:
        command, words = resolved(line)
        if "--how" not in words:  # prints at once instead of parsing on
            command.make_context(line, words)


def test_the_top_of_readme_needs_two_commands_only() -> None:
    top = README.split("## What the demo prints")[0]
    assert re.findall(r"^    (.+)$", top, re.MULTILINE) == ["make demo", "make test"]


def test_exit_codes_are_all_listed_and_no_other() -> None:
    section = README.split("## Exit codes")[1].split("\n## ")[0]
    assert [int(code) for code in re.findall(r"^\| (\d+) \|", section, re.MULTILINE)] == sorted(map(int, ExitCode))


def named_paths(text: str) -> set[str]:
    """Return what looks like a file or folder of the repository, in backticks, links and shell blocks."""
    linked = re.findall(r"\]\(([^)#:]+)\)", text)
    typed = [word for block in blocks(text, "sh") for line in block.splitlines() for word in _words(line)]
    # A folder that is named must be one of ours; a bare file name counts where its ending says that it is a file.
    ours = [path.name for path in ROOT.iterdir() if path.is_dir() and not path.name.startswith(".")]
    shape = re.compile(rf"(?:{'|'.join(map(re.escape, ours))}|\.ci)/[\w./-]*|[\w-]+\.(?:py|toml|md|txt|jpg|csv)")
    found = {word for phrase in (*in_backticks(text), *typed) for word in phrase.split() if shape.fullmatch(word)}
    # Files of a workspace, not of the repository.
    return (found | set(linked)) - {place.SETTINGS, place.RECORDS}


def _words(line: str) -> list[str]:
    try:
        return shlex.split(line)
    except ValueError:
        return []


@pytest.mark.parametrize("path", sorted(named_paths(README) | named_paths(DEVELOPERS)))
def test_every_path_that_is_named_exists(path: str) -> None:
    assert (ROOT / path).exists()


def test_paths_are_found_in_the_docs_at_all() -> None:
    assert {"docs/annotated_lot.jpg", "LICENSE", "sample_images/marketplace_lot.jpg"} <= named_paths(README)
    assert {"vision/observations.py", "tracker/judgement/indicators.toml", ".ci/run"} <= named_paths(DEVELOPERS)


def test_the_house_is_drawn_as_it_stands() -> None:
    drawn = blocks(DEVELOPERS, "text")[0]
    parent, seen = "", set()
    for line in drawn.splitlines():
        name = line.split()[0]
        if line.startswith("  "):
            seen.add(f"{parent}{name}")
        else:
            parent = name
            seen.add(name)
    missing = [name for name in seen if not (ROOT / name).exists()]
    assert missing == []
    rooms = {f"tracker/{path.name}/" for path in (ROOT / "tracker").iterdir() if (path / "__init__.py").exists()}
    assert rooms <= seen


def test_make_targets_are_described_both_ways() -> None:
    phony = re.search(r"^\.PHONY: (.+)$", (ROOT / "Makefile").read_text(encoding="utf-8"), re.MULTILINE)
    assert phony is not None
    assert set(re.findall(r"^\| `make (\w+)` \|", DEVELOPERS, re.MULTILINE)) == set(phony[1].split())


def test_environment_variables_are_those_of_the_code() -> None:
    files = (path for room in ("tracker", "tests") for path in (ROOT / room).rglob("*.py"))
    code = "".join(path.read_text(encoding="utf-8") for path in files)
    for name in re.findall(r"LOTPROOF_[A-Z]+", README + DEVELOPERS):
        assert name in code


def test_the_picture_is_a_modest_jpeg() -> None:
    path = ROOT / "docs" / "annotated_lot.jpg"
    assert path.stat().st_size < 250_000
    with Image.open(path) as picture:
        assert picture.format == "JPEG"
        assert picture.width >= 800


def test_the_example_indicator_is_a_valid_one() -> None:
    (example,) = [block for block in blocks(DEVELOPERS, "toml") if "[indicator." in block]
    ((code, entry),) = tomllib.loads(example)["indicator"].items()
    assert code not in indicators()
    assert entry["family"] in families()
    bad, good = Counts(**entry["not_genuine"]), Counts(**entry["genuine"])
    said = re.search(r"about \+([\d.]+) decibans", DEVELOPERS)
    assert said is not None
    assert decibans((bad.present / bad.total) / (good.present / good.total)) == pytest.approx(float(said[1]), abs=0.05)


def test_the_example_style_reads_its_date() -> None:
    (example,) = [block for block in blocks(DEVELOPERS, "toml") if "[[style]]" in block]
    (entry,) = tomllib.loads(example)["style"]
    # ISO 8601: 1987 had 53 weeks, so week 33 exists.
    (when,) = datestyles.meanings(datestyles._style(entry), "33-87", latest=2030)
    assert (when.year, when.week) == (1987, 33)


# --- a source beside every value --------------------------------------------------------------------------------------


def unsourced(node: Any, path: str, *, inherited: bool = False) -> Iterator[str]:
    """Yield every table that holds values and has no source text of its own.

    A table inside another one may rest on that one's source; an entry of a list ([[...]]) may not.
    """
    if isinstance(node, list):
        for number, entry in enumerate(node):
            if isinstance(entry, dict):
                yield from unsourced(entry, f"{path}[{number}]")
        return
    source = node.get("source")
    sourced = inherited or (isinstance(source, str) and len(source.split()) > 1)
    below = {name: value for name, value in node.items() if _holds_tables(value)}
    if set(node) - set(below) - {"source", "schema"} and not sourced:
        yield path
    for name, value in below.items():
        yield from unsourced(value, f"{path}.{name}", inherited=sourced)


def _holds_tables(value: Any) -> bool:
    return isinstance(value, dict) or (isinstance(value, list) and any(isinstance(one, dict) for one in value))


@pytest.mark.parametrize("path", DATA, ids=lambda path: path.name)
def test_every_value_has_a_source(path: Path) -> None:
    assert list(unsourced(tomllib.loads(path.read_text(encoding="utf-8")), path.name)) == []


def test_data_files_are_looked_at() -> None:
    assert {"indicators.toml", "priors.toml", "families.toml", "date_styles.toml", "invented.toml"} <= {
        path.name for path in DATA
    }


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("[a]\nx = 1\nsource = 'from memory'\nb = { y = 2 }", []),
        ("[a]\nx = 1", ["t.a"]),
        ("[a]\nx = 1\nsource = ' '", ["t.a"]),
        ("[[p]]\nx = 1\nsource = 'from memory'\n[[p.q]]\ny = 2", ["t.p[0].q[0]"]),
        ("[a.b]\nx = 1", ["t.a.b"]),
        ("y = 2\n[a]\nx = 1\nsource = 'from memory'", ["t"]),
    ],
)
def test_a_missing_source_is_found(text: str, found: list[str]) -> None:
    assert list(unsourced(tomllib.loads(text), "t")) == found


def test_every_indicator_names_where_its_counts_come_from() -> None:
    declared = tomllib.loads((ROOT / "tracker/judgement/indicators.toml").read_text(encoding="utf-8"))
    for group in ("indicator", "family"):
        assert declared[group]
        for code, entry in declared[group].items():
            assert len(entry.get("source", "").split()) > 1, code
