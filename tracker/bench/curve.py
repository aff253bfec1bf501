"""Pin curves: voltage-current curves of a piece's pins against an exemplar's, and the verdict on them."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from tracker.bench import curve_slips
from tracker.bench.conformity import Verdict
from tracker.bench.curve_table import Curve, pin_order
from tracker.bench.curve_words import Difference, describe
from tracker.bench.uncertainty import rectangular

Stand = Literal["alike", "doubtful", "different", "open", "not compared"]

VOLTAGE_SHARE, VOLTAGE_V = 0.01, 0.020
CURRENT_SHARE, CURRENT_OF_RANGE = 0.03, 0.005
GENUINE_V, GENUINE_SHARE = 0.030, 0.20
ALLOWANCE_SOURCE = (
    "for the meter: voltage +/-(1 % + 20 mV) and current +/-(3 % + 0.5 % of the sweep's largest); for genuine pieces "
    "of one die and 5 K of room temperature at -2 mV/K: +/-30 mV and +/-20 % of the current; all rectangular; common "
    "practice, no source"
)
ALIKE, DIFFERENT = 2.0, 3.0
"""Median distance in standard uncertainties up to which a pin is alike, and above which it is different; common
practice, no source: the band between them is the guard band."""
LEAST_SHARE = 0.5  # of the exemplar's sweep that both must have in common; common practice, no source
CONDUCTS = 5.0  # standard uncertainties of zero current above which a pin conducts; common practice, no source
# What a current limit looks like; common practice, no source.
_CLIPPED, _CLIP_POINTS, _CLIP_SPAN = 0.95, 3, 0.1
_MOST_NAMED = 8  # pins told one by one; the rest are listed
_LEAST_POINTS = 2  # a single reading may be a slip of the probe; common practice, no source
RULE = (
    "a pin's distance is the median, over the common voltages at which either curve conducts, of the distance between "
    "the curves in standard uncertainties, on the worse side of ground; fail: above "
    f"{DIFFERENT:g} at one pin or more; pass: at most {ALIKE:g} at every pin of the exemplar; undecided otherwise "
    "(common practice, no source)"
)


@dataclass(frozen=True, slots=True)
class PinResult:
    """How one pin stands.

    Parameters
    ----------
    pin : str
    stand : 'alike', 'doubtful', 'different', 'open' or 'not compared'
        'open': neither conducts anywhere in the sweep, so that the pin tells nothing.
    distance : float or None
        Standard uncertainties.
    points : int
        Voltages at which either conducts.
    scatter : float or None
        By how much exemplars differ among themselves, in the same unit; None with one exemplar.
    clipped : bool
        Whether the piece's or an exemplar's current stood at a limit; those points were left out.
    told : str
        In words.
    """

    pin: str
    stand: Stand
    distance: float | None
    points: int
    scatter: float | None
    clipped: bool
    told: str


@dataclass(frozen=True, slots=True)
class CurveResult:
    """The verdict on a piece's curves.

    Parameters
    ----------
    verdict : 'pass', 'fail' or 'undecided'
    rule, reasons : str, tuple of str
    pins : tuple of PinResult
        Every pin that both have.
    missing, extra : tuple of str
        Pins of the exemplar that the piece's table lacks, and the other way round.
    common : str or None
        The pin the sweeps were made against.
    exemplars : tuple of str
        Labels of the runs compared with.
    swept : tuple of str
        Every pin of the piece's table.
    allowance : str
    """

    verdict: Verdict
    rule: str
    reasons: tuple[str, ...]
    pins: tuple[PinResult, ...]
    missing: tuple[str, ...]
    extra: tuple[str, ...]
    common: str | None
    exemplars: tuple[str, ...]
    swept: tuple[str, ...]
    allowance: str = ALLOWANCE_SOURCE


@dataclass(frozen=True, slots=True)
class Kept:
    """An exemplar's kept curves: the run's label, the common pin, the curves by pin."""

    run: str
    common: str | None
    curves: Mapping[str, Curve]


def evaluate(curves: Mapping[str, Curve], exemplars: Sequence[Kept], common: str | None = None) -> CurveResult:
    """Hold the curves of a piece against those of one exemplar or several.

    Parameters
    ----------
    curves : mapping of pin to Curve
    exemplars : sequence of Kept
        None: then nothing is decided, and the curves are kept for later.
    common : str, optional
        The pin the sweeps were made against.
    """
    theirs = {pin for one in exemplars for pin in one.curves}
    missing = tuple(sorted(theirs - set(curves), key=pin_order))
    extra = tuple(pin for pin in curves if exemplars and pin not in theirs)
    pins = tuple(
        _pin(pin, curve, [one.curves[pin] for one in exemplars if pin in one.curves])
        for pin, curve in curves.items()
        if pin in theirs
    )
    verdict, reasons = _decide(pins, missing, exemplars, common, curves)
    return CurveResult(
        verdict=verdict,
        rule=RULE,
        reasons=reasons,
        pins=pins,
        missing=missing,
        extra=extra,
        common=common,
        exemplars=tuple(one.run for one in exemplars),
        swept=tuple(curves),
    )


def distances(piece: Curve, exemplar: Curve) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the distance between two curves at their common voltages, and at which of these either conducts.

    Parameters
    ----------
    piece, exemplar : Curve

    Returns
    -------
    voltage_v : ndarray of float, shape (n,)
        The voltages that either was read at and both cover, in volts.
    distance : ndarray of float, shape (n,)
        In pooled standard uncertainties, one for each voltage.
    conducts : ndarray of bool, shape (n,)

    Notes
    -----
    A diode's current grows tenfold in 60 to 120 mV, so the difference of two currents at one voltage says little where
    the curve is steep, and that of two voltages little where it is flat. The distance is therefore the shortest one
    from a point of either curve to the other one, voltages and currents each measured in their standard uncertainties.
    """
    low = max(piece.voltage_v[0], exemplar.voltage_v[0])
    high = min(piece.voltage_v[-1], exemplar.voltage_v[-1])
    grid = np.union1d(piece.voltage_v, exemplar.voltage_v)
    grid = grid[(grid >= low) & (grid <= high)]
    if not len(grid):
        return grid, np.empty(0), np.empty(0, dtype=bool)
    mine, theirs = (np.interp(grid, one.voltage_v, one.current_a) for one in (piece, exemplar))
    floor = _floor(piece, exemplar)
    there = _to_polyline(grid, mine, exemplar, floor)
    back = _to_polyline(grid, theirs, piece, floor)
    conducts = np.maximum(np.abs(mine), np.abs(theirs)) > CONDUCTS * floor
    return grid, np.maximum(there, back), conducts


