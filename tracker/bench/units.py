"""Quantities as people write them: '96 mA', '4.2MHz', '78.8 F'. No unit, or one of another kind, is refused.

pint knows the prefixes and conversions; this room decides which units a bench uses for which kind of quantity, and
says in words what was wrong. A unit is never guessed for somebody who left it out.
"""

import math
import re
from dataclasses import dataclass
from functools import cache
from typing import Any

from tracker.errors import BadRequest


@dataclass(frozen=True, slots=True)
class Kind:
    """What one kind of quantity may look like.

    Parameters
    ----------
    name : str
        With its article, as it stands in a sentence: 'a current'.
    unit : str
        The pint name of the unit the value is returned in.
    spelled : str
        How that unit and its usual multiples are written, for the advice.
    bases : tuple of str
        Unprefixed pint unit names that are accepted.
    aliases : tuple of (str, str)
        Other spellings people use, and the pint spelling they stand for.
    lowest, highest : float
        Accepted range in `unit`, both ends included: what a workshop bench can meet (common practice, no source).
    """

    name: str
    unit: str
    spelled: str
    bases: tuple[str, ...]
    aliases: tuple[tuple[str, str], ...]
    lowest: float
    highest: float


@dataclass(frozen=True, slots=True)
class Written:
    """A quantity as it was written.

    Parameters
    ----------
    value : float
        In the unit of its kind (SI; degrees Celsius for a temperature).
    step : float
        What one unit of the last written digit is worth, in the same unit.
    text : str
        The text itself.
    """

    value: float
    step: float
    text: str


KINDS = {
    "current": Kind(
        "a current",
        "ampere",
        "A, mA or uA",
        ("ampere",),
        (("a", "A"), ("ma", "mA"), ("ua", "uA"), ("na", "nA"), ("amps", "A"), ("Amps", "A")),
        0.0,
        1000.0,
    ),
    "clock": Kind(
        "a clock rate",
        "hertz",
        "Hz, kHz or MHz",
        ("hertz",),
        tuple(
            (spelling, unit)
            for unit in ("Hz", "kHz", "MHz", "GHz")
            # 'mHz' is left out: as written it is a thousandth of a hertz, and the range below then says so.
            for spelling in {unit.lower(), unit.upper(), unit.capitalize(), unit[:1].upper() + unit[1:]}
            if spelling not in ("mHz", unit)
        ),
        0.0,
        1e11,
    ),
    "voltage": Kind(
        "a voltage", "volt", "V or mV", ("volt",), (("v", "V"), ("mv", "mV"), ("volts", "V")), -10_000.0, 10_000.0
    ),
    "temperature": Kind(
        "a temperature",
        "degree_Celsius",
        "C, F or K",
        ("degree_Celsius", "degree_Fahrenheit", "kelvin"),
        (
            *((spelling, "degC") for spelling in ("C", "c", "°C", "° C", "°c", "℃", "celsius", "Celsius")),
            *(
                (spelling, "degF")
                for spelling in ("F", "f", "°F", "° F", "°f", "℉", "deg F", "fahrenheit", "Fahrenheit")
            ),
            ("k", "kelvin"),
            ("K", "kelvin"),
        ),
        -273.15,
        2000.0,
    ),
    "time": Kind(
        "a time",
        "second",
        "s, min, h or days",
        ("second", "minute", "hour", "day"),
        (("m", "minute"), ("mins", "minute"), ("hrs", "hour"), ("hr", "hour"), ("sec", "second"), ("secs", "second")),
        0.0,
        1e9,
    ),
    "power": Kind(
        "a power",
        "watt",
        "W, mW or kW",
        ("watt",),
        (("w", "W"), ("mw", "mW"), ("kw", "kW"), ("watts", "W"), ("Watts", "W")),
        0.0,
        100_000.0,
    ),
    "temperature difference": Kind(
        "a temperature difference",
        "kelvin",
        "K, C or F",
        ("kelvin", "delta_degree_Celsius", "delta_degree_Fahrenheit"),
        (
            *((spelling, "kelvin") for spelling in ("K", "k", "C", "c", "°C", "℃", "degC", "celsius", "Celsius")),
            *((spelling, "delta_degF") for spelling in ("F", "f", "°F", "℉", "degF", "fahrenheit", "Fahrenheit")),
        ),
        0.0,
        100_000.0,  # the Beta of a thermistor is one, too
    ),
    "resistance": Kind(
        "a resistance",
        "ohm",
        "ohm or kohm",
        ("ohm",),
        (("Ω", "ohm"), ("kΩ", "kohm"), ("MΩ", "Mohm"), ("ohms", "ohm"), ("k", "kohm"), ("K", "kohm")),
        0.0,
        1e9,
    ),
    "energy": Kind("an energy", "electron_volt", "eV", ("electron_volt",), (("ev", "eV"), ("EV", "eV")), 0.0, 100.0),
}

