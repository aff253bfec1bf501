"""Supply current: one point, or several clock rates and the straight line I = I0 + k f, and the verdict on it."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import special  # not stats, whose import takes most of a second

from tracker.bench import conformity, line, technology
from tracker.bench.conformity import Conformity, Verdict
from tracker.bench.figures import percent, show
from tracker.bench.limits import Limit, NoLimit
from tracker.bench.line import Line
from tracker.bench.technology import Technologies
from tracker.bench.uncertainty import Component, Estimate, combine, coverage_factor, rectangular, type_a
from tracker.errors import BadRequest

DEFAULT_METER_SHARE = 0.03
DEFAULT_METER_STEPS = 1.0
DEFAULT_U_SOURCE = (
    "taken as +/-(3 % of the reading + 1 step of its last written digit), rectangular, as none was stated; "
    "usual for a handheld meter on a current range, common practice, no source"
)
_FAR_BELOW = 0.1  # of the typical current: another process or a part that does not run; common practice, no source
_CONTRADICTED = 0.05  # probability of the claimed technology; common practice, no source
_MISFIT_P = 0.01  # chance of so large a misfit that the line or the uncertainties are doubted; common practice


@dataclass(frozen=True, slots=True)
class Reading:
    """One reading of the supply current.

    Parameters
    ----------
    current_a : float
        Amperes, 0 or more.
    clock_hz : float or None
        None when the clock was not stated.
    u_a : float or None
        Standard uncertainty in amperes, above 0; None when not stated.
    clock_u_hz : float or None
        Standard uncertainty of the clock in hertz, above 0; None when it is taken as known exactly.
    step_a : float
        What one step of the last written digit is worth; 0 when not known.
    """

    current_a: float
    clock_hz: float | None = None
    u_a: float | None = None
    step_a: float = 0.0
    clock_u_hz: float | None = None


@dataclass(frozen=True, slots=True)
class CurrentLine:
    """The line through readings at two clock rates or more.

    Parameters
    ----------
    static_a, slope_a_per_hz : Estimate
        Amperes; amperes per hertz.
    correlation, residual_sd_a, misfit : see Line
    technology : Technologies
    cautions : tuple of str
    """

    static_a: Estimate
    slope_a_per_hz: Estimate
    correlation: float
    residual_sd_a: float | None
    misfit: float | None
    n: int
    technology: Technologies
    cautions: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class CurrentResult:
    """The verdict on a supply current.

    Parameters
    ----------
    verdict : 'pass', 'fail' or 'undecided'
    rule, reasons : str, tuple of str
        The rule applied with its numbers; what decided, in sentences.
    current_a, at_hz : float, float or None
        The current that was held against the limit, and its clock.
    u_a : float
        Its standard uncertainty.
    u_source : str
    limit : Limit or None
    conformity : Conformity or None
    fitted : CurrentLine or None
    """

    verdict: Verdict
    rule: str
    reasons: tuple[str, ...]
    current_a: float
    at_hz: float | None
    u_a: float
    u_source: str
    limit: Limit | None
    conformity: Conformity | None
    fitted: CurrentLine | None


def meter_u(reading: Reading) -> float:
    """Return the standard uncertainty of one reading: the stated one, or the declared default (DEFAULT_U_SOURCE)."""
    if reading.u_a is not None:
        return reading.u_a
    half_width = DEFAULT_METER_SHARE * reading.current_a + DEFAULT_METER_STEPS * reading.step_a
    return rectangular(max(half_width, 1e-12))  # a reading of exactly 0 from a table has neither share nor step


def fit(readings: Sequence[Reading]) -> CurrentLine:
    """Fit the straight line, weighted where every reading states its uncertainty, and weigh the technologies.

    Where clocks carry uncertainties as well, both axes do (effective variance); a current without a stated one then
    takes the meter's default.

    Raises
    ------
    BadRequest
        A reading without its clock, or fewer than two different clock rates.
    """
    clocks = _clocks(readings)
    currents = [reading.current_a for reading in readings]
    stated = [reading.u_a for reading in readings if reading.u_a is not None]
    weighted = len(stated) == len(readings)
    if stated and not weighted:
        raise BadRequest("Some readings state an uncertainty and some do not.", "State it for all of them or for none.")
    if any(reading.clock_u_hz is not None for reading in readings):
        found = _both_uncertain(readings, clocks)
    else:
        found = line.fit(clocks, currents, stated if weighted else None)
    return CurrentLine(
        static_a=Estimate(found.intercept, found.intercept_se),
        slope_a_per_hz=Estimate(found.slope, found.slope_se),
        correlation=found.correlation,
        residual_sd_a=found.residual_sd,
        misfit=found.misfit,
        n=found.n,
        technology=_technologies(readings, clocks),
        cautions=_cautions(found),
    )


def evaluate(
    readings: Sequence[Reading],
    limit: Limit | NoLimit,
    *,
    claimed_technology: str | None = None,
    k: float | None = None,
) -> CurrentResult:
    """Hold a measured supply current against its limit.

    Parameters
    ----------
    readings : sequence of Reading
        At least one. With two clock rates or more the line gives the current at the limit's clock.
    limit : Limit or NoLimit
    claimed_technology : str, optional
        'CMOS', 'NMOS', 'bipolar'.
    k : float, optional
        Coverage factor; by default the one for 95.45 % at the effective degrees of freedom (2.00 when they are many).

    Raises
    ------
    BadRequest
        No readings, or values that cannot be evaluated.
    """
    if not readings:
        raise BadRequest("There is no reading.", "Give the current with --current or --at, or a table with --from.")
    clocks = {reading.clock_hz for reading in readings if reading.clock_hz is not None}
    fitted = fit(readings) if len(clocks) > 1 else None
    at_hz = limit.at_hz if isinstance(limit, Limit) and limit.at_hz is not None else (max(clocks) if clocks else None)
    current_a, scatter = _current_at(readings, fitted, at_hz)
    meter = Component("meter", _meter_at(readings, current_a))
    combined = combine([meter, *([scatter] if scatter else [])])
    found = None
    if isinstance(limit, Limit):
        factor = coverage_factor(combined.dof) if k is None else k
        found = conformity.verdict(current_a, combined.u, upper=limit.max_a, k=factor, dof=combined.dof, unit="A")
    verdict, reasons = _decide(found, limit, current_a, fitted, claimed_technology)
    return CurrentResult(
        verdict=verdict,
        rule=_rule(found),
        reasons=reasons,
        current_a=current_a,
        at_hz=at_hz,
        u_a=combined.u,
        u_source=_u_source(readings),
        limit=limit if isinstance(limit, Limit) else None,
        conformity=found,
        fitted=fitted,
    )


def _clocks(readings: Sequence[Reading]) -> list[float]:
    clocks = [reading.clock_hz for reading in readings if reading.clock_hz is not None]
    if len(clocks) != len(readings):
        raise BadRequest("A reading has no clock rate, and there are several.", "State the clock of every reading.")
    return clocks


def _current_at(
    readings: Sequence[Reading], fitted: CurrentLine | None, at_hz: float | None
) -> tuple[float, Component | None]:
    """Return the current at one clock and the uncertainty that the scatter of the readings shows."""
    currents = [reading.current_a for reading in readings]
    if fitted is None:
        return float(np.mean(currents)), type_a(currents) if len(currents) > 1 else None
    clock = at_hz or 0.0
    value = fitted.static_a.value + fitted.slope_a_per_hz.value * clock
    plain = line.fit(_clocks(readings), currents)
    se = plain.se_at(clock)
    return value, None if se is None else Component("scatter about the line", se, dof=plain.dof)


def _meter_at(readings: Sequence[Reading], current_a: float) -> float:
    """Return the meter's own uncertainty at a current.

    A meter's error is much the same for every reading of a run, so averaging does not make it smaller.
    """
    nearest = min(readings, key=lambda reading: abs(reading.current_a - current_a))
    return meter_u(nearest)


def _both_uncertain(readings: Sequence[Reading], clocks: Sequence[float]) -> Line:
    return line.fit_both(
        clocks,
        [reading.current_a for reading in readings],
        [reading.clock_u_hz or 0.0 for reading in readings],
        [meter_u(reading) for reading in readings],
    )


def _technologies(readings: Sequence[Reading], clocks: Sequence[float]) -> Technologies:
    currents = [reading.current_a for reading in readings]
    if any(reading.clock_u_hz is not None for reading in readings):
        found = _both_uncertain(readings, clocks)
    else:
        found = line.fit(clocks, currents, [meter_u(reading) for reading in readings])
    assert found.intercept_se is not None  # weighted fits always know it
    assert found.slope_se is not None
    stretch = max(1.0, found.misfit or 1.0)
    shared = found.correlation * found.intercept_se * found.slope_se
    covariance = [
        [stretch * found.intercept_se**2, stretch * shared],
        [stretch * shared, stretch * found.slope_se**2],
    ]
    return technology.probabilities(found.intercept, found.slope, covariance, max(clocks))


def _cautions(found: Line) -> tuple[str, ...]:
    told = []
    if found.misfit is not None and special.chdtrc(found.n - 2, found.misfit * (found.n - 2)) < _MISFIT_P:
        told.append(
            f"The readings scatter more about the line than their uncertainties allow (chi-square per degree of "
            f"freedom {found.misfit:.3g}): the line or the uncertainties are wrong, and the standard errors too small."
        )
    if found.slope < 0 and (found.slope_se is None or found.slope < -2 * found.slope_se):
        told.append("The current falls as the clock rises, which no chip does by itself; check the set-up.")
    if found.n == 2 and found.intercept_se is None:
        told.append("Two readings fix a line but say nothing of its uncertainty; add a third clock rate.")
    return tuple(told)


def _decide(
    found: Conformity | None,
    limit: Limit | NoLimit,
    current_a: float,
    fitted: CurrentLine | None,
    claimed_technology: str | None,
) -> tuple[Verdict, tuple[str, ...]]:
    """Return the verdict: the limit's, unless a pass is contradicted by how the part draws its current."""
    likely = fitted.technology.of(claimed_technology) if fitted and claimed_technology else None
    reasons = []
    if likely is not None and likely < _CONTRADICTED:
        reasons.append(
            f"The part is claimed to be {claimed_technology}, but the way its current depends on the clock makes that "
            f"{percent(likely)} likely."
        )
    if isinstance(limit, NoLimit) or found is None:
        return "undecided", (limit.reason if isinstance(limit, NoLimit) else "No limit was applied.", *reasons)
    if found.verdict == "pass" and limit.typ_a is not None and current_a < _FAR_BELOW * limit.typ_a:
        reasons.append(
            f"The current is less than a tenth of the typical {show(limit.typ_a, 'A', 3)}: another process, "
            "or the part does not run."
        )
    if found.verdict == "pass" and limit.at_hz != 0 and current_a <= found.expanded_u:
        reasons.append(_NOTHING if current_a <= conformity.DEFAULT_K * found.u else _FEW)
    if found.verdict == "pass" and limit.clock_assumed:
        reasons.append("The limit depends on the clock, and none was stated: state the clock rate it was measured at.")
    if found.verdict == "pass" and reasons:
        return "undecided", tuple(reasons)
    return found.verdict, (
        f"The probability that the current meets the limit is {percent(found.probability)}.",
        *reasons,
    )


_NOTHING = "The current cannot be told from none at all: see whether the part has its supply and its clock."
_FEW = "For so few readings they lie too far apart to tell the current from none at all: read it some more times."


def _rule(found: Conformity | None) -> str:
    return "no limit, so no verdict" if found is None else f"{found.rule} ({found.source})"


def _u_source(readings: Sequence[Reading]) -> str:
    return "stated" if all(reading.u_a is not None for reading in readings) else DEFAULT_U_SOURCE
