"""Temperature from what a sensor gives: type K thermocouples by ITS-90, thermistors by Steinhart-Hart or Beta."""

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tracker.bench.units import quantity, written
from tracker.errors import BadRequest
from tracker.knowledge import facts

Array = NDArray[np.float64]
ZERO_C_K = 273.15
_STEPS = 4  # Newton steps from a table with a line every kelvin; two are enough above -250 C


@dataclass(frozen=True, slots=True)
class _Reference:
    """A thermocouple's reference function."""

    lowest_c: float
    highest_c: float
    below: Array
    above: Array
    bump: tuple[float, float, float]
    source: str


@cache
def _type_k() -> _Reference:
    entry = facts.table("thermometers.toml")["type-k"]
    return _Reference(
        lowest_c=entry["lowest_c"],
        highest_c=entry["highest_c"],
        below=np.array(entry["below_zero"]),
        above=np.array(entry["above_zero"]),
        bump=(entry["bump"][0], entry["bump"][1], entry["bump"][2]),
        source=facts.sourced(entry),
    )


def type_k_emf_mv(temp_c: ArrayLike) -> Array:
    """Return the emf of a type K thermocouple whose reference junction is at 0 C.

    Parameters
    ----------
    temp_c : array_like
        Degrees Celsius, -270 to 1372.

    Returns
    -------
    array
        Millivolts, same shape.

    Raises
    ------
    BadRequest
        A temperature outside the range of the function, or not finite.
    """
    t = np.asarray(temp_c, dtype=float)
    ref = _type_k()
    _inside(t, ref.lowest_c, ref.highest_c, "temperature", "C")
    return _emf(t)


def _emf(t: Array) -> Array:
    ref = _type_k()
    hot = np.polynomial.polynomial.polyval(t, ref.above) + ref.bump[0] * np.exp(ref.bump[1] * (t - ref.bump[2]) ** 2)
    emf: Array = np.where(t > 0.0, hot, np.polynomial.polynomial.polyval(t, ref.below))
    return emf


def _emf_slope(t: Array) -> Array:
    """Return the Seebeck coefficient, mV/K."""
    ref = _type_k()
    polynomial = np.polynomial.polynomial
    bump = ref.bump[0] * np.exp(ref.bump[1] * (t - ref.bump[2]) ** 2) * 2.0 * ref.bump[1] * (t - ref.bump[2])
    hot = polynomial.polyval(t, polynomial.polyder(ref.above)) + bump
    slope: Array = np.where(t > 0.0, hot, polynomial.polyval(t, polynomial.polyder(ref.below)))
    return slope


def type_k_temp_c(emf_mv: ArrayLike, cold_junction_c: ArrayLike = 0.0) -> Array:
    """Return the temperature of a type K thermocouple.

    Parameters
    ----------
    emf_mv : array_like
        What the voltmeter shows, millivolts.
    cold_junction_c : array_like
        Temperature of the reference junction, degrees Celsius. Its emf is added before the function is inverted: adding
        the temperatures instead would be wrong, as the function is not straight.

    Returns
    -------
    array
        Degrees Celsius. The function itself is inverted, so there is no error of an inverse polynomial in it.

    Raises
    ------
    BadRequest
        An emf no type K thermocouple gives.
    """
    total = np.asarray(emf_mv, dtype=float) + type_k_emf_mv(cold_junction_c)
    ref = _type_k()
    grid = np.arange(ref.lowest_c, ref.highest_c + 0.5)
    ends = _emf(grid)
    _inside(total, float(ends[0]), float(ends[-1]), "emf", "mV")
    t: Array = np.interp(total, ends, grid)
    for _ in range(_STEPS):
        t = np.clip(t - (_emf(t) - total) / np.maximum(_emf_slope(t), 1e-4), ref.lowest_c, ref.highest_c)
    return t


