"""Hostile input against everything that takes any: `make fuzz`, `make fuzz CASES=1000 ONLY=units`.

Each campaign tries CASES cases: four fifths by coverage (atheris), one fifth drawn (hypothesis). A stretch can be
bounded (`--for SECONDS`); with `--state DIR` the next one goes on where it ended, with other seeds.
"""

import argparse
import json
import os
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from fuzz_worker import HEAD, HERE

NAMES = ("units", "parts", "labels", "settings", "dates", "photos", "readings", "deliveries", "bags", "pages")
"""The quick ones first."""
ENGINES = (("atheris", 0.8), ("hypothesis", 0.2))
STUCK_S = 90.0
"""A case that has not ended after this long, on whatever machine, hangs: its process is ended."""


@dataclass
class Job:
    """One campaign with one engine."""

    name: str
    engine: str
    cases: int
    done: int = 0
    seed: int = 0
    process: Any = None
    since: float = 0.0


def main() -> int:
    """Run what was asked for, print the table, and return 1 where there are findings or cases are missing."""
    asked = _asked()
    state = Path(asked.state or tempfile.mkdtemp(prefix="lotproof-fuzz-", dir=_quick()))
    state.mkdir(parents=True, exist_ok=True)
    log = state / "log.jsonl"
    names = [one for one in NAMES if not asked.only or one in asked.only.split(",")]
    if not names:
        print(f"There is no campaign {asked.only}; there are: {', '.join(NAMES)}.", file=sys.stderr)
        return 2
    engines = [one for one in ENGINES if not asked.engine or one[0] == asked.engine]
    jobs = [Job(name, engine, round(asked.cases * share)) for name in names for engine, share in engines]
    last = time.monotonic() + asked.seconds
    if not asked.table:
        _carry_out(jobs, log, state, last, asked)
    return _print(log, jobs, state)


def _asked() -> argparse.Namespace:
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("--cases", type=int, default=100_000)
    ask.add_argument("--only", default="", help="campaigns, parted by commas")
    ask.add_argument("--engine", default="")
    ask.add_argument("--seed", type=int, default=1)
    ask.add_argument("--at-once", type=int, default=2, help="processes")
    ask.add_argument("--for", dest="seconds", type=float, default=1e9, help="seconds, then go on another time")
    ask.add_argument("--state", default="", help="folder that keeps corpora and what was done")
    ask.add_argument("--table", action="store_true", help="only print what was done")
    return ask.parse_args()


def _quick() -> str | None:
    return "/dev/shm" if Path("/dev/shm").is_dir() else None


def _rows(log: Path) -> list[dict[str, Any]]:
    return [json.loads(line) for line in log.read_text().splitlines()] if log.exists() else []


def _carry_out(jobs: list[Job], log: Path, state: Path, last: float, asked: argparse.Namespace) -> None:
    rows = _rows(log)
    for job in jobs:
        mine = [row for row in rows if (row["campaign"], row["engine"]) == (job.name, job.engine)]
        job.done, job.seed = sum(row["cases"] for row in mine), asked.seed + len(mine)
    waiting, running = [job for job in jobs if job.done < job.cases], []
    while waiting or running:
        while waiting and len(running) < asked.at_once and time.monotonic() < last:
            job = waiting.pop(0)
            _start(job, state, last)
            running.append(job)
        if not running:
            break
        time.sleep(0.1)
        for job in list(running):
            if _ended(job, state, log):
                running.remove(job)
                if job.done < job.cases and time.monotonic() < last - 5:
                    waiting.insert(0, job)


def _start(job: Job, state: Path, last: float) -> None:
    (state / f"{job.name}.{job.engine}.json").unlink(missing_ok=True)
    (state / f"{job.name}.{job.engine}.case").unlink(missing_ok=True)
    seconds = max(1.0, last - time.monotonic())
    words = [job.name, job.engine, job.cases - job.done, job.seed, seconds, state]
    said = (state / f"{job.name}.{job.engine}.out").open("ab")
    threads = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "LOTPROOF_READER_THREADS"), "1")
    scratch = state / "scratch"
    scratch.mkdir(exist_ok=True)
    clean = {name: text for name, text in os.environ.items() if not name.startswith("LOTPROOF_")}
    job.process = subprocess.Popen(
        [sys.executable, str(HERE / "fuzz_worker.py"), *map(str, words)],
        stdout=said,
        stderr=said,
        env={
            **clean,
            **threads,
            "TMPDIR": str(scratch),
            "HOME": str(scratch),
            "LOTPROOF_CACHE": "",
            "MPLBACKEND": "Agg",
        },
    )
    job.since = time.time()


