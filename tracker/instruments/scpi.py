"""What is asked of an instrument in SCPI, and what its answers mean.

Queries and special values are those of SCPI-1999 (Standard Commands for Programmable Instruments): volume 1, 7.2.1.4
infinity and 7.2.1.5 not a number; volume 2, the MEASure subsystem, whose DC node is the default and may be left out.
Chapter numbers from memory. *IDN? is a common command of IEEE 488.2.
"""

import math
import re
from dataclasses import dataclass

from tracker.errors import BadRequest

IDENTIFY = "*IDN?"
UNIT_OF_TEMPERATURE = "UNIT:TEMP?"
INFINITY = 9.9e37
NOT_A_NUMBER = 9.91e37
_NEAR = 1e-4  # of the special values, which instruments write with four to nine digits; common practice, no source
_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:\s*[eE]\s*[+-]?\d{1,3})?")  # IEEE 488.2: NR1, NR2, NR3
_LONGEST_SHOWN = 40
SOURCE = "SCPI-1999, MEASure subsystem"


@dataclass(frozen=True, slots=True)
class Quantity:
    """One thing an instrument measures.

    Parameters
    ----------
    name : str
    queries : tuple of str
        Tried in turn at the start; the first that is answered with a number is used.
    unit : str
        Of the values; also what may stand behind the number in an answer.
    column : str
        The name of its column in a table.
    lowest : float
        Below it the reading cannot be, in `unit`.
    """

    name: str
    queries: tuple[str, ...]
    unit: str
    column: str
    lowest: float = -math.inf


QUANTITIES = {
    one.name: one
    for one in (
        # Simple supplies know the short form only, some meters the long one only.
        Quantity("current", ("MEAS:CURR:DC?", "MEAS:CURR?"), "A", "current_a"),
        Quantity("voltage", ("MEAS:VOLT:DC?", "MEAS:VOLT?"), "V", "voltage_v"),
        Quantity("frequency", ("MEAS:FREQ?",), "Hz", "frequency_hz", 0.0),
        Quantity("temperature", ("MEAS:TEMP?",), "C", "temp_c", -273.15),
        Quantity("resistance", ("MEAS:RES?",), "ohm", "resistance_ohm"),
    )
}


@dataclass(frozen=True, slots=True)
class Answer:
    """What one answer means.

    Parameters
    ----------
    text : str
        As it came, without its end of line.
    value : float or None
        In the quantity's unit; None where the answer holds none.
    step : float
        What one step of the last digit is worth; 0 where there is no value.
    said : str
        Why there is no value, in a sentence; empty where there is one.
    """

    text: str
    value: float | None
    step: float = 0.0
    said: str = ""


def quantity(name: str) -> Quantity:
    """Return what is measured by its name.

    Raises
    ------
    BadRequest
        No such quantity.
    """
    if name not in QUANTITIES:
        raise BadRequest(f"{name!r} is nothing that can be read.", f"Say one of {', '.join(QUANTITIES)}.")
    return QUANTITIES[name]


def understand(text: str, wanted: Quantity, *, temperature_in: str = "C") -> Answer:
    """Return what an answer means.

    Parameters
    ----------
    text : str
        One line.
    wanted : Quantity
    temperature_in : str
        'C', 'F' or 'K': what the instrument gives temperatures in.
    """
    line = text.strip()
    shown = repr(line if len(line) <= _LONGEST_SHOWN else f"{line[:_LONGEST_SHOWN]}...")
    if not line:
        return Answer(line, None, said="The instrument answered with an empty line.")
    if "," in line:
        return Answer(line, None, said=f"The instrument answered {shown}: several values where one was asked for.")
    found = _NUMBER.match(line)
    if found is None:
        return Answer(line, None, said=f"The instrument answered {shown}, which is not a number.")
    behind = line[found.end() :].strip()
    if behind.lower() not in ("", wanted.unit.lower()):
        return Answer(line, None, said=f"The instrument answered {shown}, where a bare number in {wanted.unit} is due.")
    number = float(re.sub(r"\s", "", found.group()))
    told = _special(number)
    if told:
        return Answer(line, None, said=told)
    value = _celsius(number, temperature_in) if wanted.unit == "C" else number
    if value < wanted.lowest:
        return Answer(line, None, said=f"The instrument answered {shown}, lower than any {wanted.name} can be.")
    return Answer(line, value, _step(found.group()))


def unit_of_temperature(text: str) -> str | None:
    """Return 'C', 'F' or 'K' from an answer to UNIT:TEMP?, or None."""
    return {"C": "C", "CEL": "C", "F": "F", "FAR": "F", "K": "K"}.get(text.strip().strip('"').upper())


def _special(number: float) -> str:
    if not math.isfinite(number):
        return "The instrument answered with a number too large to be one."
    if abs(abs(number) - NOT_A_NUMBER) <= _NEAR * NOT_A_NUMBER:
        return "The instrument has no value to give (9.91E37, 'not a number' of SCPI-1999)."
    if abs(number) >= INFINITY * (1.0 - _NEAR):
        sign = "-" if number < 0 else ""
        return f"Overload: the instrument is out of its range ({sign}9.9E37, 'infinity' of SCPI-1999)."
    return ""


def _celsius(number: float, unit: str) -> float:
    # The definitions of the kelvin and of the degree Fahrenheit, exact.
    if unit == "F":
        return (number - 32.0) / 1.8
    return number - 273.15 if unit == "K" else number


def _step(number: str) -> float:
    mantissa, _, exponent = re.sub(r"\s", "", number).lower().partition("e")
    return float(10.0 ** (int(exponent or 0) - len(mantissa.partition(".")[2])))
