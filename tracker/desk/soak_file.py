"""A heat soak from a file, without a workspace; apart from the other computations, whose libraries it does not need."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from tracker.bench import plots, soak, soak_course, thermometry, units
from tracker.bench.soak import Soak
from tracker.bench.soak_creep import Creep, creep
from tracker.bench.soak_model import Run
from tracker.bench.soak_table import Sensors, soak_table
from tracker.desk.plotting import plot_kind, write_plot


@dataclass(frozen=True, slots=True)
class SoakFile:
    """A fitted table, what something slower may still add, what is odd about it, and where its plot was written."""

    soak: Soak
    slower: Creep | None
    notes: tuple[str, ...]
    plot: str | None


def soak_file(
    path: Path,
    *,
    from_rest: bool = False,
    columns: Sequence[str] = (),
    thermistor: str | None = None,
    cold_junction: str | None = None,
    plot: Path | None = None,
) -> SoakFile:
    """Return the first-order rise fitted to a table (see `tracker.bench.soak_table`), and write its plot."""
    kind = None if plot is None else plot_kind(plot)
    sensors = Sensors(
        None if thermistor is None else thermometry.thermistor(thermistor),
        None if cold_junction is None else units.quantity(cold_junction, "temperature"),
    )
    table = soak_table(path, sensors, columns)
    found = soak.fit(table.time_s, table.temp_c, table.ambient_c, from_rest=from_rest)
    run = soak.run_of(table.time_s, table.temp_c, table.ambient_c)
    found = replace(found, cautions=(*found.cautions, *_climbing(found, run)))
    if plot is not None and kind is not None:
        picture = plots.soak_plot(table.time_s, table.temp_c, table.ambient_c, found, kind=kind, title=path.name)
        write_plot(plot, picture)
    return SoakFile(found, creep(found, run), table.notes, None if plot is None else str(plot))


def _climbing(found: Soak, run: Run) -> tuple[str, ...]:
    """Return what a recorded soak would be refused a final value for."""
    if soak_course.course(found, run, found.final, soak_course.DEFAULT_AIM_K) != "still climbs":
        return ()
    said = soak_course.stop_not("still climbs", soak_course.DEFAULT_AIM_K).sentence.removeprefix("go on: ")
    return (f"{said[:1].upper()}{said[1:]}; the final value leaves that out.",)
