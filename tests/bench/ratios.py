"""Paired timing: ours and a plain tool take turns on the same input, and each turn gives one ratio."""

import os
import resource
import subprocess
import time
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

Prepare = Callable[[int], Callable[[], object]]
"""Gets the number of the round, makes everything ready and returns what is to be timed."""


@dataclass(frozen=True, slots=True)
class Took:
    """One run: seconds on the clock, and seconds of processor time of this process and the children it waited for."""

    wall_s: float
    cpu_s: float


@dataclass(frozen=True, slots=True)
class Ratio:
    """One line of the table.

    Attributes
    ----------
    name : str
        The benchmark, and what of it.
    ours, plain : str
        What was run on either side.
    ours_s, plain_s : sequence of float
        Seconds on the clock, one a round, in the same order.
    cpu : float or None
        Ratio of the processor times, summed over the rounds; other programs on the machine change it less.
    reads : str
        What the ratio is and what it is not.
    """

    name: str
    ours: str
    plain: str
    ours_s: Sequence[float]
    plain_s: Sequence[float]
    cpu: float | None
    reads: str

    @property
    def ratios(self) -> NDArray[np.float64]:
        """Return ours / plain of each round."""
        found: NDArray[np.float64] = np.array(self.ours_s) / np.array(self.plain_s)
        return found

    def as_json(self) -> dict[str, Any]:
        """Return all figures as JSON values."""
        low, middle, high = quartiles(self.ratios)
        return {**asdict(self), "ratio": middle, "ratio_quartiles": [low, high], "ratios": self.ratios.tolist()}


@dataclass(frozen=True, slots=True)
class Result:
    """What one benchmark found: ratios, and figures that are not ratios as lines for people and as JSON."""

    ratios: tuple[Ratio, ...] = ()
    lines: tuple[str, ...] = ()
    figures: dict[str, Any] = field(default_factory=dict)


def quartiles(values: Sequence[float] | NDArray[np.float64]) -> tuple[float, float, float]:
    """Return the lower quartile, the median and the upper quartile."""
    low, middle, high = np.quantile(np.asarray(values, float), (0.25, 0.5, 0.75))
    return float(low), float(middle), float(high)


def cpu_seconds() -> float:
    """Return the processor time of this process and of every child that has ended."""
    used = (resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    return sum(one.ru_utime + one.ru_stime for one in used)


def timed(run: Callable[[], object]) -> Took:
    """Run once and return what it took."""
    cpu, start = cpu_seconds(), time.perf_counter()
    run()
    return Took(time.perf_counter() - start, cpu_seconds() - cpu)


def paired(ours: Prepare, plain: Prepare, *, rounds: int, warm: int = 1) -> tuple[list[Took], list[Took]]:
    """Time both sides in turn; who goes first alternates, so that neither always follows the other.

    Parameters
    ----------
    rounds : int
        How many are counted.
    warm : int
        How many go before and are not counted: imports, caches.
    """
    times: tuple[list[Took], list[Took]] = ([], [])
    for number in range(warm + rounds):
        order = (0, 1) if number % 2 == 0 else (1, 0)
        for side in order:
            took = timed((ours, plain)[side](number))
            if number >= warm:
                times[side].append(took)
    return times


def ratio(name: str, *, ours: str, plain: str, took: tuple[Sequence[Took], Sequence[Took]], reads: str) -> Ratio:
    """Return the table's line for paired runs."""
    mine, other = took
    cpu = sum(one.cpu_s for one in other)
    return Ratio(
        name=name,
        ours=ours,
        plain=plain,
        ours_s=[one.wall_s for one in mine],
        plain_s=[one.wall_s for one in other],
        cpu=sum(one.cpu_s for one in mine) / cpu if cpu > 0 else None,
        reads=reads,
    )


def always(run: Callable[[], object]) -> Prepare:
    """Return a side that needs nothing made ready."""
    return lambda _: run


def shell(*commands: Sequence[str]) -> None:
    """Run commands one after the other, without a shell; each must succeed."""
    for words in commands:
        subprocess.run(words, check=True, stdout=subprocess.DEVNULL, env={**os.environ, "LC_ALL": "C"})
