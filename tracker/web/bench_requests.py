"""From a sent form to what the desk is asked: one function a test, and what each would say."""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tracker.bench.cautions import Protocol
from tracker.desk import bench, bench_curve, bench_power, bench_signature, bench_soak, bench_words
from tracker.desk.bench import ClockRequest, CurrentRequest, InCircuitRequest
from tracker.desk.bench_curve import CurveRequest
from tracker.desk.bench_entry import Typed, clock_steps, current_readings
from tracker.desk.bench_power import PowerRequest
from tracker.desk.bench_record import Recorded
from tracker.desk.bench_signature import SignatureRequest
from tracker.desk.bench_soak import SoakRequest, reading
from tracker.desk.drawing import Drawing, clock_drawing, current_drawing, soak_drawing
from tracker.desk.workspace import Workspace
from tracker.errors import BadRequest
from tracker.web.bench_sent import AtField, Sent, number

Words = list[tuple[str, str]]
__all__ = ["Protocol", "Said", "record", "request_of", "says"]


@dataclass(frozen=True, slots=True)
class Said:
    """What a test would say, recorded or not.

    Parameters
    ----------
    verdict : str
        '' where there is none yet.
    words : list of (str, str)
    reasons : tuple of str
    drawing : Drawing or None
    sentence : str
        What to do now, in one sentence, for a heat soak.
    may_stop : bool
    """

    verdict: str
    words: Words
    reasons: tuple[str, ...]
    rule: str = ""
    drawing: Drawing | None = None
    sentence: str = ""
    may_stop: bool = False


def request_of(test: str, sent: Sent, table: Path | None) -> Any:
    """Return what the desk is asked.

    Raises
    ------
    BadRequest
        A row lacks what it needs, or what must be chosen was not.
    """
    return _REQUESTS[test](sent, table)


def record(workspace: Workspace, test: str, label: str, request: Any, operator: str) -> Recorded[Any]:
    """Record a run.

    Raises
    ------
    BadRequest
        As the desk's functions.
    """
    runs: dict[str, Callable[..., Any]] = {
        "current": bench.run_current,
        "clock": bench.run_clock,
        "soak": bench_soak.run_soak,
        "signature": bench_signature.run_signature,
        "in-circuit": bench.run_in_circuit,
        "power": bench_power.run_power,
        "curve": bench_curve.run_curve,
    }
    found = runs[test](workspace, label, request, operator=operator)
    return found[0] if test == "curve" else found  # type: ignore[no-any-return]


def says(workspace: Workspace, test: str, label: str, request: Any) -> Said | None:
    """Return what a test would say, recording nothing; None where the test has no such answer.

    Raises
    ------
    BadRequest
        As the desk's functions.
    """
    if test == "current":
        return current_says(workspace, label, request)
    if test == "clock":
        return clock_says(workspace, label, request)
    if test == "soak":
        return soak_says(request)
    if test == "signature":
        found = bench_signature.identify(request.readings, request.file, request.offset)
        return Said("", [row for one in found for row in bench_words.identity_text(one)], ())
    return None


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
    return Said(found.verdict, words, found.reasons, found.rule, current_drawing(readings, found))


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
    return Said(found.verdict, words, found.reasons, found.rule, clock_drawing(steps, found))


def _with_pairs(request: ClockRequest, pairs: tuple[str, ...]) -> ClockRequest:
    from dataclasses import replace

    return replace(request, pairs=pairs, table=None, columns=())


def soak_says(request: SoakRequest) -> Said:
    """Return what a heat soak says so far."""
    course = bench_soak.course_so_far(request)
    found = course.result
    drawing = soak_drawing(course.time_s, course.temp_c, course.ambient_c, found)
    if found is None:
        return Said("", [], (), "", drawing, f"Go on: {course.needed} readings are needed at least.")
    return Said(
        found.verdict,
        bench_words.soak_text(found),
        found.reasons,
        found.rule,
        drawing,
        "The final rise is known well enough, you may stop." if found.stop.may_stop else found.stop.sentence,
        found.stop.may_stop,
    )


def _typed(sent: Sent) -> Typed:
    return Typed(*(sent.get(name) for name in ("supply", "ambient", "jig", "instrument", "remark")))


def _k(sent: Sent) -> float | None:
    text = sent.get("k")
    return None if text is None else number(text)


def _both(sent: Sent, rows: str, first: str, second: str) -> tuple[str, ...]:
    """Return rows of two cells as 'FIRST=SECOND'."""
    found = []
    for i, row in enumerate(sent.of(rows)):
        if not (row[0] and row[1]):
            lacking = first if not row[0] else second
            raise AtField(f"{rows}.{lacking}.{i}", f"Row {i + 1} lacks its {lacking}.", "Fill it in, or empty the row.")
        found.append(f"{row[0]}={row[1]}")
    return tuple(found)


