"""Where print stands in a whole photo, at any angle: the seeds from which packages are found."""

from vision.faces import evened, resized
from vision.geometry import Corners, axis_box, box_overlap, quad_overlap
from vision.observations import Rgb
from vision.read import neural

# Long side at which a photo is searched; close-ups smaller than the other figure on their short side are enlarged.
# Common practice, no source.
_LONG_SIDE, _SHORT_SIDE = 1600, 500


def photo_texts(image: Rgb) -> list[Corners]:
    """Return where print stands anywhere in a photo, at any angle: the seeds for finding packages.

    Parameters
    ----------
    image : ndarray of uint8, shape (height, width, 3), RGB

    Returns
    -------
    list of ndarray of float64, shape (4, 2)
    """
    scale = min(1.0, _LONG_SIDE / max(image.shape[:2]))
    scale = max(scale, min(2.0, _SHORT_SIDE / min(image.shape[:2]))) if scale == 1.0 else scale
    small = resized(image, scale)
    found = [b.corners / scale for b in neural.detect(small)]
    for box in neural.detect(evened(small)):
        corners = box.corners / scale
        near = (o for o in found if box_overlap(axis_box(corners), axis_box(o)) > 0)
        if all(quad_overlap(corners, other, of_smaller=True) < 0.5 for other in near):
            found.append(corners)
    return found
