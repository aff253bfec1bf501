"""A board's supply current before and after a change, as typed."""

from collections.abc import Sequence

from tracker.bench import board_current
from tracker.bench.board_current import BoardCurrent
from tracker.bench.current import Reading
from tracker.bench.units import written
from tracker.desk.bench_entry import uncertainty
from tracker.errors import BadRequest

Readings = tuple[Reading, ...]


def board_readings(before: Sequence[str], after: Sequence[str], u: str | None) -> tuple[Readings, Readings] | None:
    """Return the readings before and after, or None where neither was typed.

    Raises
    ------
    BadRequest
        A text cannot be used, or an uncertainty is given and nothing it belongs to.
    """
    if not before and not after:
        if u is not None:
            raise BadRequest("--u goes with the board's currents.", "Give --board-current-before and -after.")
        return None
    u_a = uncertainty(u)
    return _readings(before, u_a), _readings(after, u_a)


def board_change(before: Sequence[str], after: Sequence[str], u: str | None) -> BoardCurrent:
    """Return how a board's current changed, without a workspace.

    Raises
    ------
    BadRequest
        As in `board_readings`, or one of the two is missing.
    """
    return board_current.evaluate(*(board_readings(before, after, u) or ((), ())))


def _readings(texts: Sequence[str], u_a: float | None) -> Readings:
    found = (written(text, "current") for text in texts)
    return tuple(Reading(one.value, None, u_a, one.step) for one in found)
