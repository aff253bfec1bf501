"""Pictures as bytes: opening, cutting out, writing JPEG and PNG."""

import io
from pathlib import Path

import numpy as np
from PIL import Image

from tracker.desk.contract import Outline
from tracker.errors import BadRequest
from vision import photo
from vision.errors import PhotoError
from vision.observations import Rgb

MARGIN = 0.2
"""How much of a chip's size is kept around it when it is cut out: leads and some ground, not its neighbours (common
practice, no source)."""
QUALITY = 88
"""JPEG quality of annotated pictures; originals are kept as they came."""


def open_picture(data: bytes | Path) -> photo.Picture:
    """Return the pixels of a photo, upright by its EXIF orientation.

    Raises
    ------
    BadRequest
        When it cannot be used.
    """
    try:
        name, content = photo.load(str(data)) if isinstance(data, Path) else photo.load("photo", data)
        return photo.pixels(name, content)
    except PhotoError as error:
        raise BadRequest(error.what, error.advice) from None


def as_jpeg(picture: Rgb, *, longest: int | None = None) -> bytes:
    """Return a picture as JPEG, made smaller where its longer side exceeds `longest` pixels."""
    image = Image.fromarray(picture)
    if longest is not None:
        image.thumbnail((longest, longest), Image.Resampling.LANCZOS)
    out = io.BytesIO()
    image.save(out, "JPEG", quality=QUALITY, optimize=True)
    return out.getvalue()


def smaller(data: bytes, longest: int) -> bytes:
    """Return an annotated picture, which is a JPEG of our own, with its longer side at most `longest` pixels.

    The decoder leaves out what is not shown, which is most of the work on a large one.
    """
    image = Image.open(io.BytesIO(data))
    image.draft("RGB", (longest, longest))
    return as_jpeg(np.asarray(image.convert("RGB")), longest=longest)


def crop_png(data: bytes | Path, outline: Outline, margin: float = MARGIN) -> bytes:
    """Return the part of a photo around an outline as PNG, its pixels as they were opened.

    Parameters
    ----------
    data : bytes or Path
        The photo.
    outline : Outline
        In pixels of the photo as it is seen (turned by its EXIF orientation).
    margin : float
        Of the outline's size, kept on each side.
    """
    picture = open_picture(data)
    out = io.BytesIO()
    Image.fromarray(crop(picture, outline, margin)).save(out, "PNG", compress_level=1)
    return out.getvalue()


def crop(picture: photo.Picture, outline: Outline, margin: float = MARGIN) -> Rgb:
    """Return the upright rectangle of a picture around an outline of the photo."""
    outline = picture.place(outline)
    xs, ys = [x for x, _ in outline], [y for _, y in outline]
    air = margin * max(max(xs) - min(xs), max(ys) - min(ys))
    height, width = picture.image.shape[:2]
    left, right = max(0, int(min(xs) - air)), min(width, int(max(xs) + air) + 1)
    top, bottom = max(0, int(min(ys) - air)), min(height, int(max(ys) + air) + 1)
    return picture.image[top:bottom, left:right]