def unclipped(curve: Curve) -> tuple[Curve, bool]:
    """Return a curve without the points that stand at the supply's current limit, and whether there were any.

    Going outwards on either side of ground, the last points are at a limit where three or more over a tenth of the
    voltage or more stay within 5 % of one current, and the current was less than half of it before. The first of them,
    where the limit was just reached, stays.
    """
    keep = np.ones(len(curve.voltage_v), dtype=bool)
    for sign in (1.0, -1.0):
        side = np.flatnonzero(curve.voltage_v * sign > 0)
        side = side[np.argsort(np.abs(curve.voltage_v[side]))]
        if len(side) <= _CLIP_POINTS:
            continue
        size, reach = np.abs(curve.current_a[side]), np.abs(curve.voltage_v[side])
        level = float(np.median(size[-_CLIP_POINTS:]))
        below = np.flatnonzero(size < _CLIPPED * level)
        first = int(below[-1]) + 1 if len(below) else len(side)
        flat = len(side) - first >= _CLIP_POINTS and reach[-1] - reach[first] >= _CLIP_SPAN * reach[-1]
        if flat and size.min() < 0.5 * level:
            keep[side[first + 1 :]] = False
    return Curve(curve.pin, curve.voltage_v[keep], curve.current_a[keep]), bool((~keep).any())


