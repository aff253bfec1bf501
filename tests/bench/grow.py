"""Grow a workshop of a seed, as large as asked for: `python tests/bench/grow.py FOLDER --scale 0.01`.

Everything in it is invented; its journal is true and signed, and `lotproof verify` finds nothing to say. At scale 1 it
holds 1,000 lots, 100,000 pieces, about 300,000 inspections and 1,000,000 journal entries, some 4 GB.
"""

import argparse
import os
import resource
import shutil
import sys
import time
from dataclasses import asdict
from datetime import date
from pathlib import Path

sys.path.append(str(Path(__file__).parents[1]))

from growing_years import Years, grow_years

from tracker.desk.keys import VARIABLE
from tracker.desk.workspace import Workspace


def grown_workshop(folder: Path, size: Years, database: str | None = None) -> dict[str, float]:
    """Grow a workshop in a new folder and return what was written, with the seconds it took and the peak of memory."""
    begun, cpu = time.perf_counter(), time.process_time()
    if database is not None:
        os.environ["LOTPROOF_DATABASE"] = database
    with Workspace.open(folder, create=True) as workspace:
        grown = grow_years(workspace, size)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    took = {"seconds": time.perf_counter() - begun, "processor_s": time.process_time() - cpu}
    return {**asdict(grown), **took, "peak_mb": round(peak)}


def main() -> None:
    """Read the command line, grow, and say what is there."""
    parser = argparse.ArgumentParser(description="Grow an invented workshop with a true journal.")
    parser.add_argument("folder", type=Path, help="a folder that is not there yet")
    parser.add_argument("--scale", type=float, default=1.0, help="1 is 1,000 lots and 1,000,000 entries")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--today", type=date.fromisoformat, default=date.today(), help="the day the records end on")
    parser.add_argument("--database", help="address of an empty PostgreSQL database; else SQLite in the folder")
    parser.add_argument("--keys", type=Path, help=f"where the signing key is kept; else as {VARIABLE} says")
    asked = parser.parse_args()
    if asked.folder.exists():
        parser.error(f"{asked.folder} is there already.")
    if asked.keys is not None:
        os.environ[VARIABLE] = str(asked.keys)
    size = Years(asked.scale, asked.seed, asked.today)
    try:
        found = grown_workshop(asked.folder, size, asked.database)
    except BaseException:
        shutil.rmtree(asked.folder, ignore_errors=True)
        raise
    print("\n".join(f"{name.replace('_', ' '):14}{value:>14,.0f}" for name, value in found.items()))


if __name__ == "__main__":
    main()
