"""Quantities as somebody types them, on a command line or in a cell, and shares ('95 %')."""

import math

from fuzz_choices import Choices

from tracker.bench.units import KINDS, fraction, written

MODULES = ("tracker.bench",)
_NUMBERS = ("0", "96", "12.3", ".5", "5.", "+1.25", "-40", "1e3", "4.7E-6", "1000000", "0.000001", "9.9E37", "25")
_UNITS = (
    *sorted({spelling for kind in KINDS.values() for spelling, _ in kind.aliases}),
    "A",
    "mA",
    "uA",
    "µA",
    "kHz",
    "MHz",
    "V",
    "mV",
    "degC",
    "degF",
    "kelvin",
    "s",
    "min",
    "h",
    "days",
    "kohm",
    "eV",
    "%",
    "m",
    "kg",
    "A*s",
    "A/s",
    "A**2",
    "VA",
    "dB",
    "dBm",
    "delta_degC",
    "1/s",
    "mA h",
    "(A)",
    "A A",
    "2 A",
)
_KINDS = tuple(KINDS)


def made(pick: Choices) -> bytes:
    """Return which kind is asked for and what was typed: mostly a unit of that kind, spoiled once or twice."""
    asked = pick.whole(0, 255)
    number = pick.one(_NUMBERS) if pick.often(60) else f"{pick.whole(-(10**6), 10**6)}e{pick.whole(-20, 20)}"
    own = [spelling for spelling, _ in KINDS[_KINDS[asked % len(_KINDS)]].aliases]
    text = f"{number}{pick.one(('', ' ', '  '))}{pick.one(own if pick.often(60) else _UNITS)}"
    for _ in range(max(0, pick.whole(0, 4) - 2)):
        text = pick.spoiled(text)
    return bytes([asked]) + text.encode("utf-8", "surrogatepass")


def one_case(data: bytes) -> str:
    """Read a quantity; what is accepted is shown in plain letters, lies in its range and is read back as written."""
    kind = _KINDS[data[0] % len(_KINDS)] if data else _KINDS[0]
    text = data[1:].decode("utf-8", "surrogatepass") if _sound(data[1:]) else data[1:].decode("utf-8", "replace")
    if data and data[0] >= 230:
        value = fraction(text, "the confidence", both_ends=bool(data[0] & 1))
        assert 0.0 <= value <= 1.0
        return "a share"
    found = written(text, kind)
    wanted = KINDS[kind]
    assert math.isfinite(found.value)
    assert math.isfinite(found.step)
    assert found.step >= 0
    assert wanted.lowest <= found.value <= wanted.highest
    assert found.text.isprintable(), f"accepted with characters that do not print: {text!r}"
    again = written(f"{found.value!r} {wanted.unit}", kind)
    assert math.isclose(again.value, found.value, rel_tol=1e-12, abs_tol=1e-9), (text, found.value, again.value)
    return f"accepted as {kind}"


def _sound(data: bytes) -> bool:
    try:
        data.decode("utf-8", "surrogatepass")
    except UnicodeDecodeError:
        return False
    return True
