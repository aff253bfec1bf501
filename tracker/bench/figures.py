"""Numbers as a person reads them: a fitting prefix, and digits that follow the uncertainty."""

import math
from collections.abc import Sequence

_PREFIXES = {-12: "p", -9: "n", -6: "µ", -3: "m", 0: "", 3: "k", 6: "M", 9: "G"}
_PREFIXED = ("A", "V", "Hz")


def show(value: float, unit: str = "", digits: int = 4) -> str:
    """Return a value for a sentence, with the prefix a person would choose: 0.0962 A is '96.2 mA'.

    Parameters
    ----------
    value : float
        In `unit`.
    unit : str
        'A', 'V' and 'Hz' get prefixes; any other unit, or none, follows the number as it is.
    digits : int
        Significant digits; trailing zeros are left out.
    """
    if unit not in _PREFIXED or value == 0:
        return f"{value:.{digits}g} {unit}".rstrip()
    exponent = _exponent(abs(value), digits)
    return f"{value / 10.0**exponent:.{digits}g} {_PREFIXES[exponent]}{unit}"


def _exponent(size: float, digits: int) -> int:
    """Return the power of ten of the prefix for a size above 0, once it is rounded to so many digits."""
    rounded = float(f"{size:.{digits}g}")
    return min(max(3 * math.floor(math.log10(rounded) / 3), -12), 9)


def show_with_u(value: float, u: float | None, unit: str = "") -> str:
    """Return a value with its standard uncertainty, the digits following the uncertainty: '54.97 ± 0.12 C'.

    Parameters
    ----------
    value : float
        In `unit`.
    u : float or None
        Standard uncertainty in the same unit, 0 or more; None where it is not known.
    unit : str
        As in `show`.
    """
    if u is None or not math.isfinite(u):
        return f"{show(value, unit)} (uncertainty not known)"
    if u <= 1e-9 * abs(value):
        return show(value, unit, 6)
    exponent = _exponent(max(abs(value), u), 3) if unit in _PREFIXED else 0
    scaled, spread = value / 10.0**exponent, u / 10.0**exponent
    decimals = 1 - math.floor(math.log10(spread))  # two digits of the uncertainty
    if decimals > 6 and unit not in _PREFIXED:
        return f"{scaled:.4g} ± {spread:.2g} {unit}".rstrip()
    scaled, spread = round(scaled, decimals), round(spread, decimals)
    places = max(decimals, 0)
    return f"{scaled:.{places}f} ± {spread:.{places}f} {_PREFIXES[exponent]}{unit}".rstrip()


def show_in(values: Sequence[float], lower: float, upper: float, unit: str = "") -> tuple[str, ...]:
    """Return values with as many decimals as an interval carries: two digits of half its width (GUM 7.2.6).

    Parameters
    ----------
    values : sequence of float
        In `unit`; all get one prefix.
    lower, upper : float
        The interval's ends, in `unit`.
    unit : str
        As in `show`.
    """
    half = abs(upper - lower) / 2.0
    largest = max(abs(one) for one in (*values, half))
    if half <= 1e-9 * largest or not math.isfinite(half):
        return tuple(show(one, unit) for one in values)
    exponent = _exponent(largest, 3) if unit in _PREFIXED else 0
    decimals = 1 - math.floor(math.log10(half / 10.0**exponent))
    places, name = max(decimals, 0), f"{_PREFIXES[exponent]}{unit}"
    return tuple(f"{round(one / 10.0**exponent, decimals):.{places}f} {name}".rstrip() for one in values)


def show_u(u: float, unit: str = "") -> str:
    """Return an uncertainty by itself: at most two digits, for more of them mean nothing (GUM 7.2.6)."""
    return show(u, unit, 2)


def percent(probability: float) -> str:
    """Return a measured probability for a sentence; never a round 0 or 100 %, which no measurement gives."""
    share = 100.0 * probability
    if share < 0.1:
        return "less than 0.1 %"
    if share > 99.9:
        return "more than 99.9 %"
    return f"{share:.1f} %"
