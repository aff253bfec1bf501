"""Cells that no spreadsheet takes for a formula, and back."""

import csv
import io

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tracker.dossier.tables import as_bytes, cell, harmless, plain

# As named on OWASP's page 'CSV Injection' (from memory).
DANGEROUS = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")
TEXTS = st.text(st.characters(exclude_categories=["Cs"]))
LIKELY = st.builds(str.__add__, st.text("'=+-@\t\r ", max_size=4), TEXTS)


@given(TEXTS | LIKELY)
def test_harmless_and_back(text: str) -> None:
    assert not harmless(text).startswith(DANGEROUS)
    assert plain(harmless(text)) == text


@given(TEXTS | LIKELY, TEXTS | LIKELY)
def test_two_texts_never_become_one_cell(one: str, other: str) -> None:
    assert (harmless(one) == harmless(other)) == (one == other)


@given(st.lists(st.tuples(TEXTS | LIKELY, st.floats(allow_nan=False, allow_infinity=False), st.integers())))
def test_through_a_file_and_the_standard_library(rows: list[tuple[str, float, int]]) -> None:
    data = as_bytes(("text", "number", "whole"), rows)
    read = list(csv.reader(io.StringIO(data.decode("utf-8"), newline="")))[1:]
    assert [(plain(text), float(number), int(whole)) for text, number, whole in read] == rows


@pytest.mark.parametrize(
    ("value", "written"),
    [
        (-3.5, "-3.5"),
        (-7, "-7"),
        ("-7", "'-7"),
        (True, "true"),
        (None, ""),
        ("", ""),
        ("'=1", "''=1"),
        ("'tis", "'tis"),
        ("a=b", "a=b"),
    ],
)
def test_numbers_stay_numbers(value: object, written: str) -> None:
    assert cell(value) == written
