"""The neural networks that ship inside RapidOCR's wheel, opened for the neural reader.

They are opened straight from the wheel's folder: its own wrapper takes longer to import than a photo takes to read, and
it hides the recogniser's whole distribution, which this project needs.
"""

import os
from functools import lru_cache
from importlib.metadata import version
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

PACKAGE = "rapidocr"
DETECTOR, RECOGNISER, FACING = "det", "rec", "cls"
"""What the names of the files say of the three networks: where print stands, what it reads, which way up it is."""
THREADS_VARIABLE = "LOTPROOF_READER_THREADS"


class ReaderMissing(ImportError):
    """The networks are not where RapidOCR's wheel would have put them."""


def _folder() -> Path:
    spec = find_spec(PACKAGE)
    if spec is None or spec.origin is None:
        raise ReaderMissing(f"The neural reader is not installed: install the package {PACKAGE}.")
    return Path(spec.origin).parent / "models"


def _file(kind: str) -> Path:
    found = sorted(_folder().glob(f"*_{kind}_*.onnx"))
    if not found:
        raise ReaderMissing(f"{PACKAGE} {version(PACKAGE)} carries no '{kind}' network in {_folder()}.")
    return found[-1]


def session(kind: str) -> Any:
    """Return the opened network of one kind, an onnxruntime session with one input and one output.

    Parameters
    ----------
    kind : str
        DETECTOR, RECOGNISER or FACING.

    Raises
    ------
    ReaderMissing
    """
    # A process that was forked off must not use its parent's: the threads behind it are not there.
    return _session(kind, os.getpid())


@lru_cache(maxsize=6)
def _session(kind: str, _: int) -> Any:
    import onnxruntime

    options = onnxruntime.SessionOptions()
    options.log_severity_level = 3
    options.enable_cpu_mem_arena = False
    options.intra_op_num_threads = int(os.environ.get(THREADS_VARIABLE, "0"))
    return onnxruntime.InferenceSession(str(_file(kind)), options, providers=["CPUExecutionProvider"])


def run(kind: str, batch: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return a network's output for a batch of pictures.

    Parameters
    ----------
    kind : str
    batch : ndarray of float32, shape (n, 3, height, width)
    """
    network = session(kind)
    return np.asarray(network.run(None, {network.get_inputs()[0].name: batch})[0], np.float32)


def characters() -> list[str]:
    """Return the recogniser's characters in the order of its output, without the blank that comes first."""
    return str(session(RECOGNISER).get_modelmeta().custom_metadata_map["character"]).splitlines()
