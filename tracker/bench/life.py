"""By what factor life grows when a part runs cooler: Arrhenius, with its activation energy stated."""

import math
from dataclasses import dataclass

from tracker.errors import BadRequest

BOLTZMANN_EV_PER_K = 8.617333262e-5  # CODATA 2018, exact in the SI
ZERO_CELSIUS_K = 273.15
DEFAULT_EA_EV = 0.7
DEFAULT_EA_SOURCE = "0.7 eV: usual for silicon devices in makers' reliability reports; common practice, no source"
CAUTION = (
    "An illustration, not a forecast: one activation energy stands for every way a part can fail, the same mechanism "
    "must rule at both temperatures, and moisture, cycling, voltage and handling are left out."
)
_LARGEST_EXPONENT = 700.0  # beyond it the factor does not fit a floating-point number


@dataclass(frozen=True, slots=True)
class Life:
    """The factor by which expected life grows from one temperature (degrees Celsius) to another."""

    factor: float
    from_c: float
    to_c: float
    ea_ev: float
    source: str = "Arrhenius: factor = exp(Ea/k (1/T_to - 1/T_from)); NIST/SEMATECH e-Handbook 8.1.5.1"
    caution: str = CAUTION


def factor(from_c: float, to_c: float, *, ea_ev: float = DEFAULT_EA_EV) -> Life:
    """Return the factor by which expected life grows from `from_c` to `to_c`.

    Parameters
    ----------
    from_c, to_c : float
        Degrees Celsius, above absolute zero.
    ea_ev : float
        Activation energy in electronvolts, above 0.

    Returns
    -------
    Life
        `factor` is above 1 when `to_c` is the cooler one.

    Raises
    ------
    BadRequest
        A temperature at or below absolute zero, an energy not above 0, or a factor beyond any number.
    """
    for celsius in (from_c, to_c):
        if not math.isfinite(celsius) or celsius <= -ZERO_CELSIUS_K:
            raise BadRequest(f"{celsius:g} C is not above absolute zero.")
    if not math.isfinite(ea_ev) or ea_ev <= 0:
        raise BadRequest(f"An activation energy must be above 0 eV, not {ea_ev:g}.", "0.3 to 1.2 eV are usual.")
    exponent = ea_ev / BOLTZMANN_EV_PER_K * (1.0 / (to_c + ZERO_CELSIUS_K) - 1.0 / (from_c + ZERO_CELSIUS_K))
    if abs(exponent) > _LARGEST_EXPONENT:
        raise BadRequest("The factor between these temperatures is beyond any number, and so beyond this law.")
    return Life(math.exp(exponent), from_c, to_c, ea_ev)
