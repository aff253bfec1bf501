"""What the choice of the next test is worth: 400 lots of known truth at a simulated bench."""

import sys
from dataclasses import replace
from pathlib import Path

from ratios import Result

from tracker.judgement.costs import declared_costs

sys.path.append(str(Path(__file__).parents[1]))

from next_test_simulation import (
    Bill,
    as_long_as,
    bill,
    everything,
    lots_of,
    next_test,
    nothing,
    quickest,
    until_it_fails,
)

LOTS, SEED = 400, 20_311_126


def run(_: Path) -> Result:
    """Send all lots over the bench in each way, and print what it came to."""
    lots = lots_of(SEED, LOTS)
    dear = replace(declared_costs(), minute=0.5)
    chosen = bill(lots, next_test)
    bills = {
        "every test on every piece": bill(lots, everything),
        "the same, a piece until it fails": bill(lots, until_it_fails),
        "the quickest test on every piece": bill(lots, quickest),
        "next test": chosen,
        "the fixed order for as many minutes": bill(lots, as_long_as(chosen.by_lot)),
        "next test, a minute at 0.5": bill(lots, next_test, dear),
        "no test": bill(lots, nothing),
    }
    every = bills["every test on every piece"]
    lines = [
        f"{LOTS} lots, {every.pieces} pieces, {every.bad} bad; seed {SEED}",
        f"{'way':<36} {'minutes':>8} {'tests':>6} {'bad accepted':>13} {'good rejected':>14} {'loss':>8} "
        f"{'with time':>10}",
    ]
    lines += [_line(name, one) for name, one in bills.items()]
    saved = 1 - bills["next test"].minutes / every.minutes
    lines.append(f"next test takes {100 * saved:.1f} % fewer minutes than every test on every piece")
    lines.append("what every test finds beyond that was not worth its minutes by the declared costs")
    figures = {name: one.minutes for name, one in bills.items()}
    figures |= {f"{name}, bad accepted": float(one.bad_accepted) for name, one in bills.items()}
    return Result((), tuple(lines), {**figures, "minutes saved": saved})


def _line(name: str, one: Bill) -> str:
    return (
        f"{name:<36} {one.minutes:>8.0f} {one.tests:>6} {one.bad_accepted:>13} {one.good_rejected:>14} "
        f"{one.loss:>8.0f} {one.loss + one.minutes * declared_costs().minute:>10.0f}"
    )