@dataclass(frozen=True, slots=True)
class Thermistor:
    """A thermistor by 1 / T = a + b ln R + c (ln R)^3, T in kelvin, R in ohms (Steinhart and Hart 1968).

    The Beta equation is the same with c = 0: b = 1 / Beta, a = 1 / T0 - ln(R0) / Beta.
    """

    a: float
    b: float
    c: float

    @classmethod
    def beta(cls, beta_k: float, ohm: float, at_c: float = 25.0) -> "Thermistor":
        """Return a thermistor from its Beta, and its resistance at one temperature."""
        if not (beta_k > 0 and ohm > 0 and at_c > -ZERO_C_K):
            raise BadRequest("A thermistor's Beta and resistance must be above 0.")
        return cls(1.0 / (at_c + ZERO_C_K) - math.log(ohm) / beta_k, 1.0 / beta_k, 0.0)

    @classmethod
    def through(cls, points: Sequence[tuple[float, float]]) -> "Thermistor":
        """Return the thermistor through three points (degrees Celsius, ohms).

        Raises
        ------
        BadRequest
            Not three different points with resistances above 0.
        """
        if len(points) != 3 or any(ohm <= 0 for _, ohm in points):
            raise BadRequest("Three points with resistances above 0 are needed.")
        logs = np.array([math.log(ohm) for _, ohm in points])
        try:
            found = np.linalg.solve(
                np.column_stack([np.ones(3), logs, logs**3]), [1.0 / (t + ZERO_C_K) for t, _ in points]
            )
        except np.linalg.LinAlgError:
            raise BadRequest("The three points are not different.") from None
        return cls(*map(float, found))

    def temp_c(self, ohm: ArrayLike) -> Array:
        """Return degrees Celsius.

        Raises
        ------
        BadRequest
            A resistance not above 0, or one at which these coefficients give no temperature.
        """
        r = np.asarray(ohm, dtype=float)
        if not (np.isfinite(r).all() and (r > 0).all()):
            raise BadRequest("A resistance is not a number above 0.")
        log = np.log(r)
        inverse = self.a + self.b * log + self.c * log**3
        if not (inverse > 1e-4).all():  # above 10,000 K
            raise BadRequest("A resistance is outside what these thermistor coefficients can turn into a temperature.")
        found: Array = 1.0 / inverse - ZERO_C_K
        return found


def thermistor(text: str) -> Thermistor:
    """Return the thermistor described by 'B=3950 K, 10 kohm at 25 C' or 'A=1.129e-3, B=2.341e-4, C=8.775e-8'.

    Raises
    ------
    BadRequest
        It is written otherwise.
    """
    parts = [part.strip() for part in text.split(",") if part.strip()]
    named = {found[1].lower(): found[2].strip() for found in (_NAMED.fullmatch(part) for part in parts) if found}
    rest = [part for part in parts if not _NAMED.fullmatch(part)]
    if set(named) == {"a", "b", "c"} and not rest:
        try:
            return Thermistor(float(named["a"]), float(named["b"]), float(named["c"]))
        except ValueError:
            raise BadRequest(f"A coefficient in {text!r} is not a number.", _ADVICE) from None
    if len(rest) == 1 and (set(named) == {"b"} or set(named) == {"beta"}):
        ohm, at, temperature = rest[0].partition(" at ")
        if at:
            beta = written(next(iter(named.values())), "temperature difference", bare_unit="K").value
            return Thermistor.beta(beta, quantity(ohm, "resistance"), quantity(temperature, "temperature"))
    raise BadRequest(f"{text!r} does not describe a thermistor.", _ADVICE)


_NAMED = re.compile(r"(A|B|C|beta)\s*=\s*(.+)", re.IGNORECASE)
_ADVICE = "Write 'B=3950 K, 10 kohm at 25 C', or 'A=1.129e-3, B=2.341e-4, C=8.775e-8' (Steinhart-Hart)."


def _inside(values: Array, low: float, high: float, name: str, unit: str) -> None:
    if not np.isfinite(values).all():
        raise BadRequest(f"The {name} is not a finite number.")
    slack = 1e-9 * (high - low)  # for the ends of the range themselves, once they were computed there and back
    outside = (values < low - slack) | (values > high + slack)
    if outside.any():
        raise BadRequest(
            f"The {name} {float(np.atleast_1d(values)[np.atleast_1d(outside)][0]):.6g} {unit} is outside what a type K "
            f"thermocouple covers: {low:.6g} to {high:.6g} {unit}."
        )