def _pin(pin: str, curve: Curve, exemplars: Sequence[Curve]) -> PinResult:
    mine, clipped = unclipped(curve)
    cleaned = [unclipped(one) for one in exemplars]
    clipped = clipped or any(was for _, was in cleaned)
    theirs = [one for one, _ in cleaned]
    share = max(_shared(curve, one) for one in exemplars)
    if share < LEAST_SHARE:
        told = f"pin {pin}: the two sweeps have {100 * share:.0f} % of their voltages in common, too little to compare"
        return PinResult(pin, "not compared", None, 0, None, clipped, told)
    found = [_median(mine, one) for one in theirs]
    points = max(count for _, count in found)
    if not points:
        return PinResult(pin, "open", 0.0, 0, None, clipped, f"pin {pin} conducts in neither sweep")
    scatter = _scatter(theirs)
    distance = float(np.median([value for value, count in found if count])) / max(1.0, scatter or 0.0)
    stand: Stand = "alike" if distance <= ALIKE else "doubtful"
    if distance > DIFFERENT and points >= _LEAST_POINTS:
        stand = "different"
    nearest = theirs[int(np.argmin([value for value, _ in found]))]
    words = describe(Difference(mine, nearest, CONDUCTS * _floor(mine, nearest)))
    told = f"pin {pin} {words}" if stand != "alike" else f"pin {pin} is as the exemplar's"
    return PinResult(pin, stand, distance, points, scatter, clipped, told)


def _median(piece: Curve, exemplar: Curve) -> tuple[float, int]:
    """Return the median distance over the conducting points on the worse side of ground, and their number.

    By side, since a sound diode below ground must not outvote a foreign one above it.
    """
    voltage, distance, conducts = distances(piece, exemplar)
    sides = [distance[conducts & side] for side in (voltage >= 0, voltage < 0)]
    return max((float(np.median(side)), len(side)) if len(side) else (0.0, 0) for side in sides)


def _scatter(curves: Sequence[Curve]) -> float | None:
    """Return by how much exemplars differ: the median absolute distance of all pairs, as a standard deviation.

    1.4826 makes a normal distribution's standard deviation of its MAD (Rousseeuw and Croux, JASA 88 (1993) 1273).
    """
    pairs = [_median(one, other)[0] for i, one in enumerate(curves) for other in curves[i + 1 :]]
    return 1.4826 * float(np.median(pairs)) if pairs else None


def _shared(piece: Curve, exemplar: Curve) -> float:
    low = max(piece.voltage_v[0], exemplar.voltage_v[0])
    high = min(piece.voltage_v[-1], exemplar.voltage_v[-1])
    return float(max(high - low, 0.0) / (exemplar.voltage_v[-1] - exemplar.voltage_v[0]))


def _floor(piece: Curve, exemplar: Curve) -> float:
    """Return the pooled standard uncertainty of a current of zero, in amperes."""
    mine, theirs = (rectangular(CURRENT_OF_RANGE * _largest(one.current_a)) for one in (piece, exemplar))
    return max(float(np.hypot(mine, theirs)), 1e-12)


def _to_polyline(voltage: np.ndarray, current: np.ndarray, other: Curve, floor: float) -> np.ndarray:
    """Return the shortest distances from points to a curve, in standard uncertainties at each point."""
    two_meters = np.sqrt(2.0)
    meter_v = two_meters * rectangular(1.0) * (VOLTAGE_SHARE * np.abs(voltage) + VOLTAGE_V)
    share = float(np.hypot(two_meters * rectangular(CURRENT_SHARE), rectangular(GENUINE_SHARE)))
    u_v = np.hypot(meter_v, rectangular(GENUINE_V))[:, None]
    u_i = np.hypot(share * np.abs(current), floor)[:, None]
    # Segments as columns, points as rows; both axes in the point's own uncertainties.
    start_v, start_i = (other.voltage_v[:-1] - voltage[:, None]) / u_v, (other.current_a[:-1] - current[:, None]) / u_i
    step_v, step_i = np.diff(other.voltage_v) / u_v, np.diff(other.current_a) / u_i
    along = np.clip(-(start_v * step_v + start_i * step_i) / (step_v**2 + step_i**2), 0.0, 1.0)
    shortest: np.ndarray = np.hypot(start_v + along * step_v, start_i + along * step_i).min(axis=1)
    return shortest


