"""Open a photo safely: type and size limits before decoding, orientation, hash, and what makes it a poor photo."""

import hashlib
import io
import stat
import warnings
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import ExifTags, Image, ImageOps, UnidentifiedImageError

from vision.drawn import drawn
from vision.errors import PhotoError
from vision.observations import PhotoWarning, Quad, Rgb

# Far above any phone (200 megapixels); common practice, no source.
MOST_PIXELS = 220_000_000
# What decoding may take, so that a file that was made to harm cannot exhaust the memory of a small computer: our own
# bound. For each format the bytes for a pixel at the worst, measured on 36 megapixels, rounded up; PNG for its time.
MOST_MEMORY = 1 << 30
_BYTES_A_PIXEL = {"JPEG": 8, "MPO": 8, "PNG": 10, "TIFF": 12, "WEBP": 16, "HEIF": 14, "AVIF": 14}
_PROGRESSIVE = 11
_JPEG = ("JPEG", "MPO")
"""MPO, as many phones write it, is a JPEG file with further pictures after the first (CIPA DC-007, from memory)."""
_STRIP = 256
"""Rows that are turned into plain RGB at a time."""
_LYING = 5
"""From this EXIF orientation on (to 8) a file's rows are the photo's columns (Exif 2.32, JEITA CP-3451E, table of
tag 0x0112; from memory)."""
MOST_BYTES = 200 * 1024 * 1024
_LEAST_SIDE = 32
# The widest panorama a phone writes is about 10 to 1 (from memory); beyond this a scaled copy would have no height.
_MOST_ELONGATED = 30
_FORMATS = ("JPEG", "PNG", "WEBP", "TIFF", "HEIF", "AVIF")

# Variance of the Laplacian (Pech-Pacheco et al. 2000, ICPR, vol. 3, pp. 314-317) over a 1000 pixel wide copy below
# which print is too soft; share of burnt-out pixels that is too much; grey level that the brightest twentieth should
# reach. The measure has its source, the bounds none: common practice.
_SOFT, _BURNT, _DARK = 25.0, 0.12, 70.0
_WORKING = 1000


@dataclass(frozen=True, slots=True, eq=False)
class Picture:
    """The pixels of a photo, upright; of a very large one every second of them, each the mean of four.

    Whatever is recorded, said or drawn of a photo is in the photo's own pixels, so that it means the same to whoever
    opens the photo, with this program or another.

    Parameters
    ----------
    image : ndarray of uint8, shape (height, width, 3), RGB, upright by its EXIF orientation
    size : tuple of int
        Width and height of the photo itself, upright.
    step : int
        Pixels of the photo to one of `image`, along each side.
    """

    image: Rgb
    size: tuple[int, int]
    step: int = 1

    def place(self, outline: Quad) -> Quad:
        """Return where an outline of the photo lies in `image`."""
        (ax, ay), (bx, by), (cx, cy), (dx, dy) = outline
        s = self.step
        return (ax / s, ay / s), (bx / s, by / s), (cx / s, cy / s), (dx / s, dy / s)


@dataclass(frozen=True, slots=True, eq=False)
class Photo:
    """A decoded photo.

    Parameters
    ----------
    name : str
    sha256 : str
        Of the file's bytes.
    picture : Picture
    warnings : tuple of PhotoWarning
    focal_35mm : float or None
        The focal length the file states, as on 35 mm film (Exif tag FocalLengthIn35mmFilm).
    """

    name: str
    sha256: str
    picture: Picture
    warnings: tuple[PhotoWarning, ...]
    focal_35mm: float | None = None

    @property
    def image(self) -> Rgb:
        """The pixels there are to look at: `picture.step` of the photo's own to one of them, along each side."""
        return self.picture.image


def load(path: str, data: bytes | None = None) -> tuple[str, bytes]:
    """Return a photo's name and bytes, read from the file unless given.

    Raises
    ------
    PhotoError
        For a missing file, a folder, an unreadable or an oversized file.
    """
    name = shown(Path(path).name)
    if data is None:
        data = _bytes_of(path)
    if len(data) > MOST_BYTES:
        raise _too_heavy(name, len(data))
    return name, data


def shown(name: str) -> str:
    """Return a file's name fit for one line on a screen: what does not print (escapes, line ends) becomes '?'."""
    return "".join(c if c.isprintable() else "?" for c in name)


