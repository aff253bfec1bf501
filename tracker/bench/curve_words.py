"""How two curves of a pin differ, in words: what conducts earlier, or leaks, or not at all."""

from dataclasses import dataclass

import numpy as np

from tracker.bench.curve_table import Curve
from tracker.bench.figures import show

_SHIFT_V = 0.05  # a knee that moves by less is not named as one; common practice, no source


@dataclass(frozen=True, slots=True)
class Difference:
    """Two curves and the current in amperes from which either conducts."""

    piece: Curve
    exemplar: Curve
    conducts_a: float


def describe(two: Difference) -> str:
    """Return what the piece's pin does otherwise than the exemplar's: 'conducts 0.4 V earlier than the exemplar'."""
    told = [words for sign in (1.0, -1.0) if (words := _side(two, sign))]
    return " and ".join(told) or _elsewhere(two)


def knee(curve: Curve, current_a: float, sign: float) -> float | None:
    """Return the voltage nearest zero at which the current first reaches `sign * current_a`, interpolated, or None."""
    order = np.argsort(curve.voltage_v * sign)
    voltage, current = curve.voltage_v[order] * sign, curve.current_a[order] * sign
    above = np.flatnonzero(current >= current_a)
    if not len(above):
        return None
    first = int(above[0])
    if first == 0:
        return float(voltage[0]) * sign
    share = (current_a - current[first - 1]) / (current[first] - current[first - 1])
    return float(voltage[first - 1] + share * (voltage[first] - voltage[first - 1])) * sign


def _side(two: Difference, sign: float) -> str:
    tops = [float((one.current_a * sign).max()) for one in (two.piece, two.exemplar)]
    if max(tops) < two.conducts_a:
        return ""
    way = "" if sign > 0 else " below ground"
    if min(tops) < two.conducts_a:
        return _one_alone(two, sign, way, piece_conducts=tops[0] > tops[1])
    at = max(0.1 * min(tops), two.conducts_a)
    knees = [knee(one, at, sign) for one in (two.piece, two.exemplar)]
    if knees[0] is None or knees[1] is None:
        return ""
    shift = abs(knees[1]) - abs(knees[0])
    if abs(shift) < _SHIFT_V:
        return ""
    return f"conducts {_volts(abs(shift))} {'earlier' if shift > 0 else 'later'} than the exemplar{way}"


def _one_alone(two: Difference, sign: float, way: str, *, piece_conducts: bool) -> str:
    one = two.piece if piece_conducts else two.exemplar
    from_v = knee(one, two.conducts_a, sign)
    at = "" if from_v is None else f" from {_volts(from_v)}"
    if piece_conducts:
        return f"conducts{at}{way}, where the exemplar does not"
    return f"does not conduct{way}, where the exemplar does{at}"


def _elsewhere(two: Difference) -> str:
    """Return the voltage at which the currents differ most, with both."""
    low = max(two.piece.voltage_v[0], two.exemplar.voltage_v[0])
    high = min(two.piece.voltage_v[-1], two.exemplar.voltage_v[-1])
    grid = np.union1d(two.piece.voltage_v, two.exemplar.voltage_v)
    grid = grid[(grid >= low) & (grid <= high)]
    mine, theirs = (np.interp(grid, one.voltage_v, one.current_a) for one in (two.piece, two.exemplar))
    at = int(np.argmax(np.abs(mine - theirs)))
    return (
        f"passes {show(float(mine[at]), 'A', 3)} at {_volts(float(grid[at]))}, the exemplar "
        f"{show(float(theirs[at]), 'A', 3)}"
    )


def _volts(value: float) -> str:
    return f"{value:.2f} V"  # a hundredth is what the allowance for the meter leaves
