"""Reading an instrument live at 50 a second, each reading on the disk, against a bare loop on a socket.

The instrument runs in a process of its own, so that the processor time is that of the reading side alone.
"""

import socket
import subprocess
import sys
import time
from contextlib import suppress
from pathlib import Path

import numpy as np
from ratios import Result, Took, always, paired, quartiles, ratio

PER_S = 50
SECONDS = 5.0
ROUNDS = 4
TESTS = Path(__file__).resolve().parents[1]
SERVE = """
import sys
from scpi_server import ScpiServer
print(ScpiServer(["+9.62E-02"]).resource, flush=True)
sys.stdin.read()
"""
READS = (
    "Both keep the same pace, so the seconds say nothing and the processor times (cpu) all: ours goes through PyVISA, "
    "checks each answer and syncs each reading to the disk; the bare loop sends, receives and converts."
)


def run(folder: Path) -> Result:
    """Read at 50 a second for 5 seconds, 4 rounds, turn about with a bare loop."""
    with subprocess.Popen(
        [sys.executable, "-c", SERVE], cwd=TESTS, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as server:
        assert server.stdout is not None
        resource = server.stdout.readline().strip()
        gaps: list[float] = []
        numbers = iter(range(1000))
        took = paired(
            always(lambda: gaps.extend(_ours(resource, folder / f"{next(numbers)}.csv"))),
            always(lambda: _plain(resource)),
            rounds=ROUNDS,
        )
        with suppress(OSError):
            server.communicate(timeout=10)
    return _result(took, gaps)


def _ours(resource: str, path: Path) -> list[float]:
    from tracker.desk import live as lives
    from tracker.desk.live import LiveRequest
    from tracker.instruments.reading import Read

    live = lives.ready(LiveRequest(resource, every=f"{1 / PER_S} s", count=int(PER_S * SECONDS)), path)
    times = [event.time_s for event in lives.read(live) if isinstance(event, Read)]
    return np.diff(times).tolist()


def _plain(resource: str) -> None:
    _, host, port, _ = resource.split("::")
    with socket.create_connection((host, int(port))) as link, link.makefile("r", encoding="ascii") as answers:
        begun = time.monotonic()
        for number in range(int(PER_S * SECONDS)):
            time.sleep(max(begun + number / PER_S - time.monotonic(), 0.0))
            link.sendall(b"MEAS:CURR:DC?\n")
            float(answers.readline())


def _result(took: tuple[list[Took], list[Took]], gaps: list[float]) -> Result:
    ours, plain = (100 * sum(one.cpu_s for one in side) / sum(one.wall_s for one in side) for side in took)
    low, middle, high = (1000 * value for value in quartiles(gaps))
    rate, late = 1.0 / float(np.mean(gaps)), 100 * float(np.mean(np.array(gaps) > 1.5 / PER_S))
    lines = (
        f"Asked for {PER_S} a second: {rate:.2f} a second, from one to the next {middle:.2f} ms (quartiles {low:.2f} "
        f"to {high:.2f}, longest {1000 * max(gaps):.1f}); {late:.2f} % came more than half a turn late.",
        f"Processor: {ours:.2f} % of a core, the bare loop {plain:.2f} %.",
    )
    figures = {"per_s": rate, "late_percent": late, "core_percent": ours, "plain_core_percent": plain}
    named = "a bare loop on a socket"
    one = ratio("live", ours="read, checked, synced", plain=named, took=took, reads=READS)
    return Result((one,), lines, figures)