def _bytes_of(path: str) -> bytes:
    name = shown(path)
    try:
        state = Path(path).stat()
        if stat.S_ISDIR(state.st_mode):
            raise PhotoError(f"'{name}' is a folder, not a photo.", "Name the photos in it.")
        if not stat.S_ISREG(state.st_mode):  # a pipe or a device could go on for ever
            raise PhotoError(f"'{name}' is not an ordinary file.", "Name a photo.")
        if state.st_size > MOST_BYTES:
            raise _too_heavy(name, state.st_size)
        return Path(path).read_bytes()
    except FileNotFoundError:
        raise PhotoError(f"There is no file '{name}'.", "Check the name and the folder.") from None
    except OSError as error:
        raise PhotoError(f"'{name}' cannot be read: {error.strerror}.", "Check its name and permissions.") from None
    except ValueError:  # a name with a null character
        raise PhotoError(f"'{name}' cannot be the name of a file.", "Check the name.") from None


def _too_heavy(name: str, size: int) -> PhotoError:
    return PhotoError(f"'{name}' has {size / 1e6:.0f} MB.", f"Photos up to {MOST_BYTES // 2**20} MiB are read.")


def decode(name: str, data: bytes) -> Photo:
    """Decode a photo's bytes.

    Raises
    ------
    PhotoError
        For anything that is not a whole picture of a known type within the limits.
    """
    picture, focal = _opened(name, data)
    return Photo(name, hashlib.sha256(data).hexdigest(), picture, quality(picture.image), focal)


def pixels(name: str, data: bytes) -> Picture:
    """Return the pixels of a photo, upright by its EXIF orientation, and no more: half the work of `decode`.

    Raises
    ------
    PhotoError
        As `decode`.
    """
    return _opened(name, data)[0]


