"""One picture used twice: the same bytes, or the same scene after re-saving, resizing or light editing."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from PIL import Image

from vision.observations import Observation, Rgb

SAME = 5
"""Bits of 64 that two savings of one picture may differ by (N. Krawetz, 'Looks Like It', 2011, from memory: 0 to 5 is
similar, 10 or more is another picture)."""
FLAT = 4.0
"""Standard deviation in grey levels below which a picture has no pattern to recognise (common practice, no source)."""

# The first eight rows of the discrete cosine transform of 32 values, type II, not normalised (Ahmed, Natarajan and Rao
# 1974, 'Discrete cosine transform', IEEE Transactions on Computers C-23).
_COSINES = 2 * np.cos(np.pi / 64 * np.outer(np.arange(8), 2 * np.arange(32) + 1))


@dataclass(frozen=True, slots=True)
class Fingerprint:
    """What is kept of a photo to recognise it again.

    Parameters
    ----------
    sha256 : str
        Of the file.
    perceptual : int or None
        64 bits, row by row, first bit highest; None for a picture without pattern.
    """

    sha256: str
    perceptual: int | None


@dataclass(frozen=True, slots=True)
class Reuse:
    """Two photos that are one picture.

    Parameters
    ----------
    photo, other : int
        Positions among `photos`; `other` among `known` where `in_known`.
    in_known : bool
    exact : bool
        The same file to the byte.
    distance : int
        Differing bits of the perceptual hash, 0 to 64.
    """

    photo: int
    other: int
    in_known: bool
    exact: bool
    distance: int


def fingerprint(photo: Rgb, sha256: str) -> Fingerprint:
    """Return a photo's fingerprint.

    Parameters
    ----------
    photo : ndarray of uint8, shape (height, width, 3), RGB
    sha256 : str
        Of the file's bytes.
    """
    return Fingerprint(sha256, perceptual_hash(photo))


def perceptual_hash(photo: Rgb) -> int | None:
    """Return the 64-bit DCT hash: grey, 32 x 32, DCT along columns then rows, the low 8 x 8, above its median or not.

    Returns
    -------
    int or None
        0 to 2**64 - 1; None for a flat picture, whose bits would be noise.
    """
    small = Image.fromarray(photo).convert("L").resize((32, 32), Image.Resampling.LANCZOS)
    pixels = np.asarray(small, dtype=np.float64)
    if pixels.std() < FLAT:
        return None
    low = _COSINES @ pixels @ _COSINES.T
    bits = (low > np.median(low)).ravel()
    return int("".join("1" if b else "0" for b in bits), 2)


def distance(a: int, b: int) -> int:
    """Return the number of differing bits (Hamming 1950)."""
    return (a ^ b).bit_count()


def reused(photos: Sequence[Fingerprint], known: Sequence[Fingerprint] = ()) -> tuple[Reuse, ...]:
    """Find pictures used twice among `photos`, or used before among `known`.

    Parameters
    ----------
    photos : sequence of Fingerprint
    known : sequence of Fingerprint
        Earlier pictures: other lots', other sellers'.

    Returns
    -------
    tuple of Reuse
        Each pair once; exact ones by hash, the others within SAME bits.
    """
    found = []
    for i, photo in enumerate(photos):
        for in_known, others in ((False, photos[:i]), (True, known)):
            for j, other in enumerate(others):
                exact = photo.sha256 == other.sha256
                if exact:
                    found.append(Reuse(i, j, in_known, True, 0))
                elif photo.perceptual is not None and other.perceptual is not None:
                    bits = distance(photo.perceptual, other.perceptual)
                    if bits <= SAME:
                        found.append(Reuse(i, j, in_known, False, bits))
    return tuple(found)


def reuse_observation(reuse: Reuse, name: str) -> Observation:
    """Return what to say of the photo: 'clear' for the same bytes, 'slight' for the same scene.

    Parameters
    ----------
    reuse : Reuse
    name : str
        What to call the other picture.
    """
    message = (
        f"This picture is the same file as {name}."
        if reuse.exact
        else f"This picture is nearly the same as {name} ({reuse.distance} of 64 bits of its pattern differ)."
    )
    return Observation(
        code="picture-reused",
        family="picture",
        message=message,
        value=float(reuse.distance),
        unit="bit",
        reference=float(SAME),
        strength="clear" if reuse.exact else "slight",
    )