def _current(sent: Sent, table: Path | None) -> CurrentRequest:
    rows = sent.of("read")
    for i, (_, current) in enumerate(rows):
        if not current:
            raise AtField(f"read.current.{i}", f"Row {i + 1} lacks its current.", "Fill it in, or empty the row.")
    with_clock = [row for row in rows if row[0]]
    if with_clock and len(with_clock) < len(rows):
        i = next(i for i, row in enumerate(rows) if not row[0])
        raise AtField(
            f"read.clock.{i}", "Some readings have a clock and some have none.", "State it with each, or with none."
        )
    return CurrentRequest(
        currents=tuple(current for clock, current in rows if not clock),
        pairs=tuple(f"{clock}={current}" for clock, current in with_clock),
        table=table,
        columns=sent.mapped if table is not None else (),
        u=sent.get("u"),
        clock_u=sent.get("clock_u"),
        k=_k(sent),
        limit=sent.get("limit"),
        limit_source=sent.get("limit_source"),
        limit_clock=sent.get("limit_clock"),
        typed=_typed(sent),
    )


def _clock(sent: Sent, table: Path | None) -> ClockRequest:
    return ClockRequest(
        pairs=_both(sent, "step", "clock", "outcome"),
        table=table,
        columns=sent.mapped if table is not None else (),
        grade=sent.get("grade"),
        grade_source=sent.get("grade_source"),
        margin=sent.get("margin"),
        grade_supply=sent.get("grade_supply"),
        grade_ambient=sent.get("grade_ambient"),
        typed=_typed(sent),
    )


def _soak(sent: Sent, table: Path | None) -> SoakRequest:
    pairs = []
    for i, (time, temp, ambient) in enumerate(sent.of("at")):
        if not (time and temp):
            lacking = "time" if not time else "temp"
            named = {"time": "time", "temp": "temperature"}[lacking]
            raise AtField(f"at.{lacking}.{i}", f"Row {i + 1} lacks its {named}.", "Fill it in, or empty the row.")
        reading(time, temp)
        pairs.append(f"{time}={temp}, {ambient}" if ambient else f"{time}={temp}")
    case = sent.get("case")
    return SoakRequest(
        pairs=tuple(pairs),
        table=table,
        columns=sent.mapped if table is not None else (),
        thermistor=sent.get("thermistor"),
        cold_junction=sent.get("cold_junction"),
        limit=sent.get("limit"),
        limit_temp=sent.get("limit_temp"),
        limit_source=sent.get("limit_source"),
        u=sent.get("u"),
        k=_k(sent),
        aim=sent.get("aim"),
        heat_on=sent.get("heat_on"),
        cold=sent.get("cold") is not None,
        case=None if case is None else case == "closed",
        spots=_both(sent, "spot", "what", "temp"),
        machine=sent.get("machine"),
        typed=_typed(sent),
    )


def _signature(sent: Sent, file: Path | None) -> SignatureRequest:
    return SignatureRequest(
        readings=tuple(row[0] for row in sent.of("read")),
        file=file,
        offset=sent.get("offset"),
        maker=sent.get("maker"),
        typed=_typed(sent),
    )


def _curve(sent: Sent, table: Path | None) -> CurveRequest:
    if table is None:
        raise AtField("file", "There is no table of curves.", "Send a CSV file: pin, voltage and current.")
    named = tuple((sent.get("exemplar") or "").replace(",", " ").split())
    return CurveRequest(table=table, exemplars=named, common=sent.get("common"), typed=_typed(sent))


def _in_circuit(sent: Sent, _: Path | None) -> InCircuitRequest:
    runs = sent.get("runs")
    if runs is None:
        raise AtField("runs", "Whether the machine runs was not said.", "Choose 'runs' or 'does not run'.")
    return InCircuitRequest(
        runs=runs == "yes",
        duration=sent.get("duration"),
        machine=sent.get("machine"),
        checks=_both(sent, "check", "what", "outcome"),
        known_good=sent.get("known_good"),
        least=sent.get("least"),
        board_before=tuple(row[0] for row in sent.of("before")),
        board_after=tuple(row[0] for row in sent.of("after")),
        board_u=sent.get("board_u"),
        typed=_typed(sent),
    )


def _power(sent: Sent, _: Path | None) -> PowerRequest:
    return PowerRequest(
        rails=_both(sent, "rail", "voltage", "current"),
        mains_voltage=sent.get("mains_voltage"),
        mains_current=sent.get("mains_current"),
        mains_power=sent.get("mains_power"),
        within=sent.get("within"),
        limit=sent.get("limit"),
        typed=_typed(sent),
    )


_REQUESTS: dict[str, Callable[[Sent, Path | None], Any]] = {
    "current": _current,
    "clock": _clock,
    "soak": _soak,
    "signature": _signature,
    "curve": _curve,
    "in-circuit": _in_circuit,
    "power": _power,
}


def refuse_two_ways(sent: Sent, rows: tuple[str, ...], table: Path | None) -> None:
    """Refuse readings that came in rows and as a file.

    Raises
    ------
    BadRequest
    """
    if table is not None and any(sent.of(name) for name in rows):
        raise BadRequest("There are readings in the rows and a file as well.", "Empty the rows, or leave the file out.")
