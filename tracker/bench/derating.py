"""What a clock measured on the bench says of the supply and temperature at which a grade must hold."""

import math
from dataclasses import dataclass

from tracker.bench.figures import show
from tracker.errors import BadRequest

PER_KELVIN = 0.003
PER_SUPPLY = 1.0
SOURCE = (
    "CMOS and NMOS slow down by about 0.3 % per kelvin (carrier mobility falls as T^-1.5 to T^-2.4: S. M. Sze, "
    "'Physics of Semiconductor Devices', from memory; about half of it is made up for by the falling threshold) and in "
    "proportion to the supply voltage near 5 V; common practice, no source"
)


@dataclass(frozen=True, slots=True)
class Conditions:
    """Supply in volts and ambient in degrees Celsius; None where not stated."""

    supply_v: float | None
    ambient_c: float | None


@dataclass(frozen=True, slots=True)
class Correction:
    """How many times the grade the part must reach on the bench, and why.

    Parameters
    ----------
    factor : float
        Above 1 where the bench is kinder than the grade's conditions.
    sentence : str
    source : str
    """

    factor: float
    sentence: str
    source: str = SOURCE


NONE = Correction(
    1.0,
    "not corrected for supply and temperature",
    "the grade's own conditions were not stated, so the margin stands for them; common practice, no source",
)


def correction(bench: Conditions, grade: Conditions) -> Correction:
    """Return the correction from bench conditions to those of the grade.

    Parameters
    ----------
    bench, grade : Conditions
        A quantity is corrected for where both state it.

    Raises
    ------
    BadRequest
        The grade's supply or ambient is stated and the bench's is not, or a supply is not above 0.
    """
    if grade.supply_v is None and grade.ambient_c is None:
        return NONE
    factor, told = 1.0, []
    if grade.supply_v is not None:
        if bench.supply_v is None:
            raise BadRequest(
                "The bench's supply was not stated, so the grade's cannot be allowed for.", "Add --supply."
            )
        for volts in (grade.supply_v, bench.supply_v):
            if not (math.isfinite(volts) and volts > 0):
                raise BadRequest(f"A supply of {volts:g} V cannot be corrected for.")
        factor *= (bench.supply_v / grade.supply_v) ** PER_SUPPLY
        told.append(f"from {show(bench.supply_v, 'V')} to {show(grade.supply_v, 'V')}")
    if grade.ambient_c is not None:
        if bench.ambient_c is None:
            raise BadRequest(
                "The bench's ambient was not stated, so the grade's cannot be allowed for.", "Add --ambient."
            )
        factor *= math.exp(PER_KELVIN * (grade.ambient_c - bench.ambient_c))
        told.append(f"from {bench.ambient_c:g} C to {grade.ambient_c:g} C")
    return Correction(factor, f"corrected {' and '.join(told)}: times {factor:.3f}")
