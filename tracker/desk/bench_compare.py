"""Laying kept bench runs side by side: before and after each change to a machine."""

import json
import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracker.bench import compare as comparing
from tracker.bench import life
from tracker.bench.compare import Comparison, Figure, Side
from tracker.bench.figures import show
from tracker.bench.life import Life
from tracker.bench.traces import Trace, at_minute, picture, rise_trace
from tracker.desk.plotting import plot_kind, write_plot
from tracker.desk.workspace import Workspace
from tracker.errors import BadRequest, NoSuch
from tracker.records.models import BenchRun, Machine, Piece

_POWERS = (
    ("board_w", "power into the board"),
    ("real_w", "power into the supply"),
    ("apparent_va", "apparent power"),
    ("power_factor", "power factor"),
    ("loss_w", "losses in the supply"),
)
_FINAL_RISE = "final rise"
REFERENCE_AMBIENT_C = 25.0
"""Ambient to which final rises are carried for the life ratio; common practice, no source."""
_K95 = 1.959964  # half an interval of 95 % in standard uncertainties


@dataclass(frozen=True, slots=True)
class Compared:
    """Runs side by side.

    Parameters
    ----------
    comparison : Comparison
    lives : tuple of (str, Life or None)
        For each column, the factor by which expected life grows from the first column's final temperature to its own;
        None where either has no soak.
    traces : tuple of (str, Trace)
        Temperature rises to lay over each other, with their column's title.
    notes : tuple of str
        What is missing or differs between the runs.
    """

    comparison: Comparison
    lives: tuple[tuple[str, Life | None], ...]
    traces: tuple[tuple[str, Trace], ...]
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Column:
    title: str
    runs: tuple[BenchRun, ...]
    traces: tuple[Trace, ...]


def compare_runs(
    workspace: Workspace,
    columns: Sequence[str],
    *,
    minutes: Sequence[float] = (),
    ambient_c: float = REFERENCE_AMBIENT_C,
    ea_ev: float = life.DEFAULT_EA_EV,
) -> Compared:
    """Return the runs named, side by side.

    Parameters
    ----------
    columns : sequence of str
        Each a run (`B0003`), several that make one column (`B0003+B0004`), or either with a title before it
        (`stock=B0003+B0004`). The first is what the others are held against.
    minutes : sequence of float
        Times at which the rises of heat soaks are compared, in minutes since the heat came on.
    ambient_c : float
        Ambient to which the final rises are carried for the life ratio.
    ea_ev : float
        Its activation energy.

    Raises
    ------
    BadRequest
        Fewer than two columns, a run that is not there or named twice, or nothing that can be compared.
    """
    if len(columns) < 2:
        raise BadRequest("One column has nothing to be compared with.", "Name two runs or more: B0003 B0007.")
    with workspace.read() as session:
        found = [_column(session, text) for text in columns]
        labels = [run.label for column in found for run in column.runs]
        twice = sorted({label for label in labels if labels.count(label) > 1})
        if twice:
            raise BadRequest(f"{twice[0]} is named twice.")
        sides = [_side(column, minutes) for column in found]
        traces = tuple((column.title, trace) for column in found for trace in column.traces)
        notes = (*_subjects(session, found), *_conditions(found), *_minutes(found, minutes))
    table = comparing.compare(sides)
    if not any(difference for row in table.rows for difference in row.differences):
        raise BadRequest(
            "These runs have no quantity in common.", "Compare runs of one test: two of `bench power`, or two soaks."
        )
    lives = tuple(zip(table.labels, _lives(table, ambient_c, ea_ev), strict=True))
    return Compared(table, lives, traces, notes)


def _column(session: Session, text: str) -> _Column:
    title, equals, rest = text.rpartition("=")
    runs = tuple(_run(session, label.strip()) for label in rest.split("+"))
    traces = tuple(rise_trace(run.samples) for run in runs if run.test == "soak")
    return _Column(title.strip() if equals and title.strip() else _title(runs), runs, traces)


def _run(session: Session, label: str) -> BenchRun:
    run = session.scalar(select(BenchRun).where(BenchRun.label == label.upper()))
    if run is None:
        raise NoSuch(f"There is no bench run {label!r}.", "`lotproof list runs` shows those there are.")
    return run


def _title(runs: Sequence[BenchRun]) -> str:
    return next((run.remark for run in runs if run.remark), "+".join(run.label for run in runs))


def _side(column: _Column, minutes: Sequence[float]) -> Side:
    figures = [figure for run in column.runs for figure in figures_of(run)]
    figures += [figure for trace in column.traces for minute in minutes for figure in at_minute(trace, minute)]
    return Side("+".join(run.label for run in column.runs), column.title, tuple(figures))


def figures_of(run: BenchRun) -> list[Figure]:
    """Return the quantities of one run that can be laid beside another's."""
    result = json.loads(run.result)
    gather = {
        "current": _of_current,
        "power": _of_power,
        "clock": _of_clock,
        "in-circuit": _of_in_circuit,
        "soak": _of_soak,
    }
    return gather[run.test](run, result) if run.test in gather else []


