"""Labels: a photo must be able to read them back."""

import io

import cv2
import numpy as np
import pytest
from PIL import Image
from pypdf import PdfReader
from stock import a_lot

from tracker.dossier.labels import DPI, HEIGHT_MM, WIDTH_MM, LabelText, render


def _seen(png, *, scale=1.0, turn=0.0, blur=0):
    """Return what OpenCV's reader (not ours) makes of a label photographed on foam."""
    label = Image.open(io.BytesIO(png)).convert("L")
    label = label.resize((round(label.width * scale), round(label.height * scale)), Image.Resampling.LANCZOS)
    ground = Image.new("L", (label.width + 300, label.width + 300), 120)
    ground.paste(label, (150, 150))
    pixels = np.asarray(ground.rotate(turn, fillcolor=120, resample=Image.Resampling.BICUBIC))
    pixels = cv2.GaussianBlur(pixels, (blur, blur), 0) if blur else pixels
    found, texts, _, _ = cv2.QRCodeDetector().detectAndDecodeMulti(pixels)
    return list(texts) if found else []


@pytest.mark.parametrize("label", ["L0007-03", "L0001", "L12345-10000"])
def test_the_code_is_read_back(label):
    assert _seen(render(LabelText(label, ("CV6522AP", "Quayside Surplus")))) == [label]


@pytest.mark.parametrize(("scale", "turn", "blur"), [(0.6, 0, 0), (1.0, 14, 0), (1.0, -31, 3), (1.5, 178, 5)])
def test_the_code_is_read_back_small_turned_and_soft(scale, turn, blur):
    assert _seen(render(LabelText("L0007-03", ("CV6522AP",))), scale=scale, turn=turn, blur=blur) == ["L0007-03"]


def test_it_prints_at_its_size_and_long_lines_stay_on_it():
    png = render(LabelText("L0007-03", ("CV6522AP " * 20, "A seller with a very long name " * 4)))
    picture = Image.open(io.BytesIO(png))
    assert picture.size == (round(WIDTH_MM / 25.4 * DPI), round(HEIGHT_MM / 25.4 * DPI))
    assert picture.info["dpi"] == pytest.approx((DPI, DPI), abs=0.5)
    ink = np.asarray(picture.convert("L")) < 128
    assert not ink[:, -4:].any()


def test_a_lot_s_labels_and_their_sheet(workspace, tmp_path, lotproof):
    a_lot(workspace)
    ran = lotproof("label", "L0001", "--to", tmp_path / "out", "--workspace", workspace.folder, "--json")
    assert ran.code == 0
    assert ran.json["labels"] == ["L0001", "L0001-01", "L0001-02", "L0001-03"]
    assert {path.stem for path in (tmp_path / "out").glob("*.png")} == set(ran.json["labels"])
    page = PdfReader(ran.json["sheet"]).pages[0]
    assert len(page.images) == 4
    assert float(page.mediabox.width) == pytest.approx(210 / 25.4 * 72, abs=1)  # A4, ISO 216


def test_one_piece_gives_one_picture(workspace, tmp_path, lotproof):
    a_lot(workspace)
    ran = lotproof("label", "L0001-02", "--to", tmp_path / "out", "--workspace", workspace.folder)
    assert ran.code == 0
    assert [path.name for path in (tmp_path / "out").iterdir()] == ["L0001-02.png"]


def test_bad_labels_and_places(workspace, tmp_path, lotproof):
    a_lot(workspace)
    (tmp_path / "file").write_text("x")
    unknown = lotproof("label", "L0001-09", "--to", tmp_path / "out", "--workspace", workspace.folder)
    assert (unknown.code, "no piece L0001-09" in unknown.err) == (2, True)
    assert not (tmp_path / "out").exists()
    blocked = lotproof("label", "L0001", "--to", tmp_path / "file", "--workspace", workspace.folder)
    assert (blocked.code, "cannot be written" in blocked.err) == (2, True)
