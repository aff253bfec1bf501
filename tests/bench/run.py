"""Speed as ratios against plain tools on the same input, in one run: `make bench`.

Seconds depend on the machine and on what else it does; a ratio of two sides that took turns depends on them far less.
Nothing here passes or fails.
"""

import argparse
import json
import os
import platform
import sqlite3
import sys
import tempfile
import textwrap
import time
from collections.abc import Callable, Sequence
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

import altered
import bags
import dates
import files
import foam
import grown
import intervals
import live
import load
import next_test
import page
import page_reads
import photos
import records
import reinspect
import soak
import starting
from bars import bar
from ratios import Ratio, Result, quartiles

BENCHMARKS: dict[str, Callable[[Path], Result]] = {
    "help": starting.run,
    "intake": files.run_intake,
    "verify": files.run_verify,
    "receive": records.run_receive,
    "list": records.run_list,
    "recall": records.run_recall,
    "pages": page_reads.run,
    "grown": grown.run,
    "bag": bags.run,
    "live": live.run,
    "inspect": photos.run_inspect,
    "foam": foam.run,
    "reading": photos.run_reading,
    "altered": altered.run,
    "dates": dates.run,
    "intervals": intervals.run,
    "next-test": next_test.run,
    "soak": soak.run,
    "page": page.run,
    "load": load.run,
    "reinspect": reinspect.run,
}
LONG = ("bag", "live", "foam", "reading", "altered", "dates", "intervals", "next-test", "soak", "load")
"""What takes long, or has no ratio: by name, or with --all (`make bench-all`)."""
PACKAGES = ("lotproof", "numpy", "onnxruntime", "opencv-python-headless", "pandas", "rapidocr", "sqlalchemy", "typer")
WIDTH = 118
HEAD = ("name", "ours", "plain", "ours s", "plain s", "ratio", "quartiles", "bar", "", "cpu", "n")
TEXT_COLUMNS = 3


def main() -> None:
    """Run the benchmarks asked for and print them."""
    asked = _arguments()
    lacking = files.missing_tools()
    begun = time.perf_counter()
    results: dict[str, Result] = {}
    took: dict[str, float] = {}
    about = machine(asked.folder)
    if not asked.json:
        print("\n".join(_header(about)), flush=True)
    with tempfile.TemporaryDirectory(prefix="lotproof-bench-", dir=asked.folder) as folder:
        for name in asked.only or [one for one in BENCHMARKS if asked.all or one not in LONG]:
            if lacking and name in ("intake", "verify"):
                print(f"{name}: left out, this machine has no {', '.join(lacking)}", file=sys.stderr)
                continue
            print(f"{name} ...", file=sys.stderr, flush=True)
            (Path(folder) / name).mkdir()
            at = time.perf_counter()
            results[name] = BENCHMARKS[name](Path(folder) / name)
            took[name] = time.perf_counter() - at
    about["seconds"] = time.perf_counter() - begun
    about["took"] = took
    about["load_after"] = _load()
    if asked.json:
        print(json.dumps(_document(about, results), indent=2))
    else:
        _print(about, results)


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description="Speed as ratios against plain tools, measured in the same run.")
    parser.add_argument("--only", action="append", choices=BENCHMARKS, help="run this one; may be repeated")
    parser.add_argument("--all", action="store_true", help=f"these too: {', '.join(LONG)}")
    parser.add_argument("--json", action="store_true", help="print one JSON document instead of tables")
    parser.add_argument("--folder", type=Path, help="where to write the files; default: the system's temporary folder")
    return parser.parse_args()


def machine(folder: Path | None) -> dict[str, Any]:
    """Return what the figures depend on: processor, system, versions, how busy the machine is."""
    return {
        "cores": len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count(),
        "processor": _processor(),
        "system": f"{platform.system()} {platform.release()}",
        "python": platform.python_version(),
        "sqlite": sqlite3.sqlite_version,
        "versions": {name: _version(name) for name in PACKAGES},
        "file_system": _file_system(Path(folder or tempfile.gettempdir()).resolve()),
        "load_before": _load(),
    }


