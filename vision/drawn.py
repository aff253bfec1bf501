"""Whether a picture is no camera's: large parts of it are exactly even."""

import cv2
import numpy as np

from vision.light import Mask
from vision.observations import PhotoWarning, Rgb

# Every sensor has noise. A strong compressor evens out blocks of 8 by 8 or 16 by 16 pixels (JPEG, ITU-T T.81), many of
# them in a row, but in several shades; what is burnt out or black is even in photos, too. How many pixels on a side an
# even part must have, which share of the picture such parts, and their two commonest colours of them; and from which
# share of fine grain on a photo is part of it: common practice, no source.
_SIDE, _SHARE, _TWO_COLOURS, _GRAIN = 33, 0.2, 0.8, 0.04
_DARKEST, _BRIGHTEST = 3, 252
_PAGE, _NEARLY_WHITE, _FADING, _PRINTED = 0.4, 225, 0.01, 0.001
"""A page's share of the picture, how much nearly white there is against it, and how much is on it: none of some seventy
photographs has so much even white. A hard compressor frays a page's rim, and it is not told then (common practice, no
source)."""
_LONGEST = 1000


def drawn(image: Rgb) -> tuple[PhotoWarning, ...]:
    """Return a warning for a screenshot or a drawing.

    Parameters
    ----------
    image : ndarray of uint8, shape (height, width, 3), RGB
    """
    step = max(1, max(image.shape[:2]) // _LONGEST)
    kernel = np.ones((max(3, _SIDE // step),) * 2, np.uint8)
    thin = np.ascontiguousarray(image[::step, ::step])  # each pixel as it is: a mean would even out noise
    same = (cv2.dilate(thin, kernel) == cv2.erode(thin, kernel)).all(axis=2)
    counted = thin.min(axis=2) >= _DARKEST
    if not _page(thin, same):
        counted &= thin.max(axis=2) <= _BRIGHTEST
    even = thin[same & counted].astype(np.uint32)
    if len(even) < _SHARE * same.size:
        return ()
    counts = np.sort(np.unique(even @ np.array([65536, 256, 1], np.uint32), return_counts=True)[1])
    if counts[-2:].sum() < _TWO_COLOURS * len(even):
        return ()
    if _grain(thin) >= _GRAIN:
        what = "Large parts of this picture are exactly even, as in a screenshot or a photo that was edited"
        return (PhotoWarning("screenshot", f"{what}: use the photo itself, as the camera wrote it."),)
    return (PhotoWarning("drawing", "This picture is a drawing: it says nothing of how a chip looks; take a photo."),)


def _page(image: Rgb, same: Mask) -> bool:
    """Whether white is a page's and no burnt-out light: that falls off through all shades at its rim and in shadows."""
    dimmest = image.min(axis=2)
    page = float((same & (dimmest > _BRIGHTEST)).mean())
    fading = float(((dimmest >= _NEARLY_WHITE) & (dimmest <= _BRIGHTEST)).mean())
    printed = float((dimmest < _NEARLY_WHITE).mean())
    return page >= _PAGE and fading < _FADING * page and printed > _PRINTED


def _grain(image: Rgb) -> float:
    """Share of pixels that differ a little, along and down, from their neighbours."""
    grey = cv2.cvtColor(image, cv2.COLOR_RGB2GRAY).astype(np.int16)
    along, down = np.abs(np.diff(grey, axis=1))[:-1], np.abs(np.diff(grey, axis=0))[:, :-1]
    return float(((along > 0) & (along < 8) & (down > 0) & (down < 8)).mean())
