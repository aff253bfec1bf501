"""Our canonical JSON against the examples of RFC 8785 (from memory of its sections 3.2.2 and 3.2.3, appendix B)."""

import json
import struct
from datetime import date
from typing import Any

import pytest
import rfc8785
from hypothesis import example, given
from hypothesis import strategies as st

from tracker.canonical import canonical, row_texts
from tracker.errors import BadRequest

# Appendix B: the bits of an IEEE 754 double, and how it is written.
NUMBERS = """
0000000000000000 0
8000000000000000 0
0000000000000001 5e-324
8000000000000001 -5e-324
7fefffffffffffff 1.7976931348623157e+308
ffefffffffffffff -1.7976931348623157e+308
4340000000000000 9007199254740992
c340000000000000 -9007199254740992
4430000000000000 295147905179352830000
44b52d02c7e14af5 9.999999999999997e+22
44b52d02c7e14af6 1e+23
44b52d02c7e14af7 1.0000000000000001e+23
444b1ae4d6e2ef4e 999999999999999700000
444b1ae4d6e2ef4f 999999999999999900000
444b1ae4d6e2ef50 1e+21
3eb0c6f7a0b5ed8c 9.999999999999997e-7
3eb0c6f7a0b5ed8d 0.000001
41b3de4355555553 333333333.3333332
41b3de4355555554 333333333.33333325
41b3de4355555555 333333333.3333333
41b3de4355555556 333333333.3333334
41b3de4355555557 333333333.33333343
becbf647612f3696 -0.0000033333333333333333
43143ff3c1cb0959 1424953923781206.2
"""


def _double(bits: str) -> float:
    return float(struct.unpack(">d", bytes.fromhex(bits))[0])


@pytest.mark.parametrize("line", NUMBERS.split("\n")[1:-1])
def test_numbers(line: str) -> None:
    bits, written = line.split(" ")
    assert canonical(_double(bits)) == written


@pytest.mark.parametrize("bits", ["7fffffffffffffff", "7ff0000000000000"])
def test_no_numbers(bits: str) -> None:
    with pytest.raises(BadRequest):
        canonical(_double(bits))


def test_values_and_strings() -> None:
    """Section 3.2.2."""
    text = r"""{
      "numbers": [333333333.33333329, 1E30, 4.50, 2e-3, 0.000000000000000000000000001],
      "string": "\u20ac$\u000F\u000aA'\u0042\u0022\u005c\\\"\/",
      "literals": [null, true, false]
    }"""
    right = (
        '{"literals":[null,true,false],"numbers":[333333333.3333333,1e+30,4.5,0.002,1e-27],'
        '"string":"€$\\u000f\\nA\'B\\"\\\\\\\\\\"/"}'
    )
    assert canonical(json.loads(text)) == right


def test_order_of_names_is_that_of_utf_16() -> None:
    """Section 3.2.3: by code units, so the grinning face (a surrogate pair) comes before the Hebrew letter."""
    names = {"\u20ac": 5, "\r": 1, "\ufb33": 7, "1": 2, "\U0001f600": 6, "\u0080": 3, "\u00f6": 4}
    assert list(json.loads(canonical(names)).values()) == [1, 2, 3, 4, 5, 6, 7]


# Where Python's own writer and ECMAScript's part: exponents, whole floats, the bounds of whole numbers, halves.
_EDGES = (1e-4, 9.999e-5, 1e-6, 1e-7, 1e15, 1e16, 1.5e16, 1e21, 1e22, 0.0, -0.0, 1.0, -3.0, 5e-324, float("nan"))
_ATOMS: st.SearchStrategy[Any] = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(-(2**54), 2**54),
    st.floats(),
    st.sampled_from(_EDGES),
    st.text(st.characters(), max_size=8),
    st.sampled_from(("\x00\x1f\x7f\u2028\u2029", "\ud800", "\U0001f600", '"\\/', "%s %%")),
)
_VALUES = st.recursive(
    _ATOMS,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=4), inner, max_size=4),
    max_leaves=12,
)


def _by_the_library(value: Any) -> str | None:
    try:
        return rfc8785.dumps(value).decode()
    except (rfc8785.CanonicalizationError, UnicodeError):
        return None


def _ours(value: Any) -> str | None:
    try:
        return canonical(value)
    except BadRequest:
        return None


@given(_VALUES)
@example({"a": 1.0})
@example({"a": {"b": [1e16, 2**53 - 1, -(2**53)]}})
@example({"\ufb33": 1, "\U0001f600": 2})
def test_the_quick_way_is_that_of_the_library(value: Any) -> None:
    """Both give the same text, and refuse the same."""
    assert _ours(value) == _by_the_library(value)


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_floats_are_those_of_the_library(value: float) -> None:
    assert canonical([value]) == rfc8785.dumps([value]).decode()
    assert row_texts(["v"], [[value]]) == [rfc8785.dumps({"v": value}).decode()]


@given(st.lists(st.tuples(_ATOMS, _ATOMS, st.integers(-9, 9), st.text(max_size=5)), max_size=5))
def test_rows_by_column_are_those_of_the_library(rows: list[tuple[Any, ...]]) -> None:
    """A table's rows at once are what each is by itself."""
    names = ["a%s", "b", "c", "d"]
    right = [_by_the_library(dict(zip(names, row, strict=True))) for row in rows]
    columns = list(zip(*rows, strict=True)) if rows else [[], [], [], []]
    if None in right:
        with pytest.raises(BadRequest):
            row_texts(names, columns)
    else:
        assert row_texts(names, columns) == right


def test_dates_in_rows_are_days() -> None:
    assert row_texts(["a", "b"], [[date(2031, 4, 2)], [None]]) == ['{"a":"2031-04-02","b":null}']