def _processor() -> str:
    try:
        lines = Path("/proc/cpuinfo").read_text(encoding="utf-8").splitlines()
    except OSError:
        return platform.processor() or platform.machine()
    names = [line.partition(":")[2].strip() for line in lines if line.startswith("model name")]
    return names[0] if names else platform.machine()


def _version(name: str) -> str:
    try:
        return version(name)
    except PackageNotFoundError:
        return "not installed"


def _file_system(folder: Path) -> str:
    """Return the kind of file system a folder is on: on one in memory, syncing costs nothing."""
    try:
        mounts = [line.split() for line in Path("/proc/mounts").read_text(encoding="utf-8").splitlines()]
    except OSError:
        return "unknown"
    above = [words for words in mounts if folder.is_relative_to(words[1])]
    return max(above, key=lambda words: len(words[1]))[2] if above else "unknown"


def _load() -> float | None:
    return round(os.getloadavg()[0], 2) if hasattr(os, "getloadavg") else None


def _header(about: dict[str, Any]) -> list[str]:
    versions = ", ".join(f"{name} {number}" for name, number in about["versions"].items())
    return [
        f"{about['cores']} cores, {about['processor']}; {about['system']}; files on {about['file_system']}",
        *textwrap.wrap(f"Python {about['python']}, SQLite {about['sqlite']}, {versions}", WIDTH),
        f"Load before: {about['load_before']} (processes that want to run; well above the cores, seconds say little)",
        "",
    ]


def _print(about: dict[str, Any], results: dict[str, Result]) -> None:
    ratios = [one for result in results.values() for one in result.ratios]
    if ratios:
        _print_table([HEAD, *map(_row, ratios)])
        print(
            "\nratio: median of ours / plain, one of each a round; quartiles: of the same; cpu: of processor times.\n"
            "bar: the most that was declared for the ratio, and whether this run meets it.\n"
        )
    for text in dict.fromkeys(one.reads for one in ratios):
        names = ", ".join(dict.fromkeys(one.name for one in ratios if one.reads == text))
        print(textwrap.fill(f"{names}: {text}", WIDTH, subsequent_indent="  "))
    for name, result in results.items():
        if result.lines:
            print(f"\n{name}")
            print("\n".join(f"  {part}" for text in result.lines for part in textwrap.wrap(text, WIDTH) or [""]))
    each = ", ".join(f"{name} {seconds:.0f}" for name, seconds in about["took"].items())
    print("\n" + textwrap.fill(f"Seconds: {each}", WIDTH))
    print(f"{about['seconds']:.0f} s in all; load after: {about['load_after']}")


def _print_table(rows: Sequence[Sequence[str]]) -> None:
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    for row in rows:
        sides = [str.ljust] * TEXT_COLUMNS + [str.rjust] * (len(row) - TEXT_COLUMNS)
        cells = (side(text, width) for side, text, width in zip(sides, row, widths, strict=True))
        print("  ".join(cells).rstrip())


def _row(one: Ratio) -> tuple[str, ...]:
    low, middle, high = quartiles(one.ratios)
    ours, plain = quartiles(one.ours_s)[1], quartiles(one.plain_s)[1]
    cpu = "-" if one.cpu is None else _figure(one.cpu)
    spread = f"{_figure(low)} to {_figure(high)}"
    times = (_seconds(ours), _seconds(plain), _figure(middle), spread, *bar(one), cpu, str(len(one.ours_s)))
    return (one.name, one.ours, one.plain, *times)


def _figure(value: float) -> str:
    return f"{value:.2f}" if value < 10 else f"{value:.1f}" if value < 100 else f"{value:.0f}"


def _seconds(value: float) -> str:
    return f"{value:.2f}" if value >= 1 else f"{value:.3f}" if value >= 0.01 else f"{value:.5f}"


def _document(about: dict[str, Any], results: dict[str, Result]) -> dict[str, Any]:
    found = {
        name: {"ratios": [one.as_json() for one in result.ratios], **result.figures} for name, result in results.items()
    }
    return {"schema": "lotproof.bench/1", "machine": about, "benchmarks": found}


if __name__ == "__main__":
    main()
