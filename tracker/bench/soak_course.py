"""Whether a soak settles, and whether it may stop: what the readings so far say of those still to come."""

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from tracker.bench import soak
from tracker.bench.figures import show
from tracker.bench.soak import Soak
from tracker.bench.soak_creep import creep, foreseen
from tracker.bench.soak_interval import Final
from tracker.bench.soak_model import Run
from tracker.errors import BadRequest

Course = Literal["settles", "not yet", "straight", "runs away", "still climbs", "ambient drifts", "cools"]
DEFAULT_AIM_K = 0.5
AIM_SOURCE = "common practice, no source"
LEAST_READINGS = 6  # common practice, no source
LEAST_CONSTANTS = 1.5  # time constants a run must cover before it may stop; common practice, no source
LAST_PART = 0.25  # of the readings, whose absence must not have changed the answer; common practice, no source
_SURE = 3.0  # standard errors of a slope or a bend that is taken as real; common practice, no source
_BEGINNING = 0.1  # of the run, in which a first-order rise has at least that share of its way behind it
_STILL = 0.04  # of the whole way; common practice, no source


@dataclass(frozen=True, slots=True)
class Stop:
    """Whether a soak may stop.

    Parameters
    ----------
    may_stop : bool
    sentence : str
    aim_k : float
        How well the final value is wanted, half of its 95 % interval.
    within_k : float or None
        How well it is known; None while it is not bounded.
    more_s : float or None
        Where it may stop: how much longer the part itself needs to come within the aim, 0 if it has.
        Where not: how much longer measuring at the same pace should take. None where that cannot be told.
    rule, source : str
    """

    may_stop: bool
    sentence: str
    aim_k: float
    within_k: float | None
    more_s: float | None
    rule: str
    source: str = AIM_SOURCE


def shape(run: Run) -> Course:
    """Return how readings go that no first-order rise fits: 'straight' or 'runs away'; 'not yet' if neither is sure."""
    x = run.t / max(run.length_s, 1e-300)
    y = run.temp if run.ambient is None else run.temp - run.ambient
    if len(y) < 4 or len(np.unique(x)) < 3:
        return "not yet"
    columns = np.column_stack([np.ones_like(x), x, x * x])
    found, *_ = np.linalg.lstsq(columns, y, rcond=None)
    residuals = y - columns @ found
    inverse = np.linalg.inv(columns.T @ columns)
    noise = float(residuals @ residuals) / (len(y) - 3)
    direction = math.copysign(1.0, found[1] + found[2])
    bend = direction * float(found[2])
    se = math.sqrt(noise * inverse[2, 2])
    if bend > _SURE * se and bend > 1e-6 * abs(float(found[1])):
        return "runs away"
    return "straight"


def course(fitted: Soak, run: Run, wanted: Final, aim_k: float) -> Course:
    """Return whether a fitted soak has settled well enough for its final value to be given.

    Parameters
    ----------
    fitted : Soak
    run : Run
        What it was fitted to.
    wanted : Final
        Its number that is asked for.
    aim_k : float
    """
    if run.ambient is not None and float(np.ptp(run.ambient)) > abs(wanted.value):
        return "ambient drifts"
    climb = creep(fitted, run)
    if climb is not None and climb.per_run_k > max(aim_k, _SURE * climb.se_k):
        return "still climbs"
    if fitted.rise.value < -aim_k:
        return "cools"
    if half_width(wanted) is None or climb is None:
        return "not yet"
    return "settles" if fitted.run_length_s >= fitted.time_constant.value else "not yet"


def half_width(wanted: Final) -> float | None:
    """Return the longer half of the 95 % interval; None where a side is not bounded."""
    if wanted.likelihood_lower is None or wanted.likelihood_upper is None:
        return None
    return max(wanted.value - wanted.likelihood_lower, wanted.likelihood_upper - wanted.value)


@dataclass(frozen=True, slots=True)
class Sought:
    """Which number of a fit is asked for: the rise above the start or the final value, and what it is called."""

    above_start: bool
    name: str = "final rise"
    unit: str = "K"

    def of(self, fitted: Soak) -> Final:
        return fitted.above_start if self.above_start else fitted.final

    def words(self, fitted: Soak) -> str:
        return f"{self.name} {self.of(fitted).value:.1f} {self.unit}"


