"""What is asked of every case, and what is counted: no traceback, no hang, no flood of memory, how deep it came.

`one_case(data)` of a campaign raises one of our own errors where the input is refused and returns a word where it is
accepted; anything else it raises is a finding. How deep a refused case came is told by the function that refused it.
"""

import hashlib
import json
import resource
import time
import traceback
from collections import Counter
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from tracker.errors import LotproofError
from vision.errors import PhotoError

REFUSALS = (LotproofError, PhotoError)
MOST_SECONDS = 5.0
"""Of processor time for one case, as the project promises; of waiting `MOST_WAITING`, as others use the machine."""
MOST_WAITING = 30.0
MOST_BYTES = 1 << 30
"""Growth of the process within a case; what the project promises."""
MOST_HELD = 3 << 28
"""What a process under atheris may have gathered before another one takes over: instrumented code never lets go of some
of what it compared (atheris 3.0 on Python 3.11; without, the same cases leave nothing behind). What the program itself
never lets go of is found by the other engine, whose process is one from the first case to the last."""
_WORTH_WEIGHING = 0.02
"""Seconds: no process fills a gibibyte in less."""
MOST_KEPT = 20
"""Findings that differ; more are counted and not kept."""
_HERE = Path(__file__).parent


def rss_bytes() -> int:
    """Return how much memory the process holds now (Linux)."""
    return int(Path("/proc/self/statm").read_text().split()[1]) * resource.getpagesize()


def peak_bytes() -> int:
    """Return the most memory the process has held."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024


@dataclass
class Tally:
    """What came of the cases of one stretch."""

    campaign: str
    engine: str
    cases: int = 0
    seconds: float = 0.0
    slowest: float = 0.0
    peak: int = 0
    stages: Counter[str] = field(default_factory=Counter)
    findings: dict[str, dict[str, Any]] = field(default_factory=dict)
    slowest_case: bytes = b""

    def __post_init__(self) -> None:
        self.base = self._at_first = rss_bytes()
        self._began = time.monotonic()

    def judge(self, one_case: Callable[[bytes], str], data: bytes) -> None:
        """Try one case."""
        self.cases += 1
        stage, waited = self._tried(one_case, data)
        self.stages[stage] += 1
        if waited > self.slowest:
            self.slowest, self.slowest_case = waited, data
        if waited > MOST_SECONDS:
            self._again(one_case, data, waited)
        if waited > _WORTH_WEIGHING or self.cases % 64 == 0:
            self._weigh(stage, data)
        self.seconds = time.monotonic() - self._began

    def _tried(self, one_case: Callable[[bytes], str], data: bytes) -> tuple[str, float]:
        """Return where a case ended, and after how long."""
        began = time.monotonic()
        try:
            stage = one_case(data)
        except REFUSALS as error:
            stage = refused_at(error)
        except Exception as error:
            stage = "a finding"
            self.found(f"{type(error).__name__} at {where(error)}", str(error)[:300], data)
        return stage, time.monotonic() - began

    def _again(self, one_case: Callable[[bytes], str], data: bytes, waited: float) -> None:
        """Try a slow case again, by the processor's clock: others may have had the machine meanwhile."""
        worked = time.process_time()
        stage, again = self._tried(one_case, data)
        worked = time.process_time() - worked
        if worked > MOST_SECONDS or min(waited, again) > MOST_WAITING:
            self.found(f"too slow at {stage}", f"{worked:.1f} s of work in {again:.1f} s", data)

    def _weigh(self, stage: str, data: bytes) -> None:
        """Look how much memory the process has held since it was last asked; it takes a while to fill much."""
        peak = peak_bytes()
        self.peak = max(self.peak, peak)
        if peak > self.base + MOST_BYTES:
            self.found(f"too much memory at {stage}", f"{(peak - self.base) / 1e6:.0f} MB", data)
        if peak > self.base + MOST_BYTES or self.engine == "atheris":
            with suppress(OSError):  # Linux: forget the peak, so that the next case is judged by itself
                Path("/proc/self/clear_refs").write_text("5")
        if self.engine == "atheris":
            self.base = rss_bytes()

    @property
    def is_full(self) -> bool:
        """Whether another process had better go on."""
        return self.engine == "atheris" and self.base > self._at_first + MOST_HELD

    def found(self, what: str, said: str, data: bytes) -> None:
        """Keep a finding; the same at the same place counts once."""
        if what in self.findings:
            self.findings[what]["times"] += 1
        elif len(self.findings) < MOST_KEPT:
            name = hashlib.sha256(data).hexdigest()[:12]
            self.findings[what] = {"said": said, "times": 1, "name": name, "case": data.hex()}

    def as_json(self) -> str:
        """Return it as one line."""
        return json.dumps(
            {
                "campaign": self.campaign,
                "engine": self.engine,
                "cases": self.cases,
                "seconds": round(self.seconds, 2),
                "slowest": round(self.slowest, 4),
                "slowest_case": self.slowest_case[:100_000].hex(),
                "peak": self.peak,
                "base": self.base,
                "stages": dict(self.stages),
                "findings": self.findings,
            }
        )


def refused_at(error: BaseException) -> str:
    """Return where in the program a case was refused: how deep it came."""
    frames = [one for one in traceback.extract_tb(error.__traceback__) if _ours(one.filename)]
    if not frames:
        return type(error).__name__
    return f"{Path(frames[-1].filename).stem}.{frames[-1].name}:{frames[-1].lineno}"


def where(error: BaseException) -> str:
    """Return the place in the program where an error came from, and in the campaign where there is none."""
    frames = traceback.extract_tb(error.__traceback__)
    ours = [one for one in frames if _ours(one.filename)] or frames
    return f"{Path(ours[-1].filename).stem}.{ours[-1].name}:{ours[-1].lineno}"


def _ours(filename: str) -> bool:
    return "/tracker/" in filename or "/vision/" in filename
