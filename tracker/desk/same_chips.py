"""Which chip of a new look at a photo is which of an earlier one: by where they lie, never by their number.

Another reader, or other thresholds, may find more chips in a photo, or fewer, or count them otherwise.
"""

from collections.abc import Mapping, Sequence

import numpy as np

from tracker.desk.contract import Outline
from vision.geometry import quad_overlap

LEAST_OVERLAP = 0.5
"""Intersection over union from which two outlines are of one thing: the criterion of the PASCAL visual object classes
challenge (Everingham and others, 2010; from memory). Chips do not lie on each other, so no other one comes near."""


def same_chips(recorded: Mapping[int, Outline], seen: Sequence[Outline]) -> dict[int, int]:
    """Match the outlines of a new look to those on record.

    Parameters
    ----------
    recorded : mapping of int to Outline
        By the chip's number in the photo, as recorded; photo pixels.
    seen : sequence of Outline
        Of the new look, photo pixels.

    Returns
    -------
    dict of int to int
        Index in `seen` by the recorded number, one to one, the largest overlap first; a chip that nothing in `seen`
        overlaps by `LEAST_OVERLAP` is left out.
    """
    shapes = [np.asarray(outline, float) for outline in seen]
    pairs = [
        (quad_overlap(np.asarray(outline, float), shape), number, index)
        for number, outline in recorded.items()
        for index, shape in enumerate(shapes)
    ]
    found: dict[int, int] = {}
    taken: set[int] = set()
    for overlap, number, index in sorted(pairs, key=lambda pair: (-pair[0], pair[1], pair[2])):
        if overlap < LEAST_OVERLAP:
            break
        if number not in found and index not in taken:
            found[number] = index
            taken.add(index)
    return found
