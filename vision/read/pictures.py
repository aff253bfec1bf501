"""Several pictures of one line of print, so that a poor light or a loose box does not decide what it says."""

import cv2
import numpy as np

from vision.faces import crop_line
from vision.geometry import Corners, grown
from vision.observations import Rgb
from vision.read.flat import flattened

# Air around the detector's box, as fractions of the line's height (left and right, above and below), the kind of
# picture, and how far it is squeezed along the line. The detector's boxes are generous above and below and clip hyphens
# and thin last characters at the ends. The first picture reads about as many lines of 66 photographs of real chips as
# any set of ten does; the others differed by chance, and no photograph was held back.
_FIRST = (0.15, -0.03, "smooth", 0.85)
_MORE = ((0.15, -0.1, "plain", 1.0), (0.15, 0.0, "flat", 1.0))


def first_picture(photo: Rgb, corners: Corners) -> Rgb:
    """Return the picture of a line that is read first, cut from the photo itself: each resampling costs sharpness.

    Parameters
    ----------
    photo : ndarray of uint8, shape (height, width, 3), RGB
    corners : ndarray of float64, shape (4, 2)
        Clockwise from the line's upper left, photo pixels.

    Returns
    -------
    ndarray of uint8, shape (h, w, 3)
    """
    return _picture(photo, corners, _FIRST)


def more_pictures(photo: Rgb, corners: Corners) -> list[Rgb]:
    """Return further pictures of a line that the first left in doubt; parameters as of `first_picture`."""
    return [_picture(photo, corners, shot) for shot in _MORE]


def _picture(photo: Rgb, corners: Corners, shot: tuple[float, float, str, float]) -> Rgb:
    ends, edges, kind, squeeze = shot
    crop = _treated(kind, crop_line(photo, grown(corners, ends, edges)))
    if squeeze == 1.0:
        return crop
    size = max(4, round(squeeze * crop.shape[1])), crop.shape[0]
    return np.asarray(cv2.resize(crop, size, interpolation=cv2.INTER_AREA), np.uint8)


def _treated(kind: str, crop: Rgb) -> Rgb:
    if kind == "plain":
        return crop
    if kind == "flat":
        return flattened(crop, 1.2 * crop.shape[0])
    grey = cv2.cvtColor(crop, cv2.COLOR_RGB2GRAY)
    smooth = cv2.GaussianBlur(grey, (0, 0), max(0.6, crop.shape[0] / 45))
    return np.asarray(cv2.cvtColor(smooth, cv2.COLOR_GRAY2RGB), np.uint8)
