"""The neural reader: RapidOCR's detection and recognition models, which ship inside its wheel.

This file only speaks to the library; what is done with lines and opinions lives elsewhere. The recogniser is asked
for its whole output distribution rather than its best guess, restricted to what a chip can carry.
"""

import logging
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from importlib.metadata import version
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.observations import Rgb
from vision.read.ctc import Distribution

NAME = "rapidocr"

# What markings are printed with. Scripts that no marking uses are struck from the model's alphabet.
ALPHABET = " ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789abcdefghijklmnopqrstuvwxyz-./'©®&+*,:()#"

# Height of the recogniser's input and its least width: properties of the shipped model.
_HEIGHT, _LEAST_WIDTH = 48, 320
_BATCH = 8


@dataclass(frozen=True, slots=True)
class TextBox:
    """Where the detector sees a line: four corners (shape (4, 2), pixels, clockwise from upper left) and a score."""

    corners: NDArray[np.float64]
    score: float


@lru_cache(maxsize=1)
def _engine() -> Any:
    logging.getLogger("RapidOCR").setLevel(logging.ERROR)
    from rapidocr import RapidOCR

    return RapidOCR(
        params={"Global.log_level": "error", "Det.limit_side_len": 32, "Det.limit_type": "min", "Det.box_thresh": 0.4}
    )


@lru_cache(maxsize=1)
def _columns() -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Columns of the model's output for the blank and our alphabet, and which of our characters it knows."""
    characters = _engine()._load_rec_model().postprocess_op.character
    where = {c: i for i, c in enumerate(characters)}
    known = [i for i, c in enumerate(ALPHABET) if c in where]
    return np.array([0] + [where[ALPHABET[i]] for i in known]), np.array([0] + [i + 1 for i in known])


def probe() -> str:
    """Return the reader's version; raises ImportError where it is not installed."""
    return version("rapidocr")


def detect(image: Rgb) -> list[TextBox]:
    """Find lines of text at the image's own resolution.

    Parameters
    ----------
    image : ndarray of uint8, shape (height, width, 3), RGB
        Characters of about 12 to 60 pixels height are found best.

    Returns
    -------
    list of TextBox
    """
    found = _engine()._load_det_model()(np.ascontiguousarray(image[:, :, ::-1]))
    if found.boxes is None:
        return []
    return [TextBox(np.asarray(b, float), float(s)) for b, s in zip(found.boxes, found.scores, strict=True)]


def _normalised(crop: Rgb, width: int) -> NDArray[np.float32]:
    height, length = crop.shape[:2]
    scaled = min(width, max(1, round(_HEIGHT * length / height)))
    small = cv2.resize(crop[:, :, ::-1], (scaled, _HEIGHT), interpolation=cv2.INTER_LINEAR)
    out = np.zeros((3, _HEIGHT, width), np.float32)
    out[:, :, :scaled] = small.astype(np.float32).transpose(2, 0, 1) / 127.5 - 1.0
    return out


def distributions(crops: Sequence[Rgb]) -> list[Distribution]:
    """Return, for each upright line crop, the reader's distribution over blank and `ALPHABET` along the line.

    Parameters
    ----------
    crops : sequence of ndarray of uint8, shape (height, width, 3), RGB

    Returns
    -------
    list of ndarray of float64, shape (T, len(ALPHABET) + 1)
        Rows sum to 1. Probability that the model gave to characters outside the alphabet goes to the blank.
    """
    session = _engine()._load_rec_model().session
    source, target = _columns()
    order = sorted(range(len(crops)), key=lambda i: crops[i].shape[1] / crops[i].shape[0])
    results: list[Distribution | None] = [None] * len(crops)
    for start in range(0, len(order), _BATCH):
        batch = order[start : start + _BATCH]
        longest = max(crops[i].shape[1] / crops[i].shape[0] for i in batch)
        width = max(_LEAST_WIDTH, int(np.ceil(_HEIGHT * min(longest, 25.0))))
        output = session(np.stack([_normalised(crops[i], width) for i in batch]))
        for i, raw in zip(batch, output, strict=True):
            ours = np.zeros((raw.shape[0], len(ALPHABET) + 1))
            ours[:, target] = raw[:, source]
            ours[:, 0] += np.clip(1.0 - ours.sum(axis=1), 0.0, 1.0)
            results[i] = ours / ours.sum(axis=1, keepdims=True)
    return [r for r in results if r is not None]
