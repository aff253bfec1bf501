"""Canonical JSON (RFC 8785) of plain values, ten times as fast as the library: for growing large workshops only.

What is not plain (a number whose shortest form differs between Python and ECMAScript, keys beyond ASCII, other types)
goes to the library. `tests/test_growing.py` holds both against each other.
"""

from datetime import date
from json.encoder import encode_basestring  # type: ignore[attr-defined]
from typing import Any

import rfc8785

quoted = encode_basestring
"""JSON text of a string: what RFC 8785 asks for, since Python escapes the same characters in the same way."""
_EXACT = 2.0**53
_LEAST, _MOST = 1e-4, 1e15
"""Between these, Python's shortest decimal is written without an exponent, as ECMAScript's is."""


def canonical(value: Any) -> str:
    """Return the canonical JSON of a value; dates as YYYY-MM-DD."""
    kind = type(value)
    if kind is str:
        return quoted(value)
    if value is None:
        return "null"
    if kind is bool:
        return "true" if value else "false"
    if kind is int and -_EXACT < value < _EXACT:
        return str(value)
    if kind is float:
        return _number(value)
    if kind is dict and all(type(key) is str and key.isascii() for key in value):
        return "{" + ",".join([f"{quoted(key)}:{canonical(value[key])}" for key in sorted(value)]) + "}"
    if kind is list or kind is tuple:
        return "[" + ",".join([canonical(one) for one in value]) + "]"
    if isinstance(value, date):
        return quoted(value.isoformat())
    return rfc8785.dumps(value).decode("utf-8")


def _number(value: float) -> str:
    size = abs(value)
    if size < _MOST and value == int(value):
        return str(int(value))
    if _LEAST <= size < _MOST:
        return repr(value)
    return rfc8785.dumps(value).decode("utf-8")
