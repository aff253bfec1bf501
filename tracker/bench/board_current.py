"""A board's supply current before and after a piece was changed: the change with its interval, and what it means."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from tracker.bench.compare import CONFIDENCE, Difference, Figure, difference
from tracker.bench.current import DEFAULT_U_SOURCE, Reading, meter_u
from tracker.bench.figures import show, show_with_u
from tracker.bench.uncertainty import Estimate, type_a
from tracker.errors import BadRequest

MUCH_MORE = 0.25
MUCH_SOURCE = (
    "a board that clearly draws a quarter more than before is looked at before the piece stays in; common practice, "
    "no source"
)


@dataclass(frozen=True, slots=True)
class BoardCurrent:
    """A board's supply current before and after a change.

    Parameters
    ----------
    before_a, after_a : Estimate
        Means in amperes with their standard uncertainties.
    n_before, n_after : int
        Readings behind them.
    change : Difference
        After less before, in amperes and as a share, each with a 95 % interval.
    much_more : bool
        Whether even the lower end of the share is above MUCH_MORE.
    u_source, much_source : str
    """

    before_a: Estimate
    after_a: Estimate
    n_before: int
    n_after: int
    change: Difference
    much_more: bool
    u_source: str
    much_source: str = MUCH_SOURCE


def evaluate(before: Sequence[Reading], after: Sequence[Reading]) -> BoardCurrent:
    """Compare a board's supply current before and after a change.

    Parameters
    ----------
    before, after : sequence of Reading
        One reading or more each; repeated ones add their scatter to the meter's uncertainty.

    Raises
    ------
    BadRequest
        One of the two is missing.
    """
    if not before or not after:
        lacks = "before" if not before else "after"
        raise BadRequest(
            f"There is no board current from {lacks} the change, so there is nothing to compare.",
            f"Give --board-current-{lacks} as well.",
        )
    base, other = _mean(before), _mean(after)
    change = difference(
        Figure("board current", base.value, base.se, "A"), Figure("board current", other.value, other.se, "A")
    )
    stated = all(reading.u_a is not None for reading in (*before, *after))
    return BoardCurrent(
        before_a=base,
        after_a=other,
        n_before=len(before),
        n_after=len(after),
        change=change,
        much_more=change.share_lower is not None and change.share_lower > MUCH_MORE,
        u_source="stated" if stated else DEFAULT_U_SOURCE,
    )


def told(found: BoardCurrent) -> str:
    """Return the change in a sentence."""
    change = found.change
    values = " to ".join(show_with_u(one.value, one.se, "A") for one in (found.before_a, found.after_a))
    if not change.told_apart:
        return f"The board's current cannot be told from what it was: {values}."
    assert change.lower is not None
    assert change.upper is not None
    ends = sorted((abs(change.lower), abs(change.upper)))
    word = "more" if change.value > 0 else "less"
    share = "" if change.share is None else f", {100 * abs(change.share):.0f} % {word}{_share_ends(change)}"
    return (
        f"The board draws {show(abs(change.value), 'A', 3)} {word} than before ({show(ends[0], 'A', 3)} to "
        f"{show(ends[1], 'A', 3)} with {100 * CONFIDENCE:g} % confidence){share}: {values}."
    )


def _share_ends(change: Difference) -> str:
    if change.share_lower is None or change.share_upper is None:
        return ""
    low, high = sorted((abs(change.share_lower), abs(change.share_upper)))
    return f" ({100 * low:.0f} to {100 * high:.0f} %)"


def _mean(readings: Sequence[Reading]) -> Estimate:
    """Return the mean. The meter's own uncertainty is common to its readings and does not shrink with their number."""
    values = [reading.current_a for reading in readings]
    mean = math.fsum(values) / len(values)
    meter = max(meter_u(reading) for reading in readings)
    return Estimate(mean, math.hypot(meter, type_a(values).u if len(values) > 1 else 0.0))