_WRITTEN = re.compile(r"(?P<number>[+-]?(?:\d+(?P<dot>\.\d*)?|\.\d+)(?:[eE][+-]?\d{1,2})?)\s*(?P<unit>.*)", re.DOTALL)
_NOT_A_NUMBER = re.compile(r"[+-]?(nan|inf|infinity|∞)\b", re.IGNORECASE)
_OVERLOAD = re.compile(r"[+-]?(?:0?\.?O\.?L\.?|OVER ?LOAD|OVER ?FLOW|OVER|OVLD|OVL|OFL)(?![a-z])", re.IGNORECASE)
"""What meters show for a reading beyond their range; common practice, no source."""
_SCPI_OVERLOAD = 9.9e37  # SCPI-1999, volume 1, 7.2.1.4: infinity is sent as 9.9E37; 'not a number' as 9.91E37
_LONGEST_CITED = 60  # characters; a sentence stays one
_LOWEST_CLOCK_HZ = 0.1  # above 0 (a stopped clock): below this the writer meant another prefix; common practice
_OTHER_KINDS = {
    "a power in volts times amperes": "volt_ampere",
    "a length": "metre",
    "a mass": "gram",
    "a rate": "hertz",
}


def quantity(text: str, kind: str) -> float:
    """Return the value of `text` in the unit of its kind: A, Hz, V, degrees Celsius, s, K, ohm, eV.

    Parameters
    ----------
    text : str
        A number followed by a unit, with or without a space between.
    kind : str
        A key of KINDS: 'current', 'clock', 'voltage', 'temperature', 'time' ...

    Raises
    ------
    BadRequest
        No unit, an unknown unit, a unit of another kind, not a finite number, or a value no bench can meet.
    """
    return written(text, kind).value


def written(text: str, kind: str, *, bare_unit: str | None = None) -> Written:
    """Return the value of `text` together with the step of its last digit.

    Parameters
    ----------
    text, kind
        As in `quantity`.
    bare_unit : str, optional
        The unit a bare number has, where the command says that it may stand alone.

    Raises
    ------
    BadRequest
        As in `quantity`.
    """
    wanted = KINDS[kind]
    number, step, unit_text = _split(text, wanted)
    if not unit_text:
        if bare_unit is None:
            raise BadRequest(
                f"{cited(text)} has no unit, where {wanted.name} is needed.",
                f"Write the unit after the number: {wanted.spelled}.",
            )
        unit_text = bare_unit
    unit = _unit(unit_text, wanted, text)
    value = _convert(number, unit, wanted)
    _check_range(value, wanted, kind, text)
    return Written(value, abs(_convert(number + step, unit, wanted) - value), _one_line(text))


def fraction(text: str, name: str, *, both_ends: bool = False) -> float:
    """Return a share written as '0.95' or '95 %'.

    Parameters
    ----------
    text : str
    name : str
        What it is, as it stands in the sentence of an error: 'the confidence'.
    both_ends : bool
        Whether 0 and 1 themselves are accepted.

    Raises
    ------
    BadRequest
        Not a number, or not between 0 and 1.
    """
    found = _WRITTEN.fullmatch(text.strip())
    if not found or found["unit"].strip() not in ("", "%"):
        raise BadRequest(f"{cited(text)} cannot be {name}.", "Write a share such as 0.95 or '95 %'.")
    value = float(found["number"]) / (100.0 if found["unit"].strip() else 1.0)
    inside = 0.0 <= value <= 1.0 if both_ends else 0.0 < value < 1.0
    if not inside:
        number = float(found["number"])
        meant = (
            f"'{number:g} %' or {number / 100:g}"
            if not found["unit"].strip() and 1 < number < 100
            else "0.95 or '95 %'"
        )
        ends = "0 and 1" if not found["unit"].strip() else "0 and 100 %"
        raise BadRequest(f"{cited(text)} cannot be {name}: it must lie between {ends}.", f"Write {meant}.")
    return value


def cited(text: str) -> str:
    """Return a text in quotes for a sentence; a very long one by its beginning."""
    plain = text.strip()
    return repr(plain if len(plain) <= _LONGEST_CITED else f"{plain[: _LONGEST_CITED - 1]}…")


def refuse_overload(text: str) -> None:
    """Refuse what a meter shows or sends in place of a value beyond its range: OL, OVLD, 9.9E37.

    Raises
    ------
    BadRequest
        The text is that; the sentence says so.
    """
    plain = text.strip()
    number = _WRITTEN.fullmatch(plain)
    if _OVERLOAD.match(plain) or (number and not number["unit"][:1].isdigit() and _stands_for_none(number["number"])):
        raise BadRequest(
            f"{cited(text)} is no value: it is what a meter gives when it has none, as beyond its range.",
            "Choose a larger range and read again, or leave the reading out.",
        )


