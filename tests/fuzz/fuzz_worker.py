"""One stretch of one campaign with one engine, in a process of its own: `fuzz_run.py` starts it and watches it."""

import importlib
import os
import random
import resource
import struct
import sys
import time
from mmap import mmap
from pathlib import Path
from types import ModuleType

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE), str(HERE.parent), str(HERE.parent.parent)]
LARGEST = 1 << 21
HEAD = struct.Struct("<qdq")
"""What the watcher sees of a case under way: its number, when it began, how many bytes it has; then the bytes."""
_ROOM = 6 << 30
"""Address space beyond what the process has at its start: a runaway case ends with a MemoryError, not the machine."""
_SAVED_EACH = 2000


def watched(name: str, engine: str, cases: int, seed: int, seconds: float, state: Path) -> None:
    """Try so many cases, or as many as fit into the seconds; what came of them goes into the state's folder."""
    last = time.monotonic() + seconds
    module, fed = _imported(name, engine)
    from fuzz_judge import Tally

    tally = Tally(name, engine)
    with (state / f"{name}.{engine}.case").open("w+b") as file:
        file.truncate(LARGEST + HEAD.size)
        seen = mmap(file.fileno(), 0)
        _limit_memory()

        def one(data: bytes) -> None:
            seen[HEAD.size : HEAD.size + min(len(data), LARGEST)] = data[:LARGEST]
            HEAD.pack_into(seen, 0, tally.cases + 1, time.time(), min(len(data), LARGEST))
            tally.judge(module.one_case, data)
            HEAD.pack_into(seen, 0, tally.cases, 0.0, 0)  # between two cases
            if tally.cases % _SAVED_EACH == 0:
                _save(state, tally)
            if tally.cases >= cases or tally.is_full or time.monotonic() > last:
                _save(state, tally)
                getattr(module, "close", lambda: None)()
                os._exit(0)  # neither engine lets go otherwise, and nothing is left to be tidied

        (_coverage_guided if fed else _drawn)(module, one, seed, state / f"{name}.corpus")


def _imported(name: str, engine: str) -> tuple[ModuleType, bool]:
    modules = _modules_of(name)
    if engine != "atheris":
        return importlib.import_module(f"fuzz_{name}"), False
    import atheris

    with atheris.instrument_imports(include=list(modules)):
        return importlib.import_module(f"fuzz_{name}"), True


def _modules_of(name: str) -> tuple[str, ...]:
    """Return what a campaign wants instrumented, read without importing it."""
    import ast

    for node in ast.parse((HERE / f"fuzz_{name}.py").read_text(encoding="utf-8")).body:
        if isinstance(node, ast.Assign) and getattr(node.targets[0], "id", "") == "MODULES":
            return tuple(ast.literal_eval(node.value))
    raise LookupError(f"fuzz_{name}.py has no MODULES")


def _limit_memory() -> None:
    used = int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
    resource.setrlimit(resource.RLIMIT_AS, (used + _ROOM, resource.RLIM_INFINITY))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))


def _save(state: Path, tally: object) -> None:
    path = state / f"{tally.campaign}.{tally.engine}.json"  # type: ignore[attr-defined]
    path.with_suffix(".new").write_text(tally.as_json(), encoding="utf-8")  # type: ignore[attr-defined]
    path.with_suffix(".new").replace(path)


def _coverage_guided(module: ModuleType, one, seed: int, corpus: Path) -> None:  # type: ignore[no-untyped-def]
    import atheris
    from fuzz_choices import Fed

    if not corpus.is_dir():
        corpus.mkdir()
        chance = random.Random(seed)
        for number in range(100):
            (corpus / f"{number:03d}").write_bytes(chance.randbytes(chance.choice((20, 60, 200, 600))))

    def test(data: bytes) -> None:
        one(module.made(Fed(atheris.FuzzedDataProvider(data))))

    words = ["fuzz", f"-seed={seed + 1}", "-max_len=1500", "-len_control=0", "-timeout=100000", "-detect_leaks=0"]
    atheris.Setup(
        [
            *words,
            "-rss_limit_mb=0",
            "-malloc_limit_mb=0",
            "-verbosity=0",
            f"-artifact_prefix={corpus.parent}/",
            str(corpus),
        ],
        test,
    )
    atheris.Fuzz()


def _drawn(module: ModuleType, one, seed: int, _: Path) -> None:  # type: ignore[no-untyped-def]
    from fuzz_choices import Drawn
    from hypothesis import HealthCheck, Phase, given, settings
    from hypothesis import seed as seeded
    from hypothesis import strategies as st

    made = st.composite(lambda draw: module.made(Drawn(draw)))()
    for number in range(1_000_000):  # it remembers what it drew, so each thousand begins anew

        @seeded(seed * 1000 + number)
        @settings(max_examples=1000, deadline=None, database=None, phases=[Phase.generate],
                  suppress_health_check=list(HealthCheck))  # fmt: skip
        @given(made)
        def draw(data: bytes) -> None:
            one(data)

        draw()


if __name__ == "__main__":
    _, campaign, way, count, first, most, folder = sys.argv
    watched(campaign, way, int(count), int(first), float(most), Path(folder))
