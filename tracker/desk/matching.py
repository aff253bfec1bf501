"""Which chip in a photo is which piece of the lot."""

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median

from tracker.desk.contract import Outline, PhotoInspected

LABEL = re.compile(r"L\d{4,}-\d{2,}")
BY_LABEL, BY_CELL, BY_ORDER, BY_NAME = "label in view", "cell of the card", "reading order", "name"
STRANGER = "it reads no part number and is not of the other chips' size"
LEAST_SIZE, MOST_SIZE = 0.6, 1.6
"""Area of a chip over the median of its photo's chips of the usual part, outside which one without a part number is
not taken for one of them (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Matched:
    """One chip and the piece it is.

    Parameters
    ----------
    photo, index : int
        Photo in the order given, chip in the photo's list.
    piece : str or None
        Label; None where it could not be told.
    how : str
        Why: 'label in view', 'cell of the card', 'reading order' or 'name'; for an unmatched chip, what stood in
        the way.
    """

    photo: int
    index: int
    piece: str | None
    how: str


def reading_order(outlines: Sequence[Outline]) -> list[int]:
    """Return the indices of outlines row by row from the top, each row from the left, as a page is read.

    Two chips are in one row where their centres differ in height by less than half of the median chip's.
    """
    if not outlines:
        return []
    middles = [(sum(x for x, _ in o) / 4, sum(y for _, y in o) / 4) for o in outlines]
    heights = [max(y for _, y in o) - min(y for _, y in o) for o in outlines]
    row_height = median(heights) / 2
    rows: list[list[int]] = []
    for index in sorted(range(len(outlines)), key=lambda i: middles[i][1]):
        if rows and middles[index][1] - middles[rows[-1][0]][1] < row_height:
            rows[-1].append(index)
        else:
            rows.append([index])
    return [index for row in rows for index in sorted(row, key=lambda i: middles[i][0])]


def area(outline: Outline) -> float:
    """Return the area of an outline in square pixels (shoelace formula)."""
    ends = (*outline[1:], outline[0])
    return abs(sum(x0 * y1 - x1 * y0 for (x0, y0), (x1, y1) in zip(outline, ends, strict=True))) / 2


def match(
    photos: Sequence[PhotoInspected], *, free: Sequence[str], known: Sequence[str], named: Sequence[str]
) -> list[Matched]:
    """Match the chips of photos to the pieces of a lot.

    Parameters
    ----------
    photos : sequence of PhotoInspected
    free : sequence of str
        Labels of the pieces not photographed yet in this role, in order.
    known : sequence of str
        Labels of all pieces of the lot.
    named : sequence of str
        Labels a person named; they stand for the chips in reading order. Where more chips are in view than were
        named, for the largest ones.

    Returns
    -------
    list of Matched
        Every chip once, in reading order, photo by photo.
    """
    chips = [(p, i) for p, photo in enumerate(photos) for i in reading_order([piece.outline for piece in photo.pieces])]
    if named:
        return _by_name(photos, chips, named)
    strangers = _strangers(photos)
    celled = {chip: label for chip in chips if (label := _cell_of(photos, *chip, known)) is not None}
    said = {chip: label for chip in chips if (label := celled.get(chip) or _label_of(photos, *chip)) is not None}
    taken = {label for label in said.values() if label in known}
    waiting = iter([label for label in free if label not in taken])
    matched = []
    for chip in chips:
        label = said.get(chip)
        if chip in celled:
            piece = celled[chip] if celled[chip] in known else None
            matched.append(Matched(*chip, piece, BY_CELL if piece else f"the lot has no piece {celled[chip]}"))
        elif label is None and chip in strangers:
            matched.append(Matched(*chip, None, STRANGER))
        elif label is None:
            piece = next(waiting, None)
            matched.append(Matched(*chip, piece, BY_ORDER if piece else "every piece of the lot has its photo already"))
        elif label in known:
            matched.append(Matched(*chip, label, BY_LABEL))
        else:
            matched.append(Matched(*chip, None, f"the label beside it, {label}, is of another lot"))
    return matched


def _by_name(photos: Sequence[PhotoInspected], chips: Sequence[tuple[int, int]], named: Sequence[str]) -> list[Matched]:
    strangers = _strangers(photos)
    likeliest = sorted(chips, key=lambda chip: (chip in strangers, -area(photos[chip[0]].pieces[chip[1]].outline)))
    meant = likeliest[: len(named)]
    labels = iter(named)
    return [
        Matched(*chip, next(labels), BY_NAME) if chip in meant else Matched(*chip, None, "no piece was named for it")
        for chip in chips
    ]


def _strangers(photos: Sequence[PhotoInspected]) -> set[tuple[int, int]]:
    """Return what was taken for a chip and is likely something else: a card's heading, a box, a shadow."""
    found = set()
    for number, photo in enumerate(photos):
        read = Counter(piece.part for piece in photo.pieces if piece.part)
        usual, count = read.most_common(1)[0] if read else (None, 0)
        if count < 2:
            continue
        size = median(area(piece.outline) for piece in photo.pieces if piece.part == usual)
        for index, piece in enumerate(photo.pieces):
            if piece.part is None and not LEAST_SIZE <= area(piece.outline) / size <= MOST_SIZE:
                found.add((number, index))
    return found


def _cell_of(photos: Sequence[PhotoInspected], photo: int, index: int, known: Sequence[str]) -> str | None:
    """Return the label that a chip's cell of the card stands for; the lot's, where the card's own could not be read."""
    seen = photos[photo]
    number = seen.pieces[index].cell
    if number is None or seen.card is None or not known:
        return None
    return f"{seen.card.lot or known[0].partition('-')[0]}-{number:02d}"


def _label_of(photos: Sequence[PhotoInspected], photo: int, index: int) -> str | None:
    """Return the piece's label seen beside a chip, or anywhere in a photo of this one chip."""
    seen = photos[photo]
    beside = seen.pieces[index].label
    texts = [beside] if beside else []
    if not texts and len(seen.pieces) == 1:
        texts = list(seen.labels)
    labels = {found[0] for text in texts if (found := LABEL.search(text.upper()))}
    return labels.pop() if len(labels) == 1 else None
