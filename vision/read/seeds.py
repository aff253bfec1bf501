"""Where print stands in a whole photo, at any angle: the seeds from which packages are found."""

from vision.faces import evened, resized
from vision.geometry import Corners, axis_box, box_overlap, quad_overlap
from vision.observations import Rgb
from vision.read import neural
from vision.read.flat import flattened

# Long side at which a photo is searched, at a glance and closely; close-ups smaller than the last figure on their short
# side are enlarged. Common practice, no source.
_GLANCE, _LONG_SIDE, _SHORT_SIDE = 1100, 1600, 500
# A photo's long side in reaches of the flattening: each reach is about the width of a chip among twenty.
_REACHES = 20


def texts_at_a_glance(image: Rgb) -> list[Corners]:
    """Return where print stands anywhere in a photo, from one look at it with light and gloss taken out.

    Parameters
    ----------
    image : ndarray of uint8, shape (height, width, 3), RGB

    Returns
    -------
    list of ndarray of float64, shape (4, 2)
    """
    small, scale = _scaled(image, _GLANCE)
    flat = flattened(small, max(small.shape[:2]) / _REACHES)
    return [b.corners / scale for b in neural.detect(flat)]


def photo_texts(image: Rgb) -> list[Corners]:
    """Return where print stands anywhere in a photo, at any angle, from two closer looks.

    Parameters
    ----------
    image : ndarray of uint8, shape (height, width, 3), RGB

    Returns
    -------
    list of ndarray of float64, shape (4, 2)
    """
    small, scale = _scaled(image, _LONG_SIDE)
    found = [b.corners / scale for b in neural.detect(small)]
    for box in neural.detect(evened(small)):
        corners = box.corners / scale
        near = (o for o in found if box_overlap(axis_box(corners), axis_box(o)) > 0)
        if all(quad_overlap(corners, other, of_smaller=True) < 0.5 for other in near):
            found.append(corners)
    return found


def _scaled(image: Rgb, side: int) -> tuple[Rgb, float]:
    scale = min(1.0, side / max(image.shape[:2]))
    scale = max(scale, min(2.0, _SHORT_SIDE / min(image.shape[:2]))) if scale == 1.0 else scale
    return resized(image, scale), scale
