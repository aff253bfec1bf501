"""Where print stands in a picture: the neural detector's map of text, made into boxes."""

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.geometry import Corners
from vision.observations import Rgb
from vision.read import models

# A pixel is text above the first figure, a region is a line above the second. A region is the shrunken core of its
# line; area over perimeter, times the third, is how far each side moves out again. Differentiable binarisation, Liao et
# al. 2020, 'Real-time scene text detection with differentiable binarization', AAAI; 0.3 and the defaults of RapidOCR,
# but weaker lines are kept, since markings are faint (common practice, no source).
_PIXEL, _REGION, _GROWTH = 0.3, 0.4, 1.6
_STRIDE = 32  # the network's sides are multiples of it
_LEAST_CORE, _LEAST_SIDE = 3.0, 5.0


@dataclass(frozen=True, slots=True)
class TextBox:
    """Where the detector sees a line: four corners (shape (4, 2), pixels, clockwise from upper left) and a score."""

    corners: Corners
    score: float


def detect(image: Rgb, *, quick: bool = False) -> list[TextBox]:
    """Find lines of text at the image's own resolution.

    Parameters
    ----------
    image : ndarray of uint8, shape (height, width, 3), RGB
        Characters of about 12 to 60 pixels height are found best.
    quick : bool
        Ask the small network, which takes an eighth of the time. Its makers scale each colour by ImageNet's figures;
        on flattened grey pictures of chips it finds more lines with the larger network's plain scale.

    Returns
    -------
    list of TextBox
    """
    height, width = image.shape[:2]
    size = max(_STRIDE, round(width / _STRIDE) * _STRIDE), max(_STRIDE, round(height / _STRIDE) * _STRIDE)
    fitted = image if size == (width, height) else cv2.resize(image, size, interpolation=cv2.INTER_LINEAR)
    batch = np.ascontiguousarray(fitted[:, :, ::-1].transpose(2, 0, 1)[None], np.float32)
    batch *= 1 / 127.5
    batch -= 1.0
    text = models.run(models.QUICK_DETECTOR if quick else models.DETECTOR, batch)[0, 0]
    return _boxes(text, np.array([width / size[0], height / size[1]]), (width, height))


def _boxes(text: NDArray[np.float32], stretch: Corners, size: tuple[int, int]) -> list[TextBox]:
    mask = cv2.dilate((text > _PIXEL).astype(np.uint8), np.ones((2, 2), np.uint8))
    contours, _ = cv2.findContours(mask, cv2.RETR_LIST, cv2.CHAIN_APPROX_SIMPLE)
    found: list[TextBox] = []
    for contour in contours:
        core = cv2.minAreaRect(contour)
        if min(core[1]) < _LEAST_CORE:
            continue
        score = _mean_inside(text, cv2.boxPoints(core))
        if score < _REGION:
            continue
        wide, high = core[1]
        out = 2 * _GROWTH * wide * high / (2 * (wide + high))
        box = cv2.boxPoints((core[0], (wide + out, high + out), core[2]))
        corners = np.clip(_from_upper_left(box) * stretch, 0, np.array(size) - 1.0)
        if min(np.linalg.norm(corners[1] - corners[0]), np.linalg.norm(corners[3] - corners[0])) > _LEAST_SIDE - 2:
            found.append(TextBox(corners, score))
    return found


def _mean_inside(text: NDArray[np.float32], box: NDArray[Any]) -> float:
    x, y, w, h = cv2.boundingRect(np.floor(box).astype(np.int32))
    x0, y0 = max(x, 0), max(y, 0)
    part = text[y0 : y + h, x0 : x + w]
    if part.size == 0:
        return 0.0
    mask = np.zeros(part.shape, np.uint8)
    cv2.fillPoly(mask, [(box - [x0, y0]).astype(np.int32)], 1)
    return float(cv2.mean(part, mask)[0])


def _from_upper_left(box: NDArray[Any]) -> Corners:
    """Order four corners clockwise as seen; the first is the upper one of the two at the left."""
    by_x = box[np.argsort(box[:, 0], kind="stable")]
    left, right = by_x[:2], by_x[2:]
    left, right = left[np.argsort(left[:, 1])], right[np.argsort(right[:, 1])]
    return np.array([left[0], right[0], right[1], left[1]], np.float64)
