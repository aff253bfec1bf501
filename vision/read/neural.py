"""The neural reader: what a line reads, as a whole distribution, and which way up it stands.

This file only speaks to the networks; what is done with lines and opinions lives elsewhere. The recogniser is asked
for its whole output rather than its best guess, restricted to what a chip can carry.
"""

from collections.abc import Sequence
from functools import lru_cache
from importlib.metadata import version

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.observations import Rgb
from vision.read import models
from vision.read.ctc import Distribution
from vision.read.textboxes import TextBox, detect

__all__ = ["ALPHABET", "NAME", "TextBox", "detect", "distributions", "probe", "upside_down"]

NAME = models.PACKAGE

# What markings are printed with. Scripts that no marking uses are struck from the model's alphabet.
ALPHABET = " ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789abcdefghijklmnopqrstuvwxyz-./'©®&+*,:()#"

# Height of the recogniser's input: a property of the shipped network. It takes any width; narrower than the least one
# a batch is padded. A line longer than the longest one is squeezed.
_HEIGHT, _LEAST_WIDTH, _LONGEST = 48, 96, 25.0
_BATCH = 8
# Input of the network that tells which way up a line is: properties of the shipped network.
_FACING_HEIGHT, _FACING_WIDTH = 48, 192


@lru_cache(maxsize=2)
def _columns(kind: str) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Columns of the model's output for the blank and our alphabet, and which of our characters it knows."""
    # Output 0 is the blank, the last one a space that the file does not list.
    where = {c: i + 1 for i, c in enumerate([*models.characters(kind), " "])}
    known = [i for i, c in enumerate(ALPHABET) if c in where]
    return np.array([0] + [where[ALPHABET[i]] for i in known]), np.array([0] + [i + 1 for i in known])


def probe() -> str:
    """Return the reader's version; raises ImportError where it is not installed."""
    return version(models.PACKAGE)


def _normalised(crop: Rgb, height: int, width: int) -> NDArray[np.float32]:
    high, long = crop.shape[:2]
    scaled = min(width, max(1, round(height * long / high)))
    small = cv2.resize(crop[:, :, ::-1], (scaled, height), interpolation=cv2.INTER_LINEAR)
    out = np.zeros((3, height, width), np.float32)
    out[:, :, :scaled] = small.transpose(2, 0, 1)
    out[:, :, :scaled] *= 1 / 127.5
    out[:, :, :scaled] -= 1.0
    return out


def distributions(crops: Sequence[Rgb], *, quick: bool = False) -> list[Distribution]:
    """Return, for each upright line crop, the reader's distribution over blank and `ALPHABET` along the line.

    Parameters
    ----------
    crops : sequence of ndarray of uint8, shape (height, width, 3), RGB
    quick : bool
        Ask the small network, which takes a fifth of the time.

    Returns
    -------
    list of ndarray of float64, shape (T, len(ALPHABET) + 1)
        Rows sum to 1. Probability that the model gave to characters outside the alphabet goes to the blank.
    """
    if not crops:
        return []
    kind = models.QUICK_RECOGNISER if quick else models.RECOGNISER
    source, target = _columns(kind)
    order = sorted(range(len(crops)), key=lambda i: crops[i].shape[1] / crops[i].shape[0])
    results: list[Distribution | None] = [None] * len(crops)
    # A batch gains no time on a processor, and its shorter lines are padded. The large network reads a little better
    # with its padding; the small one does not.
    size = 1 if quick else _BATCH
    for start in range(0, len(order), size):
        batch = order[start : start + size]
        longest = max(crops[i].shape[1] / crops[i].shape[0] for i in batch)
        width = max(_LEAST_WIDTH, int(np.ceil(_HEIGHT * min(longest, _LONGEST))))
        output = models.run(kind, np.stack([_normalised(crops[i], _HEIGHT, width) for i in batch]))
        for i, raw in zip(batch, output[:, :, source].astype(np.float64), strict=True):
            ours = np.zeros((raw.shape[0], len(ALPHABET) + 1))
            ours[:, target] = raw
            ours[:, 0] += np.clip(1.0 - ours.sum(axis=1), 0.0, 1.0)
            results[i] = ours / ours.sum(axis=1, keepdims=True)
    return [r for r in results if r is not None]


def upside_down(crops: Sequence[Rgb]) -> NDArray[np.float64]:
    """Return, for each line crop, the log odds that it stands on its head.

    Parameters
    ----------
    crops : sequence of ndarray of uint8, shape (height, width, 3), RGB

    Returns
    -------
    ndarray of float64, shape (n,)
    """
    if not crops:
        return np.zeros(0)
    pictures = [_normalised(crop, _FACING_HEIGHT, _FACING_WIDTH) for crop in crops]
    seen = np.clip(models.run(models.FACING, np.stack(pictures)).astype(np.float64), 1e-4, 1.0)
    return np.asarray(np.log(seen[:, 1] / seen[:, 0]))
