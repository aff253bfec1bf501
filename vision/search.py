"""Look for packages in a whole photo: at a glance, and closely where a glance finds next to nothing."""

from dataclasses import replace

from vision.geometry import Corners
from vision.locate import MANY, MOST, Outline, apart, locate
from vision.observations import Rgb
from vision.proposals import inside
from vision.read.seeds import photo_texts, texts_at_a_glance

_SURE = 0.9  # from this score a chip alone in its photo needs no closer look; common practice, no source


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
    found = locate(image, seen, glance=True)
    if len(found) < MANY and not (_sure(found) and _explains(found, seen)):
        closely = locate(image, photo_texts(image))
        found = apart(sorted([*closely, *found], key=lambda o: -o.score))
    among_print = not (len(found) >= MANY and _explains(found, seen))
    return [replace(outline, among_print=among_print) for outline in found]


def _sure(outlines: list[Outline]) -> bool:
    return len(outlines) > 0 and all(outline.score >= _SURE for outline in outlines)


def _explains(outlines: list[Outline], texts: list[Corners]) -> bool:
    """Whether hardly any print stands elsewhere than on the chips, as on a board it does."""
    on = sum(any(inside(o.corners, text.mean(axis=0)) for o in outlines) for text in texts)
    return on >= MOST * len(texts)