def _opened(name: str, data: bytes) -> tuple[Picture, float | None]:
    """Return a photo's pixels and the focal length it states."""
    if not data:
        raise PhotoError(f"'{name}' is empty.", "Copy it from the camera again.")
    _register_heif()
    Image.MAX_IMAGE_PIXELS = None  # our own limit, checked before decoding, speaks plainer
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            with Image.open(io.BytesIO(data), formats=_FORMATS) as picture:
                _check_size(name, picture)
                focal, (width, height) = _focal_35mm(picture), picture.size
                if width * height > MOST_MEMORY // _BYTES_A_PIXEL["JPEG"]:
                    picture.draft(None, (width // 2, height // 2))  # of JPEG alone
                step = round(width / picture.width)
                image, lying = _pixels(picture)
    except PhotoError:
        raise
    except UnidentifiedImageError:
        raise PhotoError(f"'{name}' is not a picture.", "JPEG, PNG, WebP, TIFF and HEIC photos are read.") from None
    except Exception as error:  # decoders raise nearly anything on damaged bytes, each its own
        reason = shown(str(error).split("\n")[0][:100]) or type(error).__name__
        raise PhotoError(f"'{name}' is damaged or cut short ({reason}).", "Copy it from the camera again.") from None
    return Picture(image, (height, width) if lying else (width, height), step), focal


def most_pixels(picture: Image.Image) -> int:
    """Return how many pixels a picture of this format may have.

    A JPEG picture that takes too much is decoded at half its size, which costs a quarter; a progressive one cannot
    avoid its coefficients.
    """
    if picture.format in _JPEG:
        return MOST_MEMORY // _PROGRESSIVE if picture.info.get("progressive") else MOST_PIXELS
    return MOST_MEMORY // _BYTES_A_PIXEL.get(picture.format or "", max(_BYTES_A_PIXEL.values()))


def _check_size(name: str, picture: Image.Image) -> None:
    (width, height), most = picture.size, most_pixels(picture)
    if width * height > most:
        raise PhotoError(
            f"'{name}' has {width} x {height} pixels, over the limit of {most // 10**6} million.",
            "Scale it down or crop it to the chips.",
        )
    if min(width, height) < _LEAST_SIDE:
        raise PhotoError(f"'{name}' has only {width} x {height} pixels.", "Take a larger photo.")
    if max(width, height) > _MOST_ELONGATED * min(width, height):
        raise PhotoError(f"'{name}' is a strip of {width} x {height} pixels.", "Crop it to the chips.")


def _focal_35mm(picture: Image.Image) -> float | None:
    """The equivalent focal length from the Exif block, where it is there and between 8 and 400 mm."""
    with suppress(Exception):  # a damaged Exif block does not spoil the pixels
        value = float(picture.getexif().get_ifd(ExifTags.IFD.Exif).get(ExifTags.Base.FocalLengthIn35mmFilm, 0))
        return value if 8 <= value <= 400 else None
    return None


def _pixels(picture: Image.Image) -> tuple[Rgb, bool]:
    """Return plain RGB, and whether the file has the photo lying on its side.

    Done strip by strip: Pillow's own conversions would hold several copies of a large photo.
    """
    picture.load()
    lying = False
    with suppress(Exception):  # a damaged EXIF block does not spoil the pixels, and chips are turned upright anyway
        orientation = picture.getexif().get(ExifTags.Base.Orientation, 1)
        if orientation != 1:
            turned = ImageOps.exif_transpose(picture)
            picture.close()  # its pixels, which would be held twice
            picture, lying = turned, orientation >= _LYING
    width, height = picture.size
    image = np.empty((height, width, 3), np.uint8)
    brightest = _brightest(picture) if picture.mode[0] in "IF" else None
    for top in range(0, height, _STRIP):
        image[top : top + _STRIP] = _plain(_strip(picture, top), brightest)
    return image, lying


def _strip(picture: Image.Image, top: int) -> Image.Image:
    return picture.crop((0, top, picture.width, min(picture.height, top + _STRIP)))


def _brightest(picture: Image.Image) -> float:
    """Of more than 8 bits of grey, as microscopes write: the white level is not recorded, so this is it."""
    return max(float(_grey(_strip(picture, top)).max()) for top in range(0, picture.height, _STRIP))


def _grey(picture: Image.Image) -> NDArray[Any]:
    return np.nan_to_num(np.asarray(picture, np.float32), posinf=0.0, neginf=0.0)


def _plain(picture: Image.Image, brightest: float | None) -> Rgb:
    if brightest is not None:
        scaled = np.clip(_grey(picture) * 255.0 / max(brightest, 1e-9), 0, 255).astype(np.uint8)
        return np.repeat(scaled[..., None], 3, axis=2)
    if picture.has_transparency_data:  # what lies under it may have any colour
        seen = picture.convert("RGBA")
        picture = Image.alpha_composite(Image.new("RGBA", seen.size, "white"), seen)
    return np.asarray(picture if picture.mode == "RGB" else picture.convert("RGB"), np.uint8)


def _register_heif() -> None:
    from pillow_heif import register_heif_opener

    register_heif_opener()


def quality(image: Rgb) -> tuple[PhotoWarning, ...]:
    """Return what makes a photo poor, each with what to do about it.

    Parameters
    ----------
    image : ndarray of uint8, shape (height, width, 3), RGB
    """
    grey = _grey_copy(image, _WORKING)
    found: list[PhotoWarning] = []
    if _sharpness(grey) < _SOFT:
        found.append(
            PhotoWarning("soft", "The photo is soft: hold the phone still, tap on the chips to focus, add light.")
        )
    if _burnt_share(grey) > _BURNT:
        found.append(PhotoWarning("glare", "Parts are burnt out: move the lamp to the side or put paper before it."))
    if float(np.percentile(grey, 95)) < _DARK:
        found.append(PhotoWarning("dark", "The photo is dark: add light from the side."))
    return (*found, *drawn(image))


def focus(image: Rgb, longest: int = _WORKING) -> float:
    """Return how sharp a picture is: the variance of its Laplacian, 0 for an even field, without an upper bound.

    Parameters
    ----------
    image : ndarray of uint8, shape (height, width, 3), RGB
    longest : int
        It is measured on a copy whose longer side is at most this many pixels. Two values can be compared where they
        are of the same scene, size and `longest`.

    References
    ----------
    Pech-Pacheco et al. 2000, ICPR, vol. 3, pp. 314-317.
    """
    return _sharpness(_grey_copy(image, longest))


def _grey_copy(image: Rgb, longest: int) -> NDArray[Any]:
    scale = min(1.0, longest / max(image.shape[:2]))
    grey = cv2.cvtColor(image, cv2.COLOR_RGB2GRAY)
    return cv2.resize(grey, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA) if scale < 1 else grey


def _sharpness(grey: NDArray[Any]) -> float:
    return float(cv2.Laplacian(grey, cv2.CV_64F).var())


def _burnt_share(grey: NDArray[Any]) -> float:
    """Share of pixels in solid patches at the top of the scale; single bright pixels are glints of print or grain."""
    burnt = (grey >= 253).astype(np.uint8)
    solid = cv2.morphologyEx(burnt, cv2.MORPH_OPEN, np.ones((9, 9), np.uint8))
    return float(solid.mean())
