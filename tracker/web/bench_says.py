"""What a bench test would say of a form, recorded or not: verdict, figures, and what is drawn; one function a test."""

from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from typing import Any

from tracker.desk import bench, bench_curve, bench_in_circuit, bench_power, bench_signature, bench_soak, bench_words
from tracker.desk.bench import ClockRequest, CurrentRequest
from tracker.desk.bench_curve import CurveRequest
from tracker.desk.bench_entry import clock_steps, current_readings
from tracker.desk.bench_in_circuit import InCircuitRequest
from tracker.desk.bench_power import PowerRequest
from tracker.desk.bench_soak_entry import SoakRequest
from tracker.desk.drawing import Drawing, clock_drawing, current_drawing, soak_drawing
from tracker.desk.drawing_curves import curve_drawings
from tracker.desk.drawing_values import Before, in_circuit_drawings, power_drawing
from tracker.desk.workspace import Workspace

Words = list[tuple[str, str]]


@dataclass(frozen=True, slots=True)
class Said:
    """What a test would say, recorded or not.

    Parameters
    ----------
    verdict : str
        '' where there is none yet.
    words : list of (str, str)
    reasons : tuple of str
    drawings : tuple of Drawing
    sentence : str
        What to do now, in one sentence, for a heat soak.
    may_stop : bool
    """

    verdict: str
    words: Words
    reasons: tuple[str, ...]
    rule: str = ""
    drawings: tuple[Drawing, ...] = ()
    sentence: str = ""
    may_stop: bool = False


def says(workspace: Workspace, test: str, label: str, request: Any) -> Said | None:
    """Return what a test would say, recording nothing; None where there is nothing to say yet.

    Raises
    ------
    BadRequest
        As the desk's functions.
    """
    if test == "soak":
        return soak_says(request)
    if test == "signature":
        found = bench_signature.identify(request.readings, request.file, request.offset)
        return Said("", [row for one in found for row in bench_words.identity_text(one)], ())
    sayers: dict[str, Callable[[Workspace, str, Any], Said | None]] = {
        "current": current_says,
        "clock": clock_says,
        "curve": curve_says,
        "in-circuit": in_circuit_says,
        "power": power_says,
    }
    return sayers[test](workspace, label, request)


def current_says(workspace: Workspace, label: str, request: CurrentRequest) -> Said:
    """Return what the readings of a current say so far."""
    found = bench.preview_current(workspace, label, request)
    if request.taken is not None:
        readings = request.taken.readings
    else:
        readings, _ = current_readings(
            request.currents, request.clock, request.pairs, request.table, request.u, request.columns
        )
    cautions = [] if found.fitted is None else [("mind", text) for text in found.fitted.cautions]
    words = [*bench_words.current_text(found), *cautions]
    return Said(found.verdict, words, found.reasons, found.rule, (current_drawing(readings, found),))


def clock_says(workspace: Workspace, label: str, request: ClockRequest) -> Said | None:
    """Return what the steps say so far; None while there is none."""
    if not request.pairs and request.table is None:
        return None
    if request.table is not None:
        steps = clock_steps((), request.table, request.columns)[0]
        pairs = tuple(f"{step.clock_hz!r} Hz={'pass' if step.passed else 'fail'}" for step in steps)
        request = _with_pairs(request, pairs)
    found = bench.preview_clock(workspace, label, request)
    if found is None:
        return None
    words = [*bench_words.clock_text(found), *(("mind", text) for text in found.ceiling.cautions)]
    steps = clock_steps(request.pairs, None)[0]
    return Said(found.verdict, words, found.reasons, found.rule, (clock_drawing(steps, found),))


def _with_pairs(request: ClockRequest, pairs: tuple[str, ...]) -> ClockRequest:
    return replace(request, pairs=pairs, table=None, columns=())


def soak_says(request: SoakRequest) -> Said:
    """Return what a heat soak says so far."""
    course = bench_soak.course_so_far(request)
    found = course.result
    drawing = soak_drawing(course.time_s, course.temp_c, course.ambient_c, found)
    if found is None:
        return Said("", [], (), "", (drawing,), f"Go on: {course.needed} readings are needed at least.")
    return Said(
        found.verdict,
        bench_words.soak_text(found),
        found.reasons,
        found.rule,
        (drawing,),
        "The final rise is known well enough, you may stop." if found.stop.may_stop else found.stop.sentence,
        found.stop.may_stop,
    )


def curve_says(workspace: Workspace, label: str, request: CurveRequest) -> Said:
    """Return what pin curves say, a plot for each of the pins that matter most."""
    found, drawn = bench_curve.preview_curve(workspace, label, request)
    return Said(found.verdict, bench_words.curve_text(found), found.reasons, found.rule, curve_drawings(found, drawn))


def in_circuit_says(workspace: Workspace, label: str, request: InCircuitRequest) -> Said:
    """Return what a run in a machine says."""
    found = bench_in_circuit.preview_in_circuit(workspace, label, request)
    words = bench_words.in_circuit_text(found)
    return Said(found.verdict, words, found.reasons, found.rule, in_circuit_drawings(asdict(found)))


def power_says(workspace: Workspace, label: str, request: PowerRequest) -> Said:
    """Return what goes into a machine now, beside what went in when it was last recorded."""
    found, earlier = bench_power.preview_power(workspace, label, request)
    drawing = power_drawing(asdict(found), None if earlier is None else Before(earlier.run, earlier.result))
    words = [*bench_words.power_text(found), *(("mind", text) for text in found.cautions)]
    return Said(found.verdict, words, found.reasons, found.rule, () if drawing is None else (drawing,))
