"""From a sent form to what the desk is asked: one function a test."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

from tracker.desk import bench, bench_curve, bench_in_circuit, bench_power, bench_signature, bench_soak
from tracker.desk.bench import ClockRequest, CurrentRequest
from tracker.desk.bench_curve import CurveRequest
from tracker.desk.bench_entry import Typed
from tracker.desk.bench_in_circuit import InCircuitRequest
from tracker.desk.bench_power import PowerRequest
from tracker.desk.bench_record import Recorded
from tracker.desk.bench_signature import SignatureRequest
from tracker.desk.bench_soak_entry import SoakRequest, reading
from tracker.desk.workspace import Workspace
from tracker.errors import BadRequest
from tracker.web.bench_sent import AtField, Sent, number


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
        "in-circuit": bench_in_circuit.run_in_circuit,
        "power": bench_power.run_power,
        "curve": bench_curve.run_curve,
    }
    found = runs[test](workspace, label, request, operator=operator)
    return found[0] if test == "curve" else found  # type: ignore[no-any-return]


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
    text = sent.get("readings")
    if table is None and text is None:
        raise AtField("readings", "There is no reading.", "Type pin, voltage and current, or send a CSV file.")
    if text is not None:
        _check_table(text)
    named = tuple((sent.get("exemplar") or "").replace(",", " ").split())
    return CurveRequest(table=table, exemplars=named, common=sent.get("common"), readings=text, typed=_typed(sent))


def _check_table(text: str) -> None:
    """Say at its field what is wrong with a typed table."""
    try:
        bench_curve.check_typed(text)
    except BadRequest as error:
        raise AtField("readings", error.what, error.advice) from None


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
    """Refuse readings that came in rows, or typed as a table, and as a file.

    Raises
    ------
    BadRequest
    """
    if table is not None and any(sent.of(name) for name in rows):
        raise BadRequest("There are readings in the rows and a file as well.", "Empty the rows, or leave the file out.")
    if table is not None and sent.get("readings") is not None:
        what = "There are typed readings and a file as well."
        raise AtField("readings", what, "Empty this field, or take the file out.")