def _decide(
    pins: Sequence[PinResult],
    missing: Sequence[str],
    exemplars: Sequence[Kept],
    common: str | None,
    curves: Mapping[str, Curve],
) -> tuple[Verdict, tuple[str, ...]]:
    if not exemplars:
        return "undecided", ("There is no exemplar to compare with; the curves are kept.",)
    other = [one for one in exemplars if common and one.common and one.common != common]
    if other:
        return "undecided", (
            f"Swept against pin {common}, the exemplar ({other[0].run}) against pin {other[0].common}: not comparable.",
        )
    apart = [one for one in pins if one.stand in ("different", "not compared")]
    slip = curve_slips.slip(curves, _agreement(exemplars)) if apart else ""
    if slip:
        return "undecided", (slip,)
    worst = sorted((one for one in pins if one.stand == "different"), key=lambda one: -(one.distance or 0.0))
    if worst:
        return "fail", _accused(worst, pins)
    reasons = [f"{one.told} ({one.distance:.1f} standard uncertainties)." for one in pins if one.stand == "doubtful"]
    reasons += [f"{one.told}." for one in pins if one.stand == "not compared"]
    if missing:
        reasons.append(f"Not measured, though the exemplar was: pin {', '.join(missing)}.")
    compared = [one for one in pins if one.stand == "alike"]
    if not compared:
        reasons.append("At no pin does a curve conduct, so there is nothing to compare.")
    if reasons:
        return "undecided", tuple(reasons)
    largest = max(one.distance or 0.0 for one in compared)
    alike = "1 pin is" if len(compared) == 1 else f"{len(compared)} pins are"
    return "pass", (f"{alike} as the exemplar's, the farthest by {largest:.1f} standard uncertainties.",)


def _accused(worst: Sequence[PinResult], pins: Sequence[PinResult]) -> tuple[str, ...]:
    """Return what is wrong with the different pins, the farthest first; many alike are one sentence."""
    dead = [one for one in worst if "does not conduct" in one.told]
    telling = [one for one in pins if one.stand not in ("open", "not compared")]
    if len(dead) == len(telling) > 2:
        return (f"None of the {len(dead)} pins conducts as the exemplar's does: there may be no die in it.",)
    told = [f"{one.told} ({one.distance:.1f} standard uncertainties)." for one in worst[:_MOST_NAMED]]
    left = [one.pin for one in worst[_MOST_NAMED:]]
    return (*told, *([f"Different as well: pins {', '.join(left)}."] if left else []))


def _agreement(exemplars: Sequence[Kept]) -> Callable[[Mapping[str, Curve]], tuple[int, int]]:
    """Return what counts, of curves in some order or scale, the pins that are alike and those that tell anything."""

    def count(curves: Mapping[str, Curve]) -> tuple[int, int]:
        found = [
            _pin(pin, curve, [one.curves[pin] for one in exemplars if pin in one.curves])
            for pin, curve in curves.items()
            if any(pin in one.curves for one in exemplars)
        ]
        telling = [one for one in found if one.points > _LEAST_POINTS]
        # Pins that cannot be compared at all, as after another scale, must not leave a single one to speak for all.
        return sum(one.stand == "alike" for one in telling), max(len(telling), len(found) // 2)

    return count


def _largest(values: np.ndarray) -> float:
    return float(np.abs(values).max())
