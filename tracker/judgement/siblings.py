"""Pieces of one lot held against each other by what their markings say; how they look is for others to compare."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from difflib import SequenceMatcher

from tracker.judgement.marking import Checked, fold_alike, letters_and_figures, misread_alike
from tracker.judgement.observed import Remark

LEAST_CHARACTERS, LIKE, LEAST_SIBLINGS = 4, 0.8, 2
"""Shorter lines are shared by many parts; so much of two lines is equal where one is the other misread; one sibling
alone supports nothing. Common practice, no source."""


def compare_siblings(dates: Sequence[str | None], grades: Sequence[str | None]) -> tuple[Checked, ...]:
    """Look for pieces whose date code or grade differs from most of their siblings.

    Parameters
    ----------
    dates : sequence of str or None
        The date code of each piece as marked; None where it is not known.
    grades : sequence of str or None
        The part number of each piece, suffixes and all; None where it is not known.

    Returns
    -------
    tuple of Checked
        One a piece, in order. Without a majority (more than half of at least three known ones) nothing is said: where
        everything differs, nobody is the odd one.
    """
    usual_date, usual_grade = _majority(dates), _majority(grades)
    checked = []
    for date_code, grade in zip(dates, grades, strict=True):
        remarks, looked = [], []
        if usual_date and date_code:
            looked.append("date-codes-differ")
            if fold_alike(date_code) != fold_alike(usual_date):
                remarks.append(Remark("date-codes-differ", f"Date code {date_code}; most siblings have {usual_date}."))
        if usual_grade and grade:
            looked.append("markings-differ")
            if not misread_alike(usual_grade, grade):
                remarks.append(Remark("markings-differ", f"Marked {grade}; most siblings are {usual_grade}."))
        checked.append(Checked(tuple(remarks), tuple(looked)))
    return tuple(checked)


@dataclass(frozen=True, slots=True)
class SiblingsReading:
    """What siblings read where a piece has a line of its own: support for a doubtful reading, never put in its place.

    Parameters
    ----------
    text : str
        As most of them read it.
    pieces, of : int
        How many siblings read it so, of how many that have such a line.
    """

    text: str
    pieces: int
    of: int


def siblings_readings(markings: Sequence[Sequence[str]]) -> list[tuple[SiblingsReading | None, ...]]:
    """Return what the siblings read on lines that are like each line of each piece.

    Parameters
    ----------
    markings : sequence of (sequence of str)
        The lines of each piece.

    Returns
    -------
    list of tuple
        One entry a piece with one entry a line; None where fewer than two siblings read one and the same, or where two
        texts are read as often.
    """
    owners = _owners(markings)
    like = {text: [other for other in owners if _like(text, other)] for text in owners}
    return [
        tuple(_read_by_others(number, like.get(text, ()), owners) for text in lines)
        for number, lines in enumerate(markings)
    ]


def siblings_reading(markings: Sequence[Sequence[str]], number: int) -> tuple[SiblingsReading | None, ...]:
    """Return what `siblings_readings` returns for one piece: its lines alone are held against all others."""
    owners = _owners(markings)
    return tuple(
        _read_by_others(number, [other for other in owners if _like(text, other)] if text in owners else (), owners)
        for text in markings[number]
    )


def _owners(markings: Sequence[Sequence[str]]) -> dict[str, set[int]]:
    """Return which pieces have a line, by the line; short ones left out."""
    owners: dict[str, set[int]] = {}
    for number, lines in enumerate(markings):
        for text in lines:
            if len(letters_and_figures(text)) >= LEAST_CHARACTERS:
                owners.setdefault(text, set()).add(number)
    return owners


def _read_by_others(number: int, texts: Sequence[str], owners: Mapping[str, set[int]]) -> SiblingsReading | None:
    counts = sorted(((len(owners[text] - {number}), text) for text in texts), reverse=True)
    if not counts or counts[0][0] < LEAST_SIBLINGS or (len(counts) > 1 and counts[1][0] == counts[0][0]):
        return None
    everyone = set().union(*(owners[text] for text in texts)) - {number}
    return SiblingsReading(counts[0][1], counts[0][0], len(everyone))


def _like(one: str, other: str) -> bool:
    """Whether two lines may be one and the same, read differently."""
    a, b = fold_alike(one), fold_alike(other)
    if a == b:
        return True
    pairs = SequenceMatcher(None, a, b, autojunk=False)
    return pairs.quick_ratio() >= LIKE and pairs.ratio() >= LIKE


def _majority(texts: Sequence[str | None]) -> str | None:
    known = [letters_and_figures(text) for text in texts if text]
    if len(known) < 3:
        return None
    (most, count), *_ = Counter(known).most_common(1)
    return most if 2 * count > len(known) else None
