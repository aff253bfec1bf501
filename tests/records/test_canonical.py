"""Our canonical JSON against the examples of RFC 8785 (from memory of its sections 3.2.2 and 3.2.3, appendix B)."""

import json
import struct

import pytest

from tracker.errors import BadRequest
from tracker.journal import canonical

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
