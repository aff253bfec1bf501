"""What a person could do when chips in a photo were not found or not read."""

from collections.abc import Sequence
from functools import partial

import cv2
import numpy as np

from vision.crew import Crew
from vision.lexicon import Lexicon
from vision.observations import PhotoWarning, PieceView
from vision.photo import focus
from vision.read.mirror import in_a_mirror
from vision.read.reconcile import glyphs

# Common practice, no source: set by eye on photographs, on smaller copies of them and on softened ones.
_LEGIBLE, _LEAST_GLYPHS = 0.8, 3
_SMALL, _ENOUGH = 60, 150  # pixels across a top below which print is lost, and with which there is no doubt
_SOFT = 0.12  # of a top's focus, against how much its brightness varies
_MOST_ASKED = 3  # tops held into a mirror: if the photo is one, it is one for all


def advice(pieces: Sequence[PieceView], lexicon: Lexicon, hands: Crew) -> tuple[PhotoWarning, ...]:
    """Return what stood in the way of reading, and what would help.

    Parameters
    ----------
    pieces : sequence of PieceView
        All of a photo, in reading order.
    lexicon : Lexicon
    hands : Crew
        Who looks at unread tops in a mirror.
    """
    if not pieces:
        return (PhotoWarning("no-chip", "No chip was found: fill the picture with the chips, light from the side."),)
    unread = [k for k, piece in enumerate(pieces) if not _read(piece)]
    if _mirrored(pieces, unread, lexicon, hands):
        words = "The photo is a mirror image, and read wrongly: turn it over, or switch the camera's mirroring off."
        return (PhotoWarning("mirrored", words),)
    small = [k for k in unread if _across(pieces[k]) < _SMALL]
    soft = [k for k in unread if k not in small and _is_soft(pieces[k])]
    found = []
    if small:
        least = min(_across(pieces[k]) for k in small)
        found.append(
            PhotoWarning(
                "small",
                f"{_chips(small)} too small to read, {least} pixels across at the smallest: come closer, until it is "
                f"{_ENOUGH} or more.",
            )
        )
    if soft:
        words = "too blurred to read: hold the camera still, tap on the chip to focus, add light."
        found.append(PhotoWarning("blurred", f"{_chips(soft)} {words}"))
    return tuple(found)


def _read(piece: PieceView) -> bool:
    return any(line.confidence >= _LEGIBLE and len(glyphs(line.text)) >= _LEAST_GLYPHS for line in piece.lines)


def _mirrored(pieces: Sequence[PieceView], unread: Sequence[int], lexicon: Lexicon, hands: Crew) -> bool:
    """Whether more tops read in a mirror than were read straight."""
    if len(pieces) - len(unread) >= min(len(unread), _MOST_ASKED):
        return False
    asked = [pieces[k].face for k in sorted(unread, key=lambda k: -_across(pieces[k]))[:_MOST_ASKED]]
    return sum(hands.each(partial(in_a_mirror, lexicon=lexicon), asked)) > len(pieces) - len(unread)


def _across(piece: PieceView) -> int:
    """A top's short side in pixels."""
    return int(min(piece.face.image.shape[:2]))


def _is_soft(piece: PieceView) -> bool:
    spread = float(np.var(cv2.cvtColor(piece.face.image, cv2.COLOR_RGB2GRAY)))
    return focus(piece.face.image) < _SOFT * spread


def _chips(numbers: Sequence[int]) -> str:
    """Name chips as they are numbered on the screen."""
    named = [str(k + 1) for k in numbers]
    if len(named) == 1:
        return f"Chip {named[0]} is"
    return f"Chips {', '.join(named[:-1])} and {named[-1]} are" if len(named) <= 8 else f"{len(named)} chips are"
