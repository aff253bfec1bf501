"""Does a part that failed at a fast clock recover only below clocks at which it worked? In the order of the tries."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from tracker.bench.clock import Step
from tracker.bench.figures import show


@dataclass(frozen=True, slots=True)
class Hysteresis:
    """Where a part stopped and where it recovered, in hertz.

    Parameters
    ----------
    worked_rising_hz : float
        The fastest clock that passed while the clock went up.
    failed_falling_hz : float
        The slowest clock that failed while the clock came down, at or below the other.
    recovered_hz : float or None
        The first clock that passed on the way down; None where none did.
    """

    worked_rising_hz: float
    failed_falling_hz: float
    recovered_hz: float | None

    @property
    def sentence(self) -> str:
        """What it means, in one sentence."""
        recovered = "and did not recover" if self.recovered_hz is None else f"until {show(self.recovered_hz, 'Hz')}"
        return (
            f"Rising, it worked up to {show(self.worked_rising_hz, 'Hz')}; coming down it still failed at "
            f"{show(self.failed_falling_hz, 'Hz')} {recovered}: it warms up or latches, and the lower clock is the "
            "one to trust."
        )


def seen(steps: Sequence[Step]) -> Hysteresis | None:
    """Return the hysteresis that steps in the order of their tries show, or None.

    Parameters
    ----------
    steps : sequence of Step
        In the order in which they were tried. A step is 'rising' when its clock is above the one before it or the
        first, 'falling' when it is below; a repeated clock belongs to neither.

    Notes
    -----
    A wide transition looks the same in one try each way; the ceiling's interval covers that case.
    """
    if not steps:
        return None
    rising = [steps[0], *(later for before, later in pairwise(steps) if later.clock_hz > before.clock_hz)]
    falling = [later for before, later in pairwise(steps) if later.clock_hz < before.clock_hz]
    worked = max((step.clock_hz for step in rising if step.passed), default=None)
    if worked is None:
        return None
    failed = [step.clock_hz for step in falling if not step.passed and step.clock_hz <= worked]
    if not failed:
        return None
    recovered = max((step.clock_hz for step in falling if step.passed and step.clock_hz < min(failed)), default=None)
    return Hysteresis(worked, min(failed), recovered)
