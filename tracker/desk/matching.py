"""Which chip in a photo is which piece of the lot."""

import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import median

from tracker.desk.contract import Outline, PhotoInspected

Chip = tuple[int, int]
"""(photo, index) of a chip."""
LABEL = re.compile(r"L\d{4,}-\d{2,}")
BY_LABEL, BY_CELL, BY_ORDER, BY_NAME = "label in view", "cell of the card", "reading order", "name"
STRANGER = "it reads no part number and is not of the other chips' size"
UNCLEAR = "labels are in view, and none lies clearly beside it"
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
    said = {chip: label for chip in chips if (label := celled.get(chip) or _label_beside(photos, *chip)) is not None}
    said |= _left_over(photos, [chip for chip in chips if chip not in said and chip not in strangers], known)
    twice = _twice(said, celled)
    unclear = {number for number, photo in enumerate(photos) if _unplaced(photo, number, said, known)}
    taken = {label for label in said.values() if label in known}
    waiting = iter([label for label in free if label not in taken])
    matched = []
    for chip in chips:
        label = said.get(chip)
        if chip in celled:
            piece = celled[chip] if celled[chip] in known else None
            matched.append(Matched(*chip, piece, BY_CELL if piece else f"the lot has no piece {celled[chip]}"))
        elif chip in twice:
            matched.append(Matched(*chip, None, f"the label {label} lies beside more than one chip of this photo"))
        elif label is None and chip in strangers:
            matched.append(Matched(*chip, None, STRANGER))
        elif label is None and chip[0] in unclear:
            matched.append(Matched(*chip, None, UNCLEAR))
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


def _label_beside(photos: Sequence[PhotoInspected], photo: int, index: int) -> str | None:
    """Return the piece's label seen beside a chip."""
    return _piece_in(photos[photo].pieces[index].label or "")


def _piece_in(text: str) -> str | None:
    found = LABEL.search(text.upper())
    return found[0] if found else None


def _labels_in(photo: PhotoInspected) -> set[str]:
    """Return the labels of pieces anywhere in view."""
    return {label for text in photo.labels if (label := _piece_in(text)) is not None}


def _left_over(photos: Sequence[PhotoInspected], nameless: Sequence[Chip], known: Sequence[str]) -> dict[Chip, str]:
    """Return the chip of a photo that is the only one without a label, where one label is left over as well."""
    found = {}
    for number, photo in enumerate(photos):
        chips = [chip for chip in nameless if chip[0] == number]
        beside = {_piece_in(piece.label or "") for piece in photo.pieces}
        left = _labels_in(photo) - beside
        if len(chips) == 1 and len(left) == 1 and (left <= set(known) or len(photo.pieces) == 1):
            found[chips[0]] = left.pop()
    return found


def _unplaced(photo: PhotoInspected, number: int, said: Mapping[Chip, str], known: Sequence[str]) -> bool:
    """Whether a label of the lot is in view that could be given to no chip: the others' order may then mislead."""
    given = {label for chip, label in said.items() if chip[0] == number}
    return photo.card is None and bool((_labels_in(photo) & set(known)) - given)


def _twice(said: Mapping[Chip, str], celled: Mapping[Chip, str]) -> set[Chip]:
    """Return chips of one photo that have one and the same label beside them; the cell of a card is believed."""
    count = Counter((chip[0], label) for chip, label in said.items())
    return {chip for chip, label in said.items() if chip not in celled and count[chip[0], label] > 1}