def _ended(job: Job, state: Path, log: Path) -> bool:
    """Tell whether a process ended, or end it where a case hangs; what it did goes into the log."""
    number, began, case = _under_way(state / f"{job.name}.{job.engine}.case")
    hangs = number > 0 and time.time() - began > STUCK_S
    if hangs:
        job.process.send_signal(signal.SIGKILL)
        job.process.wait()
    code = job.process.poll()
    if code is None:
        return False
    saved = state / f"{job.name}.{job.engine}.json"
    row = json.loads(saved.read_text()) if saved.exists() else _nothing(job)
    if code != 0:
        what = f"hangs after {STUCK_S:.0f} s" if hangs else f"the process ended with {code}"
        row["findings"][what] = {
            "said": f"case {number}",
            "times": 1,
            "name": f"{job.name}-{job.seed}",
            "case": case.hex(),
        }
        row["cases"] = max(row["cases"], number)
    row["seed"] = job.seed
    with log.open("a") as file:
        file.write(json.dumps(row) + "\n")
    job.done += row["cases"]
    job.seed += 1
    if code != 0 and number == 0:
        job.done = job.cases  # it does not even begin: its output says why
    return True


def _under_way(path: Path) -> tuple[int, float, bytes]:
    if not path.exists() or path.stat().st_size < HEAD.size:
        return 0, 0.0, b""
    with path.open("rb") as file:
        number, began, size = HEAD.unpack(file.read(HEAD.size))
        return number, began, file.read(max(0, size))


def _nothing(job: Job) -> dict[str, Any]:
    return {
        "campaign": job.name,
        "engine": job.engine,
        "cases": 0,
        "seconds": 0.0,
        "slowest": 0.0,
        "peak": 0,
        "base": 0,
        "stages": {},
        "findings": {},
        "slowest_case": "",
    }


def _print(log: Path, jobs: list[Job], state: Path) -> int:
    """Print one line for each campaign and engine, how deep its cases came, and what was found."""
    rows, wrong = _rows(log), False
    print(
        f"{'campaign':<12} {'engine':<11} {'cases':>8} {'seconds':>8} {'slowest s':>10} {'peak MB':>8} {'findings':>9}"
    )
    for job in jobs:
        mine = [row for row in rows if (row["campaign"], row["engine"]) == (job.name, job.engine)]
        cases = sum(row["cases"] for row in mine)
        found = {what: one for row in mine for what, one in row["findings"].items()}
        slowest = max((row["slowest"] for row in mine), default=0.0)
        peak = max((row["peak"] for row in mine), default=0) / 1e6
        seconds = sum(row["seconds"] for row in mine)
        short = "" if cases >= job.cases else f"  of {job.cases:,}"
        wrong = wrong or bool(found) or cases < job.cases
        print(
            f"{job.name:<12} {job.engine:<11} {cases:>8,} {seconds:>8.0f} {slowest:>10.3f} {peak:>8.0f} {len(found):>9}"
            f"{short}"
        )
        stages = sum((Counter(row["stages"]) for row in mine), Counter())
        _print_depth(stages)
        for what, one in found.items():
            kept = state / f"found-{one['name']}.bin"
            kept.write_bytes(bytes.fromhex(one["case"]))
            print(f"    FOUND {what} ({one['times']} times): {one['said']}\n          case: {kept}")
    return int(wrong)


def _print_depth(stages: Counter[str]) -> None:
    whole = max(1, stages.total())
    parts = [f"{stage} {count / whole:.0%}" for stage, count in stages.most_common(9) if count / whole >= 0.005]
    rest = len(stages) - len(parts)
    print(f"    {'; '.join(parts)}{f'; and {rest} more places' if rest > 0 else ''}")


if __name__ == "__main__":
    sys.exit(main())