def may_stop(fitted: Soak, run: Run, sought: Sought, aim_k: float) -> Stop:
    """Return whether a soak that fits may stop, in a sentence.

    Parameters
    ----------
    fitted, run, aim_k
        As in `course`.
    sought : Sought
    """
    wanted, words = sought.of(fitted), sought.words(fitted)
    found = course(fitted, run, wanted, aim_k)
    if found not in ("settles", "not yet"):
        return stop_not(found, aim_k)
    within = half_width(wanted)
    tau = fitted.time_constant.value
    known = within is not None and within <= aim_k
    long_enough = fitted.run_length_s >= LEAST_CONSTANTS * tau and fitted.readings >= LEAST_READINGS
    climb = creep(fitted, run)
    if known and long_enough and found == "settles" and climb is not None and climb.upper_k <= aim_k:
        earlier = _without_the_last(run, fitted, sought)
        if earlier is not None and abs(earlier[0] - wanted.value) <= max(aim_k, earlier[1]):
            return _yes(fitted, words, aim_k, within or 0.0)
        why = "but leaving out the last quarter of the readings changes it; take some more"
        return _go_on(f"{words}, {why}", aim_k, within, _pace(run) * LEAST_READINGS)
    more = _ahead(fitted, run, aim_k, sought)
    if within is None:
        return _go_on(f"the readings do not yet bound the {sought.name}", aim_k, within, None)
    ahead = "" if more is None else f"; about {_span(more)} more at this pace should do"
    lacks = "but something slower may still be warming up" if known and long_enough else "so far"
    return _go_on(f"{words}, known within {_up(within)} K {lacks}{ahead}", aim_k, within, more)


def _ahead(fitted: Soak, run: Run, aim_k: float, sought: Sought) -> float | None:
    """Return how much longer it should take, seconds."""
    pace = _pace(run)
    lacking = max(LEAST_CONSTANTS * fitted.time_constant.value - fitted.run_length_s, 0.0)
    least = max(LEAST_READINGS - fitted.readings, math.ceil(lacking / pace), 1)
    return foreseen(fitted, run, aim_k, least, pace, above_start=sought.above_start)


def stop_not(found: Course, aim_k: float, advice: str = "") -> Stop:
    """Return why a soak without a final value may not stop, or why going on does not help."""
    sentences = {
        "not yet": advice or "the readings do not yet tell a final value",
        "straight": "the temperature goes up in a straight line so far",
        "runs away": "the temperature rises faster and faster: switch off, it will not settle",
        "still climbs": "the end of the run climbs away from a first-order rise: something slower is still warming up",
        "ambient drifts": "the ambient changed by more than the rise: keep it steady, or measure longer",
        "cools": "it cools down: see that the heat is on, and begin with a part that is cold",
        "settles": advice,
    }
    return _go_on(sentences[found][:1].lower() + sentences[found][1:].rstrip("."), aim_k, None, None)


def late_start(run: Run) -> str | None:
    """Return a word where the temperature stayed put at first, which no first-order rise does."""
    early, span = run.t <= _BEGINNING * run.length_s, float(np.ptp(run.temp))
    if early.sum() < 3 or float(np.ptp(run.temp[early])) > _STILL * span:
        return None
    return (
        "The temperature stayed put at first, as it does before the heat comes on; if it came on later than at time "
        "zero, say when: --heat-on."
    )


def _yes(fitted: Soak, words: str, aim_k: float, within: float) -> Stop:
    tau = fitted.time_constant.value
    missing = abs(fitted.rise.value) * math.exp(-fitted.run_length_s / tau)
    more = max(tau * math.log(missing / aim_k), 0.0) if missing > 0 else 0.0
    rest = f"another {_span(more)} would change nothing" if more > 0 else "the part itself has come that far"
    return Stop(True, f"may stop: {words} within {_up(within)} K; {rest}", aim_k, within, more, _rule())


def _go_on(why: str, aim_k: float, within: float | None, more_s: float | None) -> Stop:
    return Stop(False, f"go on: {why}", aim_k, within, more_s, _rule())


def _rule() -> str:
    return (
        f"stop when half the 95 % interval is no more than the aim, the run covers {LEAST_CONSTANTS:g} time constants "
        f"and {LEAST_READINGS} readings, the last quarter of the readings left out would not have changed it, and "
        "whatever slower still warms up adds less than the aim, with 95 % probability, in another run of this length"
    )


def _without_the_last(run: Run, fitted: Soak, sought: Sought) -> tuple[float, float] | None:
    """Return value and half width from the readings without the last quarter; None where they do not tell."""
    first = len(run.t) - max(math.floor(LAST_PART * len(run.t)), 1)
    ambient = None if run.ambient is None else run.ambient[:first]
    try:
        found = soak.fit(run.t[:first], run.temp[:first], ambient, from_rest=fitted.from_rest)
    except BadRequest:
        return None
    wanted = sought.of(found)
    within = half_width(wanted)
    return None if within is None else (wanted.value, within)


def _pace(run: Run) -> float:
    """Return the usual time between readings, seconds."""
    steps = np.diff(run.t)
    return float(np.median(steps[steps > 0])) if (steps > 0).any() else 1.0


def _span(seconds: float) -> str:
    """Return a stretch of time as a person says it, rounded up."""
    if seconds < 90:
        return f"{math.ceil(seconds)} seconds"
    if seconds < 5400:
        return f"{math.ceil(seconds / 60)} minutes"
    return f"{show(math.ceil(seconds / 360) / 10, '')} hours"


def _up(kelvin: float) -> str:
    """Return a width rounded up to two digits."""
    if kelvin <= 0.01:
        return "0.01"
    decimals = max(1 - math.floor(math.log10(kelvin)), 0)
    return f"{math.ceil(kelvin * 10**decimals - 1e-9) / 10**decimals:g}"
