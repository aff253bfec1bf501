"""Texts of QR codes and labels, and what is typed into the search: which thing they name."""

import re
import shutil
import tempfile
from pathlib import Path

import numpy as np
from fuzz_choices import Choices
from stock import a_lot

from tracker.desk.find import KINDS, find, label_in
from tracker.desk.pieces import find_lot
from tracker.desk.workspace import Workspace
from vision import labels as seen

MODULES = ("tracker.desk.find", "tracker.desk.pieces", "vision.labels")
_TEXTS = (
    "L0001",
    "L0001-02",
    "l1-2",
    "M0001",
    "B0001",
    "W0001",
    "#L0001",
    "(L0002)",
    "[B1]",
    "L 1",
    "L.0001",
    "L0001-02..03",
    "CARD L0001 1/2",
    "https://example.invalid/L0001",
    "Quayside",
    "CV6522",
    "Q-7",
    "%",
    "_",
    "L0000",
    "L999999999",
    "L0001-00",
    "L0001-99999",
    "L0001‐02",
)
_folder = Path(tempfile.mkdtemp(prefix="fuzz-labels-"))
_open: list[Workspace] = []


def made(pick: Choices) -> bytes:
    """Return which way a text comes in (a byte), and the text."""
    text = pick.one(_TEXTS)
    for _ in range(pick.whole(0, 2)):
        text = pick.spoiled(text)
    return bytes([pick.whole(0, 255)]) + text.encode("utf-8", "surrogatepass")


def one_case(data: bytes) -> str:
    """Look for what a text names; one in sixteen comes as a QR code in a picture."""
    way, text = (data[0] if data else 0), data[1:].decode("utf-8", "replace")
    if way % 16 == 15 and 0 < len(text) <= 60:
        return _in_a_picture(text)
    hit = label_in(text)
    if hit is not None:
        assert hit.kind in (*KINDS.values(), "piece")
        assert re.fullmatch(r"[LMBW][0-9]{4,9}(-[0-9]{2,9})?", hit.label), hit
        again = label_in(hit.label)
        assert again == hit, (hit, again)
    if way % 4 == 0:
        workspace = _workspace()
        found = find(workspace, text)
        assert len(found.hits) < 500
        with workspace.read() as session:
            find_lot(session, text)
        return "a lot"
    return "a label" if hit else "no label"


def _in_a_picture(text: str) -> str:
    import segno

    try:
        code = segno.make_qr(text)
    except (ValueError, UnicodeError):
        return "no code can say it"
    modules = np.array([list(row) for row in code.matrix_iter(scale=4, border=4)], np.uint8)
    image = np.repeat((255 * (1 - modules)).astype(np.uint8)[..., None], 3, axis=2)
    found = seen.read(image)
    for one in found:
        assert one.corners.shape == (4, 2)
        assert np.isfinite(one.corners).all()
        assert one.side > 0
        seen.OF_A_PIECE.fullmatch(one.text.strip())
    if text.isascii() and text.isprintable():
        assert [one.text for one in found] == [text], (text, found)
    return "read in a picture" if found else "not read in a picture"


def _workspace() -> Workspace:
    if not _open:
        workspace = Workspace.open(_folder / "w", create=True)
        a_lot(workspace, order="Q-7")
        a_lot(workspace, part="KM4417", seller="Fenwright % Components_")
        _open.append(workspace)
    return _open[0]


def close() -> None:
    """Remove what was written."""
    shutil.rmtree(_folder, ignore_errors=True)
