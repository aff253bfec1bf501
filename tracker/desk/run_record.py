"""Everything on record about one bench run, as a page shows it: figures, readings, plot, kept file, and its weight."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracker.bench.figures import percent, show, show_u, show_with_u
from tracker.desk import dossier_plots
from tracker.desk.bench_power import earlier_power
from tracker.desk.bench_words import time_text
from tracker.desk.dossier_figures import figures, number, parsed
from tracker.desk.drawing import Drawing
from tracker.desk.drawing_values import Before, in_circuit_drawings, power_drawing
from tracker.desk.run_drawing import run_drawing
from tracker.desk.showing import RunShown, run_shown
from tracker.desk.workspace import Workspace
from tracker.errors import NoSuch
from tracker.records.models import BenchRun, Machine, Piece

Result = dict[str, Any]
_COLUMNS = {
    "clock_hz": ("clock", "Hz"),
    "current_a": ("current", "A"),
    "current_u_a": ("uncertainty", "A"),
    "voltage_v": ("voltage", "V"),
    "time_s": ("time", "s"),
    "temp_c": ("temperature", "C"),
    "ambient_c": ("ambient", "C"),
    "passed": ("outcome", ""),
    "text": ("what", ""),
}
MOST_ROWS = 300
"""Readings shown; more nobody reads one by one (common practice, no source). All of them are kept."""


@dataclass(frozen=True, slots=True)
class Readings:
    """Raw readings as a table of text; `left_out` of them are kept and not shown."""

    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    left_out: int


@dataclass(frozen=True, slots=True)
class RunRecord:
    """One run as its page shows it.

    Parameters
    ----------
    shown : RunShown
    piece, machine : str or None
        Labels of what was tested.
    figures : tuple of (str, str)
        What was measured, and what it was held against.
    reasons, notes : tuple of str
    readings : Readings
    file : (name, SHA-256) or None
        The table it came from, as it was handed in.
    plotted : str or None
        What its plot shows, in words; None where there is nothing to draw.
    drawing : Drawing or None
        The same as numbers, for the tests that are one plot over an axis.
    beside : tuple of Drawing
        For the tests of a few values: these beside each other.
    weighs : str or None
        What it does to the piece's suspicion today, in a sentence; None for a machine alone.
    """

    shown: RunShown
    piece: str | None
    machine: str | None
    figures: tuple[tuple[str, str], ...]
    reasons: tuple[str, ...]
    notes: tuple[str, ...]
    readings: Readings
    file: tuple[str, str] | None
    plotted: str | None
    drawing: Drawing | None
    beside: tuple[Drawing, ...]
    weighs: str | None


_PLOTS = {
    "current": "Supply current against clock, with its limit",
    "clock": "Clocks tried, and the ceiling they speak for",
    "soak": "Temperature against time, and the rise that fits it",
    "curve": "Current against voltage of the pins",
}


def run_record(workspace: Workspace, label: str) -> RunRecord:
    """Return everything on record about a run.

    Raises
    ------
    NoSuch
        There is no such run.
    """
    with workspace.read() as session:
        run = _find(session, label)
        result, shown = parsed(run), run_shown(session, run)
        piece = None if run.piece_id is None else session.get_one(Piece, run.piece_id)
        machine = None if run.machine_id is None else session.get_one(Machine, run.machine_id)
        return RunRecord(
            shown=shown,
            piece=None if piece is None else piece.label,
            machine=None if machine is None else machine.label,
            figures=(*((n, v) for n, v in figures(run.test, result) if v is not None), *_others(run.test, result)),
            reasons=_texts(result.get("reasons")),
            notes=_texts(result.get("notes")),
            readings=_readings(shown),
            file=_file(result),
            plotted=plotted(run),
            drawing=run_drawing(run, result) if _drawable(run) else None,
            beside=_beside(session, run, result),
            weighs=None if piece is None else _weighs(session, run, piece),
        )


def _beside(session: Session, run: BenchRun, result: Result) -> tuple[Drawing, ...]:
    if run.test == "in-circuit":
        return in_circuit_drawings(result)
    if run.test != "power" or run.machine_id is None:
        return ()
    earlier = earlier_power(session, run.machine_id, run.id)
    drawing = power_drawing(result, None if earlier is None else Before(earlier.run, earlier.result))
    return () if drawing is None else (drawing,)


def plotted(run: BenchRun) -> str | None:
    """Return what a run's plot shows, in words; None where there is nothing to draw."""
    return _PLOTS.get(run.test) if _drawable(run) else None


def run_plot(workspace: Workspace, label: str) -> bytes | None:
    """Return a run's plot as SVG; None where there is nothing to draw.

    Raises
    ------
    NoSuch
        There is no such run.
    """
    with workspace.read() as session:
        run = _find(session, label)
        result = parsed(run)
        named = _texts(result.get("exemplars"))
        exemplars = session.scalars(select(BenchRun).where(BenchRun.label.in_(named))).all()
        drawn = dossier_plots.plot(run, result, exemplars)
    return None if drawn is None else drawn[1]


