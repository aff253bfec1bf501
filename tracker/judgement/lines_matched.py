"""Which of the lines that were read a corrected line stands for."""

from collections.abc import Sequence
from difflib import SequenceMatcher

from tracker.judgement.marking import fold_alike

PAIR = 0.1
"""What it is worth that a line stands for one that was read at all, beside how alike the two are (0 to 1): a line that
nobody could read still has a place. Common practice, no source."""


def lines_matched(read: Sequence[str], corrected: Sequence[str]) -> tuple[int | None, ...]:
    """Lay corrected lines over those that were read, top to bottom, so that they are most alike together.

    Parameters
    ----------
    read, corrected : sequence of str

    Returns
    -------
    tuple of int or None
        One a corrected line: the index of the line read, rising; None where it stands for none.
    """
    # Of the best ways through the first i lines read and the first j corrected ones: what each is worth, its pairs.
    rows, columns = len(read) + 1, len(corrected) + 1
    best: list[list[tuple[float, tuple[tuple[int, int], ...]]]] = [[(0.0, ())] * columns for _ in range(rows)]
    for i in range(1, rows):
        for j in range(1, columns):
            worth, pairs = best[i - 1][j - 1]
            paired = (worth + PAIR + _alike(read[i - 1], corrected[j - 1]), (*pairs, (i - 1, j - 1)))
            best[i][j] = max((paired, best[i - 1][j], best[i][j - 1]), key=lambda one: one[0])
    of = {j: i for i, j in best[-1][-1][1]}
    return tuple(of.get(j) for j in range(len(corrected)))


def _alike(read: str, corrected: str) -> float:
    """Return how alike two texts are, 0 to 1; characters that readers confuse count as equal."""
    return SequenceMatcher(None, fold_alike(read), fold_alike(corrected), autojunk=False).ratio()
