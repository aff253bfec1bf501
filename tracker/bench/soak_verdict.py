"""What a heat soak says: the final rise, whether it meets its limit, and whether it may stop."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tracker.bench import conformity, soak, soak_course
from tracker.bench.conformity import Conformity, Verdict
from tracker.bench.figures import percent, show
from tracker.bench.soak import Soak
from tracker.bench.soak_course import Course, Sought, Stop
from tracker.bench.soak_creep import creep
from tracker.bench.soak_model import Array, Run
from tracker.bench.uncertainty import Component, combine, coverage_factor, rectangular
from tracker.errors import BadRequest

DEFAULT_U_K = rectangular(1.5)
U_SOURCE = "taken as +/-1.5 K, rectangular, as none was stated: IEC 60584-1, type K of class 1, from memory"
MODEL = (
    "one first-order rise: dT/dt = (ambient + rise - T) / time constant, ambient straight between readings, errors "
    "of one size at every reading"
)
SPOT_NOTE = (
    "Bare metal and shiny plastic look colder to an infrared thermometer than they are, and a spot smaller than its "
    "field of view is mixed with what lies around it: put matt tape or a dab of correction fluid on it first."
)
SPOT_SOURCE = "common practice, no source"
_OVER = 3  # readings in a row beyond the limit that decide before the part has settled; common practice, no source


@dataclass(frozen=True, slots=True)
class Spot:
    """The temperature of one component, degrees Celsius."""

    what: str
    temp_c: float


@dataclass(frozen=True, slots=True)
class Asked:
    """What the readings are held against.

    Parameters
    ----------
    limit_k : float or None
        Most the part may rise above ambient.
    limit_c : float or None
        Hottest it may get.
    limit_source : str or None
    u_k : float or None
        Standard uncertainty of a temperature difference; None for the default.
    k : float or None
        Coverage factor of the guard band; None for 95.45 % at the degrees of freedom.
    aim_k : float
        Half of the 95 % interval at which the run may stop.
    cold : bool
        Whether the part was at ambient when the heat came on.
    """

    limit_k: float | None = None
    limit_c: float | None = None
    limit_source: str | None = None
    u_k: float | None = None
    k: float | None = None
    aim_k: float = soak_course.DEFAULT_AIM_K
    cold: bool = False


@dataclass(frozen=True, slots=True)
class Rise:
    """The final rise above ambient, kelvin, and the final temperature, degrees Celsius.

    Parameters
    ----------
    value_k : float or None
        None where the ambient is not known; the temperature still is.
    lower_k, upper_k : float or None
        95 % interval from the readings alone.
    u_k, dof : float
        Standard uncertainty with that of the thermometer and of anything slower that may still warm up, and its
        effective degrees of freedom.
    creep_k, creep_upper_k : float
        What something slower adds during another run of the same length, and below which it is with 95 % probability.
    temp_c : float
        value_k above `ambient_c`.
    within_k : float
        The longer half of the 95 % interval from the readings alone, of either.
    ambient_c : float or None
        Mean ambient of the run, or the one stated, or the start.
    """

    value_k: float | None
    lower_k: float | None
    upper_k: float | None
    u_k: float
    dof: float
    temp_c: float
    within_k: float
    creep_k: float
    creep_upper_k: float
    ambient_c: float | None


@dataclass(frozen=True, slots=True)
class SoakResult:
    """The verdict of a heat soak with everything it rests on.

    Parameters
    ----------
    course : str
        'settles', or why there is no final value: 'not yet', 'straight', 'runs away', 'still climbs',
        'ambient drifts', 'cools'.
    rise : Rise or None
        None where no final value can be told.
    fitted : Soak or None
    conformity : tuple of Conformity
        One a limit.
    """

    verdict: Verdict
    rule: str
    reasons: tuple[str, ...]
    course: Course
    rise: Rise | None
    fitted: Soak | None
    stop: Stop
    conformity: tuple[Conformity, ...]
    limit_units: tuple[str, ...]
    """Of each conformity: 'K' for a rise, 'C' for a temperature."""
    limit_source: str | None
    u_source: str
    model: str
    highest_c: float
    readings: int
    length_s: float
    hint: str | None
    """Where the readings look as if the heat came on later than at time zero."""
    housing: str | None = None
    spots: tuple[Spot, ...] = ()
    spots_note: str | None = None


def evaluate(
    time_s: Sequence[float] | Array,
    temp_c: Sequence[float] | Array,
    ambient_c: Sequence[float] | Array | float | None,
    asked: Asked,
    *,
    housing: str | None = None,
    spots: tuple[Spot, ...] = (),
) -> SoakResult:
    """Return what a heat soak says.

    Parameters
    ----------
    time_s, temp_c : sequence of float
        Seconds since the heat came on, and degrees Celsius.
    ambient_c : sequence of float, float or None
        Ambient reading by reading, or one for the whole run, or not known.
    asked : Asked
    housing : str, optional
        'case' or 'open'.
    spots : tuple of Spot

    Raises
    ------
    BadRequest
        No reading, a time or temperature that is not finite, or limits that cannot be.
    """
    _check(time_s, asked)
    ambient = np.full(len(time_s), ambient_c) if isinstance(ambient_c, float | int) else ambient_c
    run = soak.run_of(time_s, temp_c, ambient)
    above_start = ambient is None and asked.cold
    fitted, course, stop = _judged(run, asked, above_start)
    rise = None
    if fitted is not None and course == "settles":
        rise = _rise(fitted, run, asked, above_start)
    held = () if rise is None else _held(rise, asked)
    found = tuple(one for one, _ in held)
    verdict, reasons = _decide(found, rise, course, stop, run, asked)
    return SoakResult(
        verdict=verdict,
        rule="; and ".join(f"{one.rule} ({one.source})" for one in found) or _no_rule(asked, verdict, rise),
        reasons=reasons,
        course=course,
        rise=rise,
        fitted=fitted,
        stop=stop,
        conformity=found,
        limit_units=tuple(unit for _, unit in held),
        limit_source=asked.limit_source,
        u_source=U_SOURCE if asked.u_k is None else "stated",
        model=MODEL,
        highest_c=float(run.temp.max()),
        readings=len(run.t),
        length_s=run.length_s,
        hint=soak_course.late_start(run),
        housing=housing,
        spots=spots,
        spots_note=f"{SPOT_NOTE} ({SPOT_SOURCE})" if spots else None,
    )


def _check(time_s: Sequence[float] | Array, asked: Asked) -> None:
    if len(time_s) == 0:
        raise BadRequest("There is no reading.", "Give readings with --at, --from or --prompt.")
    for name, value in (("limit", asked.limit_k), ("aim", asked.aim_k), ("uncertainty", asked.u_k), ("k", asked.k)):
        if value is not None and not (math.isfinite(value) and value > 0):
            raise BadRequest(f"The {name} must be above 0, not {value:g}.")


def _judged(run: Run, asked: Asked, above_start: bool) -> tuple[Soak | None, Course, Stop]:
    """Return the fit, or none with the course that explains why, and whether the run may stop."""
    try:
        fitted = soak.fit(run.t, run.temp, run.ambient, from_rest=asked.cold and run.ambient is not None)
    except BadRequest as error:
        course = soak_course.shape(run) if "bend" in error.what else "not yet"
        return None, course, soak_course.stop_not(course, asked.aim_k, error.what)
    rising = above_start or run.ambient is not None
    sought = Sought(above_start) if rising else Sought(False, "final temperature", "C")
    course = soak_course.course(fitted, run, sought.of(fitted), asked.aim_k)
    if course == "not yet" and soak_course.shape(run) == "runs away":
        course = "runs away"
        return fitted, course, soak_course.stop_not(course, asked.aim_k)
    return fitted, course, soak_course.may_stop(fitted, run, sought, asked.aim_k)


def _rise(fitted: Soak, run: Run, asked: Asked, above_start: bool) -> Rise:
    wanted = Sought(above_start).of(fitted)
    readings = Component("readings", wanted.se * fitted.widened, dof=fitted.dof_used)
    thermometer = Component("thermometer", DEFAULT_U_K if asked.u_k is None else asked.u_k)
    climb = creep(fitted, run)
    assert climb is not None  # a soak that settled has enough readings
    # What one rise leaves out is part of the doubt, whether or not it shows.
    combined = combine([readings, thermometer, Component("slower warming", climb.se_k, dof=fitted.dof_used)])
    within = soak_course.half_width(wanted)
    assert within is not None  # a soak that settled is bounded
    known = run.ambient is not None or above_start
    ambient = float(np.average(run.ambient)) if run.ambient is not None else fitted.start.value if known else None
    return Rise(
        value_k=wanted.value if known else None,
        lower_k=wanted.likelihood_lower if known else None,
        upper_k=wanted.likelihood_upper if known else None,
        u_k=combined.u,
        dof=combined.dof,
        temp_c=(ambient or 0.0) + wanted.value,
        within_k=within,
        creep_k=climb.per_run_k,
        creep_upper_k=climb.upper_k,
        ambient_c=ambient,
    )


def _held(rise: Rise, asked: Asked) -> tuple[tuple[Conformity, str], ...]:
    """Return the conformity with each limit, and the limit's unit."""
    factor = coverage_factor(rise.dof) if asked.k is None else asked.k
    pairs = ((rise.value_k, asked.limit_k, "K"), (rise.temp_c, asked.limit_c, "C"))
    return tuple(
        (conformity.verdict(value, rise.u_k, upper=limit, k=factor, dof=rise.dof, unit=unit), unit)
        for value, limit, unit in pairs
        if limit is not None and value is not None
    )


