"""Ask what date codes the markings of chips carry."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from tracker.errors import BadRequest
from tracker.knowledge import datecodes, makers

# A chip carries a few dozen characters; more is a wrong file or a wrong argument.
LONGEST_MARKING = 1000


@dataclass(frozen=True, slots=True)
class DatedMarking:
    """One whole marking, its interpretations best first, and words that stand in a date's place yet name no date."""

    text: str
    candidates: tuple[datecodes.DateCandidate, ...]
    suspects: tuple[datecodes.Suspect, ...]


@dataclass(frozen=True, slots=True)
class Dating:
    """The answer for all markings; `maker_known` is False where a maker was named that the data do not hold."""

    markings: tuple[DatedMarking, ...]
    maker_known: bool


def date_markings(markings: Sequence[str], *, maker: str | None = None, by: date | None = None) -> Dating:
    """Interpret every marking.

    Parameters
    ----------
    markings : sequence of str
        Whole markings, one a chip.
    maker : str, optional
        Who made them, where known.
    by : date, optional
        The latest possible date (arrival); today where not given.

    Raises
    ------
    BadRequest
        A marking is longer than any chip's.
    """
    for number, text in enumerate(markings, 1):
        if len(text) > LONGEST_MARKING:
            raise BadRequest(
                f"Marking {number} has {len(text)} characters; a chip carries a few dozen.",
                "Give the text of one chip's top as one argument, in quotes.",
            )
    return Dating(
        markings=tuple(
            DatedMarking(
                text,
                datecodes.interpret(text, maker=maker, by=by),
                datecodes.suspects(text, maker=maker, by=by),
            )
            for text in markings
        ),
        maker_known=maker is None or makers.find_maker(maker) is not None,
    )
