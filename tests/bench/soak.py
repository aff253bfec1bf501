"""A day's heat soak, a reading every second, against pandas reading the same file: in one process, and as commands."""

import io
import sys
import sysconfig
from pathlib import Path

import numpy as np
import pandas as pd
from matplotlib.figure import Figure
from ratios import Result, always, paired, ratio, shell

sys.path.append(str(Path(__file__).parents[1]))

from soak_coverage import CORRELATED, DESIGNS, covered

from tracker.bench import plots, soak, soak_model, soak_table

SECONDS = 86_400
REPEATS = 2000
READS = (
    "A day of readings of temperature and ambient, one a second. In one process: reading and fitting them, then the "
    "plot as well, in units of pandas.read_csv of the file; drawing axes and text with matplotlib takes several such "
    "units by itself, however few the readings, so the plot stands against one drawn plainly, too. As commands: what a "
    "person waits for, imports and all."
)


def made(path: Path) -> None:
    """Write a day's soak with known truth: a rise of 31.4 K, 1900 s, in a room that goes up and down."""
    rng = np.random.default_rng(20)
    t = np.arange(float(SECONDS))
    room = 22.0 + 2.0 * np.sin(2 * np.pi * t / SECONDS) + 0.5 * np.sin(2 * np.pi * t / 1500.0)
    felt = room - soak_model.ambient_lag(soak.run_of(t, room, room), np.array([1900.0]))[0]
    temp = felt - 31.4 * np.expm1(-t / 1900.0) + rng.normal(0.0, 0.15, len(t))
    table = {
        "time_s": t.astype(int),
        "temp_c": temp.round(2),
        "ambient_c": (room + rng.normal(0, 0.1, len(t))).round(2),
    }
    pd.DataFrame(table).to_csv(path, index=False)


def run(folder: Path) -> Result:
    """Time both, nine rounds each."""
    path = folder / "day.csv"
    made(path)

    def fitted() -> soak.Soak:
        table = soak_table.soak_table(path)
        return soak.fit(table.time_s, table.temp_c, table.ambient_c)

    def plotted() -> bytes:
        table = soak_table.soak_table(path)
        found = soak.fit(table.time_s, table.temp_c, table.ambient_c)
        return plots.soak_plot(table.time_s, table.temp_c, table.ambient_c, found)

    def plainly() -> None:
        frame = pd.read_csv(path)
        figure = Figure(figsize=(7.0, 4.0), dpi=100)
        figure.add_subplot().plot(frame["time_s"], frame[["temp_c", "ambient_c"]])
        figure.savefig(io.BytesIO(), format="png")

    command = str(Path(sysconfig.get_path("scripts")) / "lotproof")
    ours = [command, "calc", "soak", str(path), "--plot", str(folder / "day.png")]
    plain = [sys.executable, "-c", f"import pandas; pandas.read_csv({str(path)!r})"]
    read = always(lambda: pd.read_csv(path))
    whole = paired(always(lambda: shell(ours)), always(lambda: shell(plain)), rounds=9)
    final = fitted().final
    coverage = {design.name: covered(design, REPEATS, seed=80_917) for design in (*DESIGNS, *CORRELATED)}
    return Result(
        (
            ratio(
                "soak, fit",
                ours="read, fit",
                plain="read_csv",
                took=paired(always(fitted), read, rounds=9),
                reads=READS,
            ),
            ratio(
                "soak, plot",
                ours="read, fit, plot",
                plain="read_csv",
                took=paired(always(plotted), read, rounds=9),
                reads=READS,
            ),
            ratio(
                "soak, plot",
                ours="read, fit, plot",
                plain="read_csv, savefig",
                took=paired(always(plotted), always(plainly), rounds=9),
                reads=READS,
            ),
            ratio("soak, command", ours="calc soak --plot", plain="python read_csv", took=whole, reads=READS),
        ),
        lines=(
            f"final rise {final.value:.4f} K, 95 % {final.lower:.4f} to {final.upper:.4f}; made with 31.4 K",
            *(
                f"95 % interval of {name}: holds the truth in {100 * one.share:.1f} % of {one.bounded} "
                f"(of {one.repeats}, the others not bounded)"
                for name, one in coverage.items()
            ),
        ),
        figures={"coverage": {name: one.share for name, one in coverage.items()}},
    )