def _decide(
    found: tuple[Conformity, ...], rise: Rise | None, course: Course, stop: Stop, run: Run, asked: Asked
) -> tuple[Verdict, tuple[str, ...]]:
    beyond = _beyond(run, asked)
    if beyond:
        return "fail", (beyond,)
    if asked.limit_k is None and asked.limit_c is None:
        return "undecided", ("There is no limit to hold it against: state one with --limit or --limit-temp.",)
    if course != "settles":
        said = stop.sentence.removeprefix("go on: ")
        return "undecided", (f"It has not settled, so there is no final value: {said}.",)
    assert rise is not None  # it settled
    if asked.limit_k is not None and rise.value_k is None:
        return "undecided", (
            "The ambient is not known, so neither is the rise above it: state --ambient, measure it alongside, or say "
            "--cold if the part was at ambient when the heat came on.",
        )
    verdicts = {one.verdict for one in found}
    verdict: Verdict = "fail" if "fail" in verdicts else "pass" if verdicts == {"pass"} else "undecided"
    return verdict, tuple(
        f"The probability that the final {'rise' if one.upper == asked.limit_k else 'temperature'} meets the limit is "
        f"{percent(one.probability)}."
        for one in found
    )


def _beyond(run: Run, asked: Asked) -> str:
    """Return in words that the last readings are all beyond a limit by more than U; else nothing.

    Heating goes on or stays, so this decides before anything has settled.
    """
    if len(run.t) < _OVER:
        return ""
    u = DEFAULT_U_K if asked.u_k is None else asked.u_k
    band = u * (coverage_factor(math.inf) if asked.k is None else asked.k)
    temp = run.temp[-_OVER:]
    above = None if run.ambient is None else temp - run.ambient[-_OVER:]
    for values, limit, unit in ((above, asked.limit_k, "K"), (temp, asked.limit_c, "C")):
        if values is not None and limit is not None and float(values.min()) > limit + band:
            return (
                f"The last {_OVER} readings are all more than U = {show(band, 'K', 3)} above the limit of "
                f"{show(limit, unit)}, whatever the part would settle at."
            )
    return ""


def _no_rule(asked: Asked, verdict: Verdict, rise: Rise | None) -> str:
    if asked.limit_k is None and asked.limit_c is None:
        return "no limit, so no verdict"
    if verdict == "fail":
        return f"fail when the last {_OVER} readings are beyond the limit by more than U ({conformity.SOURCE})"
    if rise is not None:
        return "no ambient, so no verdict on the rise above it"
    return "no final value, so no verdict; a guard band of U applies once there is one"