def _stands_for_none(number: str) -> bool:
    return _SCPI_OVERLOAD <= abs(float(number)) < 1e38


def _one_line(text: str) -> str:
    """Return a text with each run of white space, of whatever kind, as one space."""
    return " ".join(text.split())


def _split(text: str, wanted: Kind) -> tuple[float, float, str]:
    """Part a text into number, step of its last digit and unit text."""
    cleaned = _one_line(text).replace("−", "-").replace("μ", "µ")
    if not cleaned.isprintable():  # what cannot be seen could say another unit than is shown
        raise BadRequest(f"{cited(text)} holds characters that do not print.", "Type it again.")
    if not cleaned:
        raise BadRequest(f"An empty text cannot be {wanted.name}.", f"Write a number and its unit: {wanted.spelled}.")
    if _NOT_A_NUMBER.match(cleaned):
        raise BadRequest(f"{cited(text)} is not a finite number, where {wanted.name} is needed.", _advice(wanted))
    refuse_overload(cleaned)
    found = _WRITTEN.fullmatch(cleaned)
    if not found:
        raise BadRequest(f"{cited(text)} cannot be read as {wanted.name}.", _advice(wanted))
    if found["unit"].startswith(","):
        raise BadRequest(
            f"{cited(text)} has a comma in its number, which some read as thousands and some as decimals.",
            "Write a decimal point, and nothing between thousands.",
        )
    number = float(found["number"])
    if not math.isfinite(number):
        raise BadRequest(f"{cited(text)} is too large to be {wanted.name}.", _advice(wanted))
    return number, _last_digit(found["number"]), found["unit"].strip()


def _last_digit(number: str) -> float:
    """Return what one unit of the last written digit is worth: 0.1 for '12.3', 1 for '96'."""
    mantissa, _, exponent = number.lower().partition("e")
    decimals = len(mantissa.partition(".")[2])
    return float(10.0 ** (int(exponent or 0) - decimals))


def _unit(unit_text: str, wanted: Kind, text: str) -> Any:
    """Return the pint unit for what was written, if it is one of the kind's own."""
    spelling = dict(wanted.aliases).get(unit_text, unit_text)
    registry = _registry()
    try:
        unit = registry.parse_units(spelling)
    except Exception:  # pint raises half a dozen unrelated types for text it cannot read
        raise BadRequest(
            f"{cited(text)} has the unit {cited(unit_text)}, which is not known.", f"{_advice(wanted)}"
        ) from None
    if not _belongs(unit, wanted):
        raise BadRequest(
            f"{cited(text)} is {_kind_of(unit_text, unit)}, where {wanted.name} is needed.", _advice(wanted)
        )
    return unit


def _belongs(unit: Any, wanted: Kind) -> bool:
    """Return whether the unit is one plain unit, prefixed or not, of the kind."""
    names = dict(unit._units)
    return len(names) == 1 and next(iter(names.values())) == 1 and _base(next(iter(names))) in wanted.bases


def _kind_of(unit_text: str, unit: Any) -> str:
    """Return in words what a unit measures."""
    registry = _registry()
    for kind in KINDS.values():
        if unit_text in dict(kind.aliases) or _belongs(unit, kind):
            return kind.name
    if unit_text.strip() == "%":
        return "a share"
    for name, example in _OTHER_KINDS.items():
        if unit.dimensionality == registry.parse_units(example).dimensionality:
            return name
    return "something else"


def _base(name: str) -> str:
    """Return the unit name without its prefix: 'ampere' for 'milliampere'."""
    parsed = _registry().parse_unit_name(name)
    return str(parsed[0][1]) if parsed else name


def _convert(number: float, unit: Any, wanted: Kind) -> float:
    registry = _registry()
    return float(registry.Quantity(number, unit).to(wanted.unit).magnitude)


def _check_range(value: float, wanted: Kind, kind: str, text: str) -> None:
    if not math.isfinite(value) or not wanted.lowest <= value <= wanted.highest:
        reason = "is negative" if value < 0 == wanted.lowest else "is outside what a bench can meet"
        advice = "Check the polarity of the probes." if reason == "is negative" and kind == "current" else ""
        raise BadRequest(f"{cited(text)} {reason}, so it cannot be {wanted.name} here.", advice or _advice(wanted))
    if kind == "clock" and 0 < value < _LOWEST_CLOCK_HZ:
        raise BadRequest(f"{cited(text)} is {value:g} Hz, too slow for a clock.", "For megahertz write MHz.")


def _advice(wanted: Kind) -> str:
    return f"Write a number and its unit: {wanted.spelled}."


@cache
def _registry() -> Any:
    """Return the unit registry, built at the first use: building it takes a third of a second."""
    import pint

    return pint.UnitRegistry()
