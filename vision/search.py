"""Look for packages in a whole photo, and in a large one again part by part, so that small chips are not overlooked."""

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from vision.geometry import Corners, axis_box
from vision.locate import Outline, apart, locate
from vision.observations import Rgb
from vision.proposals import inside
from vision.read.seeds import photo_texts, texts_at_a_glance

# Above this long side a chip of a crowded board is too small in the working picture. This, and the
# other bounds here, are common practice, no source: set by hand while looking at photographs of boards.
_LARGE = 2400
# Each part spans this share of the photo's sides; neighbours overlap by a fifth, more than most chips' length.
_PART = 0.6
_SURE = 0.95
# The share of the print seen at a glance that the chips have to explain.
_MOST = 0.9
# A close-up of a few chips gets a close look anyway.
_MANY = 5


def find_outlines(image: Rgb) -> list[Outline]:
    """Return the outlines of the flat tops in a photo, best first.

    Parameters
    ----------
    image : ndarray of uint8, shape (height, width, 3), RGB

    Returns
    -------
    list of Outline
        None overlap by more than a third.
    """
    seen = texts_at_a_glance(image)
    glance = locate(image, seen, glance=True)
    if _explains(glance, seen):
        return [replace(outline, among_print=False) for outline in glance]
    whole = locate(image, photo_texts(image))
    if max(image.shape[:2]) <= _LARGE:
        return apart(sorted([*whole, *glance], key=lambda o: -o.score)) if len(glance) >= _MANY else whole
    parts = [outline for x, y, part in _parts(image) for outline in _within(part, x, y, image.shape)]
    sure = [o for o in whole if o.score >= _SURE]
    rest = [*parts, *(o for o in whole if o.score < _SURE)]
    return apart([*sure, *sorted(rest, key=lambda o: -o.score)])


def _explains(outlines: list[Outline], texts: list[Corners]) -> bool:
    """Whether a glance will do: there are chips, and hardly any print stands elsewhere, as on a board it does."""
    on = sum(any(inside(o.corners, text.mean(axis=0)) for o in outlines) for text in texts)
    return len(outlines) >= _MANY and len(texts) > 0 and on >= _MOST * len(texts)


def _parts(image: Rgb) -> Iterator[tuple[int, int, Rgb]]:
    height, width = image.shape[:2]
    tall, wide = int(height * _PART), int(width * _PART)
    for y in (0, height - tall):
        for x in (0, width - wide):
            yield x, y, np.ascontiguousarray(image[y : y + tall, x : x + wide])


def _within(part: Rgb, x: int, y: int, shape: tuple[int, ...]) -> list[Outline]:
    """Outlines of one part in the photo's pixels, without those that the part's own edge may have cut."""
    offset = np.array([x, y], float)
    found = locate(part, photo_texts(part))
    return [
        Outline(o.corners + offset, o.score, (), o.leads)
        for o in found
        if not _cut(o.corners + offset, x, y, part.shape, shape)
    ]


def _cut(corners: Corners, x: int, y: int, part: tuple[int, ...], whole: tuple[int, ...]) -> bool:
    x0, y0, x1, y1 = axis_box(corners)
    air = 0.012 * max(part[:2])
    right, bottom = x + part[1], y + part[0]
    return (
        (x > 0 and x0 < x + air)
        or (y > 0 and y0 < y + air)
        or (right < whole[1] and x1 > right - air)
        or (bottom < whole[0] and y1 > bottom - air)
    )
