"""Several pictures of one line of print, so that a poor light or a loose box does not decide what it says."""

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.faces import crop_line
from vision.geometry import Corners, grown, quad_sides
from vision.observations import Rgb

# Air around the detector's box, as fractions of the line's height: (left and right, above and below) and the kinds of
# picture taken with it. The detector clips hyphens and thin last characters, hence more air at the ends. Chosen among
# about fifteen sets by reading 66 photographs of real chips; the best few differed by chance, and none was held back.
_SHOTS: tuple[tuple[float, float, tuple[str, ...]], ...] = (
    (0.0, 0.0, ("plain", "even")),
    (0.3, 0.12, ("stretched", "even", "smooth", "smoother")),
)
PER_LINE = sum(len(kinds) for _, _, kinds in _SHOTS)


def pictures(photo: Rgb, corners: Corners) -> list[Rgb]:
    """Return the pictures of one line, cut from the photo itself: each resampling costs sharpness.

    Parameters
    ----------
    photo : ndarray of uint8, shape (height, width, 3), RGB
    corners : ndarray of float64, shape (4, 2)
        Clockwise from the line's upper left, photo pixels.

    Returns
    -------
    list of ndarray of uint8, shape (h, w, 3)
        `PER_LINE` of them, the plain one first.
    """
    out: list[Rgb] = []
    for ends, edges, kinds in _SHOTS:
        crop = crop_line(photo, grown(corners, ends, edges))
        out += [_picture(kind, crop, quad_sides(corners)[1]) for kind in kinds]
    return out


def _picture(kind: str, crop: Rgb, height: float) -> Rgb:
    if kind == "plain":
        return crop
    grey = _stretched(crop)
    changed: NDArray[Any] = grey
    if kind == "even":
        changed = cv2.createCLAHE(2.0, (2, 4)).apply(grey)
    elif kind == "smooth":
        changed = cv2.GaussianBlur(grey, (0, 0), max(0.6, height / 45))
    elif kind == "smoother":
        changed = cv2.GaussianBlur(grey, (0, 0), max(0.8, height / 28))
    return np.asarray(cv2.cvtColor(changed, cv2.COLOR_GRAY2RGB), np.uint8)


def _stretched(crop: Rgb) -> NDArray[np.uint8]:
    grey = cv2.cvtColor(crop, cv2.COLOR_RGB2GRAY)
    low, high = np.percentile(grey, (1, 99.5))
    return np.asarray(np.clip((grey.astype(float) - low) * 255.0 / max(high - low, 10.0), 0, 255), np.uint8)