def _of_current(run: BenchRun, result: dict[str, Any]) -> list[Figure]:
    at = "" if result.get("at_hz") is None else f" at {show(result['at_hz'], 'Hz')}"
    value, u = float(result["current_a"]), result.get("u_a")
    figures = [Figure(f"current{at}", value, u, "A")]
    if run.supply_v is not None:
        # The supply is what the operator set; its error is common to the runs, and the current's decides.
        figures.append(Figure(f"power{at}", value * run.supply_v, None if u is None else abs(run.supply_v) * u, "W"))
    return figures


def _of_power(_: BenchRun, result: dict[str, Any]) -> list[Figure]:
    return [
        Figure(name, result[key]["value"], result[key]["u"], result[key]["unit"])
        for key, name in _POWERS
        if result.get(key) is not None
    ]


def _of_clock(_: BenchRun, result: dict[str, Any]) -> list[Figure]:
    ceiling = result["ceiling"]
    if ceiling["value_hz"] is None:
        return []
    ends = ceiling["lower_hz"], ceiling["upper_hz"]
    u = None if None in ends else (ends[1] - ends[0]) / (2 * _K95)
    return [Figure("clock ceiling", ceiling["value_hz"], u, "Hz")]


def _of_soak(_: BenchRun, result: dict[str, Any]) -> list[Figure]:
    rise, fitted = result.get("rise"), result.get("fitted")
    figures = []
    if rise is not None and rise["value_k"] is not None:
        figures.append(Figure(_FINAL_RISE, rise["value_k"], rise["u_k"], "K"))
    if rise is not None and fitted is not None:
        time_constant = fitted["time_constant"]
        figures.append(Figure("time constant", time_constant["value"], time_constant["se"], "s"))
    # A thermometer laid on by hand has no stated uncertainty, so a difference between spots has none either.
    return figures + [Figure(f"{spot['what']}", spot["temp_c"], None, "C") for spot in result.get("spots", ())]


def _minutes(columns: Sequence[_Column], minutes: Sequence[float]) -> tuple[str, ...]:
    """What to mind about rises at a minute."""
    told = []
    for minute in minutes:
        lacking = [c.title for c in columns if not any(at_minute(trace, minute) for trace in c.traces)]
        if lacking:
            told.append(f"No reading of {', '.join(lacking)} lies near {minute:g} min.")
    if len(told) < len(minutes):
        told.append(
            "Rises at a minute carry the scatter of the readings alone: a thermometer's own error is the same in both "
            "runs as long as it is the same thermometer in the same place."
        )
    return tuple(told)


def _lives(table: Comparison, ambient_c: float, ea_ev: float) -> list[Life | None]:
    """The life factor of each column against the first, at one ambient for all."""
    rises = next((row.figures for row in table.rows if row.name == _FINAL_RISE), None)
    if rises is None or rises[0] is None:
        return [None] * len(table.labels)
    base = ambient_c + rises[0].value
    return [None if one is None else life.factor(base, ambient_c + one.value, ea_ev=ea_ev) for one in rises]


def _of_in_circuit(_: BenchRun, result: dict[str, Any]) -> list[Figure]:
    duration = result.get("duration_s")
    return [] if duration is None else [Figure("time it ran", duration, None, "s")]


def _subjects(session: Session, columns: Sequence[_Column]) -> tuple[str, ...]:
    """What to mind where the runs are not all of one machine or piece."""
    labels = dict.fromkeys(_subject(session, run) for column in columns for run in column.runs)
    return (f"These are runs of {' and '.join(labels)}, not of one subject.",) if len(labels) > 1 else ()


def _subject(session: Session, run: BenchRun) -> str:
    if run.machine_id is not None:
        return session.get_one(Machine, run.machine_id).label
    return session.get_one(Piece, run.piece_id).label if run.piece_id is not None else "nothing"


def _conditions(columns: Sequence[_Column]) -> tuple[str, ...]:
    runs = [run for column in columns for run in column.runs]
    volts = {round(run.supply_v, 6) for run in runs if run.supply_v is not None}
    ambient = [run.ambient_c for run in runs if run.ambient_c is not None]
    told = []
    if len(volts) > 1:
        told.append(f"The supplies differ: {', '.join(show(v, 'V') for v in sorted(volts))}.")
    if ambient and not math.isclose(min(ambient), max(ambient), abs_tol=_AMBIENT_APART_K):
        told.append(f"The ambients differ by {max(ambient) - min(ambient):.1f} K.")
    return tuple(told)


_AMBIENT_APART_K = 3.0  # a bench at room temperature varies by as much in a day; common practice, no source


def draw(found: Compared, path: Path) -> None:
    """Write the temperature rises of compared runs, laid over each other, to a PNG or SVG file.

    Raises
    ------
    BadRequest
        None of the runs is a heat soak, or the file cannot be written.
    """
    write_plot(path, picture(found.traces, plot_kind(path)))
