"""A top's picture with light, gloss and dirt taken out, so that faint print is as plain as strong print."""

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.observations import Rgb

# Grey that the ground becomes, and grey levels for one spread of the ground: faint print then stands 80 to 160 levels
# above it. The spread is held above a share of its median and a floor, or the plainest part of a top would show
# nothing but noise. All common practice, no source: chosen on photographs of chips.
_GROUND, _GAIN = 90.0, 40.0
_LEAST_SHARE, _FLOOR = 0.5, 1.5
# The wide median is taken on a picture so small that its reach is about this many pixels: it costs nothing there.
_COARSE = 15
_MOST_REACH = 31


def flattened(image: Rgb, reach: float, *, gain: float = 1.0) -> Rgb:
    """Return the picture minus its wide median, divided by its local spread, as grey in three channels.

    Parameters
    ----------
    image : ndarray of uint8, shape (height, width, 3), RGB
    reach : float
        Pixels over which light may change: more than a character, less than the top.
    gain : float
        Times the usual contrast.
    """
    grey = cv2.cvtColor(image, cv2.COLOR_RGB2GRAY)
    size = (grey.shape[1], grey.shape[0])
    step = max(1, round(reach / _COARSE))
    window = int(np.clip(round(reach / step), 3, _MOST_REACH)) | 1
    small = cv2.resize(grey, None, fx=1 / step, fy=1 / step, interpolation=cv2.INTER_AREA)
    ground = cv2.GaussianBlur(cv2.medianBlur(small, window).astype(np.float32), (0, 0), window / 4)
    rest = grey.astype(np.float32) - cv2.resize(ground, size, interpolation=cv2.INTER_LINEAR)
    spread = _local_spread(rest, step, window)
    steady = np.maximum(spread, _LEAST_SHARE * float(np.median(spread))) + _FLOOR
    flat = np.clip(_GROUND + gain * _GAIN * rest / steady, 0, 255).astype(np.uint8)
    return np.asarray(cv2.cvtColor(flat, cv2.COLOR_GRAY2RGB), np.uint8)


def _local_spread(rest: NDArray[np.float32], step: int, window: int) -> NDArray[np.float32]:
    """Root mean square of what is left of the ground, over a window; shape of `rest`."""
    small = cv2.resize(rest * rest, None, fx=1 / step, fy=1 / step, interpolation=cv2.INTER_AREA)
    wide = np.sqrt(cv2.GaussianBlur(small, (0, 0), 0.8 * window))
    return np.asarray(cv2.resize(wide, (rest.shape[1], rest.shape[0]), interpolation=cv2.INTER_LINEAR), np.float32)
