"""Rectify a package's top to a flat picture, and turn it."""

import cv2
import numpy as np

from vision.geometry import Corners, grown, quad_sides
from vision.observations import Face, Rgb

# Longest side of a rectified top (common practice, no source). Print is read at a lower resolution; measures of the
# surface want the native one.
_MOST_PIXELS = 2400
# Shown around a top, its short sides: a lead is a tenth to a quarter of a body wide (common practice, no source).
_AROUND = 0.22


def rectify(image: Rgb, corners: Corners, *, margin: float = 0.02) -> Face:
    """Return the flat top with its long side horizontal, at the photo's own resolution.

    Parameters
    ----------
    image : ndarray of uint8, shape (height, width, 3), RGB
    corners : ndarray of float64, shape (4, 2)
        Clockwise as seen.
    margin : float
        Added on every side, as a fraction of the short side: outlines err a little inwards.

    Returns
    -------
    Face
    """
    first, second = quad_sides(corners)
    if first < second:
        corners, first, second = np.roll(corners, -1, axis=0), second, first
    scale = min(1.0, _MOST_PIXELS / max(first, 1.0))
    pad = margin * second * scale
    width, height = max(8, round(first * scale + 2 * pad)), max(8, round(second * scale + 2 * pad))
    target = np.array([[pad, pad], [width - pad, pad], [width - pad, height - pad], [pad, height - pad]], np.float32)
    to_face = cv2.getPerspectiveTransform(corners.astype(np.float32), target)
    flat = cv2.warpPerspective(image, to_face, (width, height), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    return Face(flat.astype(np.uint8), np.linalg.inv(to_face).astype(np.float64))


def surroundings(image: Rgb, face: Face) -> Rgb:
    """Return what lies around a top as well: leads, and where the outline may have erred.

    Parameters
    ----------
    image : ndarray of uint8, shape (height, width, 3), RGB
        That `face.to_photo` leads to.
    face : Face

    Returns
    -------
    ndarray of uint8, shape (rows, columns, 3)
        The face with `air(face)` more pixels on every side, at the same scale.
    """
    return with_air(image, face, air(face)).image


def with_air(image: Rgb, face: Face, pad: int) -> Face:
    """Return the face with so many more pixels of its photo on every side.

    Parameters
    ----------
    image : ndarray of uint8, shape (height, width, 3), RGB
        That `face.to_photo` leads to.
    face : Face
    pad : int
        Pixels of the face.
    """
    rows, columns = face.image.shape[:2]
    matrix = face.to_photo @ np.array([[1.0, 0.0, -pad], [0.0, 1.0, -pad], [0.0, 0.0, 1.0]])
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    size = (columns + 2 * pad, rows + 2 * pad)
    wider = cv2.warpPerspective(image, matrix, size, flags=flags, borderMode=cv2.BORDER_REPLICATE).astype(np.uint8)
    return Face(wider, matrix, face.mm_per_px)


def air(face: Face) -> int:
    """Return how many pixels more `surroundings` shows on every side."""
    return round(_AROUND * float(min(face.image.shape[:2])))


def turned(face: Face, quarter_turns: int) -> Face:
    """Return the face turned clockwise by a number of quarter turns, its homography with it.

    Parameters
    ----------
    face : Face
    quarter_turns : int
        0 to 3.
    """
    image, to_photo = face.image, face.to_photo
    for _ in range(quarter_turns % 4):
        height = image.shape[0]
        # Whole numbers are pixel centres, as in warpPerspective: new (x, y) shows the old pixel (y, height - 1 - x).
        to_photo = to_photo @ np.array([[0.0, 1.0, 0.0], [-1.0, 0.0, height - 1.0], [0.0, 0.0, 1.0]])
        image = np.rot90(image, -1)
    return Face(np.ascontiguousarray(image), to_photo, face.mm_per_px)


def crop_line(image: Rgb, corners: Corners, *, pad: float = 0.0) -> Rgb:
    """Return the upright picture of one line.

    Parameters
    ----------
    image : ndarray of uint8, shape (height, width, 3), RGB
    corners : ndarray of float64, shape (4, 2)
        Clockwise from the line's upper left.
    pad : float
        Added on every side, as a fraction of the line's height.
    """
    box = grown(corners, pad, pad)
    width, height = quad_sides(box)
    size = max(4, round(width)), max(4, round(height))
    target = np.array([[0, 0], [size[0], 0], list(size), [0, size[1]]], np.float32)
    matrix = cv2.getPerspectiveTransform(box.astype(np.float32), target)
    flat = cv2.warpPerspective(image, matrix, size, flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(flat, np.uint8)


def resized(image: Rgb, scale: float) -> Rgb:
    """Return the picture scaled, with area averaging when it shrinks and cubic interpolation when it grows."""
    if abs(scale - 1.0) < 1e-3:
        return image
    method = cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC
    return np.asarray(cv2.resize(image, None, fx=scale, fy=scale, interpolation=method), np.uint8)


def evened(image: Rgb, *, clip: float = 3.0, tiles: tuple[int, int] = (12, 12)) -> Rgb:
    """Return the picture with its brightness spread evenly (contrast-limited adaptive histogram equalisation).

    Notes
    -----
    Zuiderveld 1994, 'Contrast limited adaptive histogram equalization', Graphics Gems IV, as OpenCV has it.
    """
    lab = cv2.cvtColor(image, cv2.COLOR_RGB2LAB)
    lab[..., 0] = cv2.createCLAHE(clip, tiles).apply(np.ascontiguousarray(lab[..., 0]))
    return np.asarray(cv2.cvtColor(lab, cv2.COLOR_LAB2RGB), np.uint8)
