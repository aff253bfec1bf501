"""Ask what date codes the markings of chips carry."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from tracker.knowledge import datecodes


@dataclass(frozen=True, slots=True)
class DatedMarking:
    """One whole marking and its interpretations, best first; none when it carries no plausible date."""

    text: str
    candidates: tuple[datecodes.DateCandidate, ...]


def date_markings(
    markings: Sequence[str], *, maker: str | None = None, by: date | None = None
) -> tuple[DatedMarking, ...]:
    """Interpret every marking.

    Parameters
    ----------
    markings : sequence of str
        Whole markings, one a chip.
    maker : str, optional
        Who made them, where known.
    by : date, optional
        The latest possible date (arrival); today where not given.
    """
    return tuple(DatedMarking(text, datecodes.interpret(text, maker=maker, by=by)) for text in markings)
