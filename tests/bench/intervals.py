"""How often the intervals that the bench prints hold the truth: 2,000 simulated runs each, small samples included."""

import math
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from ratios import Result
from scipy import stats

from tracker.bench import clock, compare, line, sampling
from tracker.bench.clock import Step

REPEATS = 2000
Draw = Callable[[np.random.Generator], bool]


@dataclass(frozen=True)
class Design:
    """One kind of run: draws one, and says whether its 95 % interval holds the truth."""

    name: str
    draw: Draw


def run(_: Path) -> Result:
    """Count, seeded, and print the share of intervals that hold the truth."""
    lines = [f"{'interval':<52} {'runs':>6} {'holds the truth':>16}"]
    figures = {}
    for design in DESIGNS:
        rng = np.random.default_rng(20)
        share = sum(design.draw(rng) for _ in range(REPEATS)) / REPEATS
        figures[design.name] = share
        lines.append(f"{design.name:<52} {REPEATS:>6} {100 * share:>14.1f} %")
    lines.append("exact intervals (Clopper-Pearson) hold at least 95 %; the others are to hold 93 to 97 %")
    return Result((), tuple(lines), figures)


def _ceiling(steps: int) -> Draw:
    ladder = np.linspace(2e6, 4e6, steps)

    def draw(rng: np.random.Generator) -> bool:
        # The truth is drawn as the declared prior has it: an interval from a prior is calibrated for that alone.
        truth, width = 3e6 * math.exp(rng.uniform(-0.2, 0.2)), clock.WIDTH_MEDIAN * math.exp(rng.normal())
        odds = np.clip(np.log(ladder / truth) / width, -700, 700)
        passed = rng.random(steps) < 1 / (1 + np.exp(odds))
        found = clock.find([Step(float(f), bool(ok)) for f, ok in zip(ladder, passed, strict=True)])
        return (found.lower_hz or 0.0) <= truth <= (found.upper_hz or math.inf)

    return draw


def _line(readings: int, *, stated: bool, clock_u: float = 0.0) -> Draw:
    x, u = np.linspace(1e6, 4e6, readings), np.full(readings, 2e-4)

    def draw(rng: np.random.Generator) -> bool:
        seen, y = rng.normal(x, clock_u), rng.normal(1e-3 + 1e-8 * x, u)
        if clock_u:
            found = line.fit_both(seen, y, np.full(readings, clock_u), u)
        else:
            found = line.fit(seen, y, u if stated else None)
        assert found.slope_se is not None
        k = stats.norm.ppf(0.975) if math.isinf(found.dof) else stats.t.ppf(0.975, found.dof)
        return bool(abs(found.slope - 1e-8) < k * found.slope_se)

    return draw


def _share(of: float, u_of: float, value: float, u: float) -> Draw:
    def draw(rng: np.random.Generator) -> bool:
        base = compare.Figure("current", rng.normal(of, u_of), u_of, "A")
        found = compare.difference(base, compare.Figure("current", rng.normal(value, u), u, "A"))
        if found.share_lower is None or found.share_upper is None:
            return True  # open: it holds every share
        return found.share_lower < value / of - 1 < found.share_upper

    return draw


def _fraction(tested: int, bad: float) -> Draw:
    def draw(rng: np.random.Generator) -> bool:
        found = sampling.interval(int(rng.binomial(tested, bad)), tested, confidence=0.95)
        return found.lower <= bad <= found.upper

    return draw


DESIGNS = (
    Design("clock ceiling, 17 steps", _ceiling(17)),
    Design("clock ceiling, 5 steps", _ceiling(5)),
    Design("slope of the current line, 3 readings", _line(3, stated=False)),
    Design("slope, 3 readings, stated uncertainty", _line(3, stated=True)),
    Design("slope, 5 readings, both axes uncertain", _line(5, stated=True, clock_u=3e4)),
    Design("percentage of a current, 1 A to 0.9 A, 2 % each", _share(1.0, 0.02, 0.9, 0.02)),
    Design("percentage, 1 A to 2 A, 15 % each", _share(1.0, 0.15, 2.0, 0.3)),
    Design("fraction that fails, 8 tested, 10 % bad (exact)", _fraction(8, 0.1)),
)
