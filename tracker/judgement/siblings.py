"""Pieces of one lot held against each other by what their markings say; how they look is for others to compare."""

from collections import Counter
from collections.abc import Sequence

from tracker.judgement.marking import Checked, fold_alike, letters_and_figures, misread_alike
from tracker.judgement.observed import Remark


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


def _majority(texts: Sequence[str | None]) -> str | None:
    known = [letters_and_figures(text) for text in texts if text]
    if len(known) < 3:
        return None
    (most, count), *_ = Counter(known).most_common(1)
    return most if 2 * count > len(known) else None
