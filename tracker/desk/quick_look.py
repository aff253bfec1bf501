"""A first look at a photo, quick enough to answer while it is handed in: can it be used, and should it be retaken?"""

import threading
from dataclasses import dataclass
from pathlib import Path

from tracker.errors import BadRequest
from vision.card import find_card
from vision.errors import PhotoError
from vision.observations import CardView
from vision.photo import decode

_ONE = threading.Lock()
"""A photo at its pixel limit takes 660 MB once decoded, so they are opened one after another, whoever sends them."""


@dataclass(frozen=True, slots=True)
class QuickLook:
    """What a glance says of a photo.

    Parameters
    ----------
    width, height : int
        Pixels.
    warnings : tuple of str
        What would make a better photo, each a sentence ('move the lamp to the side ...').
    card_of : str or None
        Label of the lot whose inspection card is in view.
    """

    width: int
    height: int
    warnings: tuple[str, ...]
    card_of: str | None = None


def quick_look(name: str, file: Path) -> QuickLook:
    """Open a photo as the full inspection does, and say what is quick to say.

    Size and kind are checked before anything is decoded; no chip is looked for.

    Parameters
    ----------
    name : str
        What the photo is called in what is said of it.
    file : Path
        Where it lies.

    Raises
    ------
    BadRequest
        For anything that is not a whole picture of a known type within the limits.
    """
    with _ONE:
        try:
            photo = decode(name, file.read_bytes())
        except PhotoError as error:
            raise BadRequest(error.what, error.advice) from None
        card = find_card(photo.image)
        width, height = photo.picture.size
    owner = card.lot if isinstance(card, CardView) else None
    return QuickLook(width, height, tuple(one.message for one in photo.warnings), owner)
