"""`lotproof datecode` as a user meets it."""

import json
import subprocess
import sys

import pytest
from typer.testing import CliRunner

from tracker.cli.main import app


def run(*words):
    return subprocess.run(
        [sys.executable, "-m", "tracker.cli.main", "datecode", *words], capture_output=True, text=True, check=False
    )


def ask(*words):
    result = CliRunner().invoke(app, ["datecode", "--json", *words])
    assert result.exit_code == 0, result.output
    return json.loads(result.stdout)


def test_the_contract():
    answer = ask("--by", "2020-01-01", "--maker", "Corvane", "--", "CV6522AP 9117", "-8P X")
    assert answer["schema"] == "lotproof.datecode/1"
    dated, undated = answer["markings"]
    assert dated["text"] == "CV6522AP 9117"
    assert undated["candidates"] == []
    top = dated["candidates"][0]
    assert {"text", "year", "week", "month", "style", "probability", "source"} <= top.keys()
    assert (top["text"], top["year"], top["week"], top["month"]) == ("9117", 1991, 17, None)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["CV6522AP 9117", "--by", "2026-02-30"], "2026-02-30 is not a date of the calendar"),
        (["CV6522AP 9117", "--by", "2026-W09-6"], "is not a date of the calendar"),
        (["CV6522AP 9117", "--by", "tomorrow"], "is not a date of the calendar"),
        (["A" * 2000], "has 2000 characters"),
    ],
)
def test_bad_requests_say_what_was_wrong(words, said):
    result = run(*words)
    assert result.returncode == 2
    assert said in result.stderr
    assert "Traceback" not in result.stderr
    assert result.stdout == ""


def test_text_for_people():
    result = CliRunner().invoke(app, ["datecode", "CV6522AP 9117", "CV6522AP 9154", "--by", "2020-01-01"])
    assert result.exit_code == 0
    assert "1991 week 17" in result.stdout
    assert "no year has a week 54" in result.stdout


def test_an_unknown_maker_is_mentioned_and_json_stays_one_document():
    result = run("CV6522AP 9117", "--maker", "Nobody & Sons", "--json", "--by", "2020-01-01")
    assert result.returncode == 0
    assert "Nobody & Sons" in result.stderr
    assert json.loads(result.stdout)["markings"][0]["candidates"]
