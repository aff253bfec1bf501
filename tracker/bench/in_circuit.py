"""In-circuit: does the machine run with the piece, for how long, and what was checked."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from tracker.bench import board_current
from tracker.bench.board_current import BoardCurrent
from tracker.bench.conformity import Verdict
from tracker.errors import BadRequest

LEAST_DURATION_S = 1800.0
DURATION_SOURCE = "half an hour, long enough for parts and board to reach their temperature; common practice, no source"


@dataclass(frozen=True, slots=True)
class Check:
    """One point of a checklist: what was checked and whether it was in order."""

    what: str
    passed: bool


@dataclass(frozen=True, slots=True)
class InCircuitResult:
    """The verdict on a run in a machine.

    Parameters
    ----------
    verdict : 'pass', 'fail' or 'undecided'
    rule : str
    reasons : tuple of str
    runs : bool
    duration_s : float or None
    least_duration_s : float
    checks : tuple of Check
    known_good_runs : bool or None
        Whether the same machine runs with a known-good piece in the same position; None when not tried.
    board : BoardCurrent or None
        The board's supply current before and after; None when not measured.
    """

    verdict: Verdict
    rule: str
    reasons: tuple[str, ...]
    runs: bool
    duration_s: float | None
    least_duration_s: float
    duration_source: str
    checks: tuple[Check, ...]
    known_good_runs: bool | None
    board: BoardCurrent | None = None


def evaluate(
    *,
    runs: bool,
    duration_s: float | None,
    checks: Sequence[Check] = (),
    known_good_runs: bool | None = None,
    least_duration_s: float = LEAST_DURATION_S,
    board: BoardCurrent | None = None,
) -> InCircuitResult:
    """Return what a run in a machine says of the piece.

    Parameters
    ----------
    runs : bool
        Whether the machine ran with the piece.
    duration_s : float, optional
        For how long, in seconds.
    checks : sequence of Check
    known_good_runs : bool, optional
        The same with a known-good piece in the same position.
    least_duration_s : float
        Seconds a pass needs.
    board : BoardCurrent, optional
        The board's supply current before and after.

    Raises
    ------
    BadRequest
        A duration that is negative or not finite.
    """
    for seconds in (duration_s, least_duration_s):
        if seconds is not None and not (math.isfinite(seconds) and seconds >= 0):
            raise BadRequest(f"A duration must be 0 s or more, not {seconds:g} s.")
    verdict, reasons = _decide(runs, duration_s, checks, known_good_runs, least_duration_s)
    if board is not None:
        reasons = (*reasons, board_current.told(board))
        if verdict == "pass" and board.much_more:
            verdict, reasons = "undecided", (*reasons, "See which part gets warm before the piece stays in.")
    return InCircuitResult(
        verdict=verdict,
        rule=(
            f"pass: runs for at least {least_duration_s / 60:g} min with every check in order, and the board, where "
            f"its current was measured, does not clearly draw {100 * board_current.MUCH_MORE:g} % more than before; "
            "fail: does not run, or a check is not in order, while the machine is in order with a known-good piece in "
            "the same position; "
            "undecided otherwise (common practice, no source)"
        ),
        reasons=reasons,
        runs=runs,
        duration_s=duration_s,
        least_duration_s=least_duration_s,
        duration_source=DURATION_SOURCE,
        checks=tuple(checks),
        known_good_runs=known_good_runs,
        board=board,
    )


def _decide(
    runs: bool,
    duration_s: float | None,
    checks: Sequence[Check],
    known_good_runs: bool | None,
    least_duration_s: float,
) -> tuple[Verdict, tuple[str, ...]]:
    wrong = [check.what for check in checks if not check.passed]
    trouble = "The machine does not run with it." if not runs else f"Not in order: {', '.join(wrong)}."
    if not runs or wrong:
        if known_good_runs:
            return "fail", (trouble, "With a known-good piece in the same position the machine is in order.")
        if known_good_runs is False:
            return "undecided", (trouble, "A known-good piece does no better, so the fault is in the machine.")
        return "undecided", (
            trouble,
            "Try a known-good piece in the same position, to know that the machine is not at fault.",
        )
    if duration_s is None:
        return "undecided", ("It runs, but for how long was not stated.",)
    if duration_s < least_duration_s:
        return "undecided", (f"It ran {duration_s / 60:g} min, {least_duration_s / 60:g} min are needed.",)
    checked = (
        f" and {len(checks)} checks are in order" if len(checks) > 1 else " and the check is in order" * len(checks)
    )
    return "pass", (f"It ran {duration_s / 60:g} min{checked}.",)
