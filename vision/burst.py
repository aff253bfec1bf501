"""The sharpest of a burst of frames: hand, focus motor and exposure control each take a moment to come to rest."""

from collections.abc import Iterable
from dataclasses import dataclass

from vision.observations import Rgb
from vision.photo import focus

# Frames differ in detail finer than the working copy of `photo.quality` keeps; common practice, no source.
_LONGEST = 2000


@dataclass(frozen=True, slots=True, eq=False)
class Sharpest:
    """The best frame of a burst.

    Parameters
    ----------
    image : ndarray of uint8, shape (height, width, 3), RGB
    focus : float
        By `photo.focus`.
    index : int
        Which frame it was, counted from 0.
    frames : int
        How many there were.
    """

    image: Rgb
    focus: float
    index: int
    frames: int


def sharpest(frames: Iterable[Rgb]) -> Sharpest | None:
    """Return the sharpest of some frames of one scene, the first of equals; None where there are none.

    Parameters
    ----------
    frames : iterable of ndarray of uint8, shape (height, width, 3), RGB
        Taken one by one; no more than two are held at a time.
    """
    best: tuple[Rgb, float, int] | None = None
    count = 0
    for index, image in enumerate(frames):
        count += 1
        measured = focus(image, _LONGEST)
        if best is None or measured > best[1]:
            best = image, measured, index
    return None if best is None else Sharpest(*best, count)
