"""Whether a top is seen in a mirror: its print then makes sense only when the picture is turned over."""

from dataclasses import replace

import numpy as np

from vision.faces import crop_line, turned
from vision.geometry import grown
from vision.lexicon import Lexicon
from vision.observations import Face
from vision.read import ctc, neural
from vision.read.upright import sense, upright

# A reading in the mirror must make so much sense, and so many times that of the straight one. Common practice, no
# source: set by eye on photographs of chips, straight and turned over.
_LEAST_SENSE, _CLEARLY = 3.5, 1.6


def in_a_mirror(face: Face, lexicon: Lexicon) -> bool:
    """Return whether a top's print clearly reads better in a mirror.

    Costs two looks at the top; meant for tops that could not be read.

    Parameters
    ----------
    face : Face
        Any way up.
    lexicon : Lexicon
    """
    over = replace(face, image=np.ascontiguousarray(face.image[:, ::-1]))
    mirrored = _sense(over, lexicon)
    return mirrored >= _LEAST_SENSE and mirrored > _CLEARLY * _sense(face, lexicon)


def _sense(face: Face, lexicon: Lexicon) -> float:
    """How much sense the print makes at first sight, the better way up."""
    seen = upright(face, lexicon)
    image = turned(face, seen.turn).image
    crops = [crop_line(image, grown(corners, 0.15, 0.0)) for corners, _ in seen.boxes]
    return sense([ctc.greedy(one, neural.ALPHABET) for one in neural.distributions(crops)], lexicon)