def run_file(workspace: Workspace, label: str) -> tuple[str, bytes]:
    """Return the name and the bytes of the table a run came from, checked against their hash.

    Raises
    ------
    NoSuch
        There is no such run, or it came from no file.
    Damaged
        The kept file is missing or changed.
    """
    with workspace.read() as session:
        found = _file(parsed(_find(session, label)))
    if found is None:
        raise NoSuch(f"{label} came from no file: its readings were typed.", "They stand on the run's page.")
    return found[0], workspace.store.read(found[1])


def _find(session: Session, label: str) -> BenchRun:
    run = session.scalar(select(BenchRun).where(BenchRun.label == label.strip().upper()))
    if run is None:
        raise NoSuch(f"There is no bench run {label[:40]!r}.", "The page of its piece or machine lists its runs.")
    return run


def _file(result: Result) -> tuple[str, str] | None:
    table = result.get("table")
    if not isinstance(table, dict) or not isinstance(table.get("sha256"), str):
        return None
    return str(table.get("name") or "readings.csv"), table["sha256"]


def _drawable(run: BenchRun) -> bool:
    needed = {
        "current": ("current_a", "clock_hz"),
        "clock": ("clock_hz", "passed"),
        "soak": ("time_s", "temp_c"),
        "curve": ("voltage_v", "current_a"),
    }.get(run.test)
    if needed is None:
        return False
    there = sum(all(getattr(one, name) is not None for name in needed) for one in run.samples)
    return there >= (2 if run.test == "soak" else 1)


def _weighs(session: Session, run: BenchRun, piece: Piece) -> str:
    from tracker.desk.assess import piece_suspicion

    now = piece_suspicion(session, piece)
    code = f"bench-{run.test}-{run.verdict}"
    line = next((one for one in now.lines if one.code == code), None)
    day = f"On its day it weighed {run.weight_db:+.1f} db"
    if run.verdict == "undecided":
        today = "an undecided test says nothing"
    elif line is None:
        today = "today it has no line of its own in the sum: a later run of this test stands in its place"
    else:
        today = f"today its line in the sum is {line.weight_db:+.1f} db"
    return f"{day}; {today}. {piece.label} stands at {percent(now.probability)} now."


def _readings(shown: RunShown) -> Readings:
    filled = [dict(one) for one in shown.samples]
    names = [name for name in _COLUMNS if any(name in one for one in filled)]
    heads = tuple(_COLUMNS[name][0] for name in names)
    rows = tuple(tuple(_cell(name, one.get(name)) for name in names) for one in filled[:MOST_ROWS])
    return Readings(heads, rows, max(len(filled) - MOST_ROWS, 0))


def _cell(name: str, value: Any) -> str:
    if value is None:
        return ""
    if name == "passed":
        return "pass" if value else "fail"
    if name == "text":
        return str(value)
    unit = _COLUMNS[name][1]
    return show_u(float(value), unit) if name == "current_u_a" else show(float(value), unit, 6)


def _others(test: str, result: Result) -> Sequence[tuple[str, str]]:
    """Return the figures of the tests that are told by few of them."""
    makers = {"power": _power, "signature": _signature, "curve": _curve, "in-circuit": _in_circuit}
    return makers[test](result) if test in makers else ()


def _power(result: Result) -> list[tuple[str, str]]:
    named = (
        ("into the board", "board_w"),
        ("into the supply", "real_w"),
        ("apparent", "apparent_va"),
        ("power factor", "power_factor"),
        ("losses of the supply", "loss_w"),
    )
    told = []
    for name, key in named:
        value = number(result, key, "value")
        if value is not None:
            told.append((name, show_with_u(value, number(result, key, "u"), str(result[key].get("unit") or ""))))
    return told


def _signature(result: Result) -> list[tuple[str, str]]:
    identity, marked = result.get("identity") or {}, result.get("marked") or {}
    told = [
        ("bytes", identity.get("raw")),
        ("maker code", identity.get("maker_code")),
        ("maker", identity.get("maker")),
        ("device code", identity.get("device_code")),
        ("marking", " or ".join(_texts(marked.get("makers"))) or "no maker known"),
    ]
    return [(name, str(value)) for name, value in told if value]


def _curve(result: Result) -> list[tuple[str, str]]:
    told = [(f"pin {one.get('pin')}", str(one.get("told") or one.get("stand"))) for one in result.get("pins") or ()]
    held = ", ".join(_texts(result.get("exemplars"))) or "nothing: no exemplar has kept curves"
    return [("held against", held), *told]


def _in_circuit(result: Result) -> list[tuple[str, str]]:
    told = [("runs", "yes" if result.get("runs") else "no")]
    duration = number(result, "duration_s")
    if duration is not None:
        told.append(("for", time_text(duration)))
    told += [
        (f"check: {one.get('what')}", "in order" if one.get("passed") else "NOT in order")
        for one in result.get("checks") or ()
    ]
    return told


def _texts(value: Any) -> tuple[str, ...]:
    return tuple(str(one) for one in value) if isinstance(value, list) else ()
