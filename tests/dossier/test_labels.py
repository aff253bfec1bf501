"""Labels: a photo must be able to read them back; sheets must meet the labels they are printed on."""

import io

import cv2
import numpy as np
import pytest
from PIL import Image
from pypdf import PdfReader
from stock import a_lot

from tracker.dossier.label_sheets import LAYOUTS, PAPERS, PLAIN, SheetLayout, pages
from tracker.dossier.labels import DPI, HEIGHT_MM, WIDTH_MM, LabelText, render, sheet
from vision.labels import read

MM = 72 / 25.4
"""Points a millimetre."""


def _on_foam(png, *, scale=1.0, turn=0.0, blur=0):
    """Return a label photographed on foam, grey."""
    label = Image.open(io.BytesIO(png)).convert("L")
    label = label.resize((round(label.width * scale), round(label.height * scale)), Image.Resampling.LANCZOS)
    ground = Image.new("L", (label.width + 300, label.width + 300), 120)
    ground.paste(label, (150, 150))
    pixels = np.asarray(ground.rotate(turn, fillcolor=120, resample=Image.Resampling.BICUBIC))
    return cv2.GaussianBlur(pixels, (blur, blur), 0) if blur else pixels


def _seen(png, **how):
    """Return what OpenCV's reader, which the program does not use, makes of it."""
    pixels = _on_foam(png, **how)
    found, texts, _, _ = cv2.QRCodeDetector().detectAndDecodeMulti(pixels)
    return list(texts) if found else []


def _images(page):
    """Return (left, top, width, height) in mm of every picture on a page, from its content stream."""
    found = []

    def visit(operator, operands, matrix, _):
        if operator == b"Do":
            high = float(page.mediabox.height)
            width, height, x, y = matrix[0], matrix[3], matrix[4], matrix[5]
            top = high - y - height if height > 0 else high - y
            found.append(tuple(round(v / MM, 2) for v in (x, top, abs(width), abs(height))))

    page.extract_text(visitor_operand_before=visit)
    return found


@pytest.mark.parametrize("label", ["L0007-03", "L0001", "L12345-10000"])
def test_the_code_is_read_back(label):
    assert _seen(render(LabelText(label, ("CV6522AP", "Quayside Surplus")))) == [label]


@pytest.mark.parametrize(("scale", "turn", "blur"), [(0.6, 0, 0), (1.0, 14, 0), (1.0, -31, 3), (1.5, 178, 5)])
def test_the_code_is_read_back_small_turned_and_soft(scale, turn, blur):
    assert _seen(render(LabelText("L0007-03", ("CV6522AP",))), scale=scale, turn=turn, blur=blur) == ["L0007-03"]


@pytest.mark.parametrize("name", LAYOUTS)
def test_every_layout_fits_its_paper_and_its_labels_can_be_read(name):
    layout = LAYOUTS[name]
    assert layout.faults() is None
    png = render(LabelText("L0007-03", ("CV6522AP", "Quayside")), width_mm=layout.width, height_mm=layout.height)
    assert Image.open(io.BytesIO(png)).size == tuple(round(v / 25.4 * DPI) for v in (layout.width, layout.height))
    for turn in (7, 100, -35):
        pixels = np.repeat(_on_foam(png, turn=turn, blur=3)[..., None], 3, axis=2)
        assert [one.text for one in read(pixels)] == ["L0007-03"]


def test_it_prints_at_its_size_and_long_lines_stay_on_it():
    png = render(LabelText("L0007-03", ("CV6522AP " * 20, "A seller with a very long name " * 4)))
    picture = Image.open(io.BytesIO(png))
    assert picture.size == (round(WIDTH_MM / 25.4 * DPI), round(HEIGHT_MM / 25.4 * DPI))
    assert picture.info["dpi"] == pytest.approx((DPI, DPI), abs=0.5)
    ink = np.asarray(picture.convert("L")) < 128
    assert not ink[:, -4:].any()


def test_text_that_breaks_lines_or_turns_around_stays_on_its_line():
    png = render(LabelText("L0007-03", ("first\nsecond\u202egnihton", "漢字")))
    assert _seen(png) == ["L0007-03"]


def test_labels_stand_where_the_packet_says():
    """A sheet of 5 by 13: each place worked out here from the packet's lengths."""
    layout = LAYOUTS["38.1x21.2"]
    texts = [LabelText(f"L0007-{n:02d}", ("CV6522AP",)) for n in range(1, 8)]
    (page,) = PdfReader(io.BytesIO(sheet(texts, layout, start=4))).pages
    size = float(page.mediabox.width) / MM, float(page.mediabox.height) / MM
    assert size == pytest.approx((210, 297), abs=0.1)  # ISO 216
    places = [(3, 0), (4, 0), (0, 1), (1, 1), (2, 1), (3, 1), (4, 1)]
    wanted = [(4.75 + 40.6 * column, 10.7 + 21.2 * row, 38.1, 21.2) for column, row in places]
    for found, expected in zip(_images(page), wanted, strict=True):
        assert found == pytest.approx(expected, abs=0.15)


def test_a_part_used_sheet_goes_on_and_a_full_one_is_followed():
    layout = SheetLayout("a4", 2, 2, 60, 30, 10, 10)
    laid = pages([f"{n}.png" for n in range(6)], layout, start=4)
    assert [[one.file for one in page] for page in laid] == [
        ["0.png"],
        ["1.png", "2.png", "3.png", "4.png"],
        ["5.png"],
    ]
    assert (laid[0][0].left, laid[0][0].top) == (70, 40)
    assert (laid[2][0].left, laid[2][0].top) == (10, 10)


def test_a_lot_s_labels_and_their_sheet(workspace, tmp_path, lotproof):
    a_lot(workspace)
    ran = lotproof("label", "L0001", "--to", tmp_path / "out", "--workspace", workspace.folder, "--json")
    assert ran.code == 0
    assert ran.json["labels"] == ["L0001", "L0001-01", "L0001-02", "L0001-03"]
    assert {path.stem for path in (tmp_path / "out").glob("*.png")} == set(ran.json["labels"])
    page = PdfReader(ran.json["sheet"]).pages[0]
    assert len(page.images) == 4
    assert float(page.mediabox.width) == pytest.approx(210 * MM, abs=1)  # ISO 216
    assert ran.json["next_start"] == 5


def test_a_sheet_as_it_was_asked_for(workspace, tmp_path, lotproof):
    a_lot(workspace)
    words = ["--sheet", "66.7x25.4", "--left", "6", "--start", "29"]
    where = ["--to", tmp_path / "out", "--workspace", workspace.folder]
    ran = lotproof("label", "L0001", *words, *where, "--json")
    assert ran.code == 0
    reader = PdfReader(ran.json["sheet"])
    assert [len(page.images) for page in reader.pages] == [2, 2]
    assert float(reader.pages[0].mediabox.width) == pytest.approx(215.9 * MM, abs=0.5)  # ANSI/ASME Y14.1, letter
    assert _images(reader.pages[1])[0][:2] == pytest.approx((6, 12.7), abs=0.15)
    assert ran.json["next_start"] == 3
    one = lotproof("label", "L0001-02", "--start", "7", *where)
    assert "free from --start 8 on" in one.out


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--sheet", "99x99"], "There is no sheet '99x99'"),
        (["--columns", "9"], "the labels reach 396 mm across, and the paper is 210 mm wide"),
        (["--paper", "letter", "--rows", "19"], "and the paper is 279.4 mm high"),
        (["--width", "nan"], "negative or no number"),
        (["--gap-x", "-1"], "negative or no number"),
        (["--height", "3"], "too small for its code"),
        (["--rows", "0"], "needs a row and a column"),
        (["--start", "73"], "The sheet has places 1 to 72."),
        (["--start", "0"], "The first place is 0."),
    ],
)
def test_sheets_that_cannot_be(workspace, tmp_path, lotproof, words, said):
    a_lot(workspace)
    ran = lotproof("label", "L0001", *words, "--to", tmp_path / "out", "--workspace", workspace.folder)
    assert (ran.code, said in ran.err) == (2, True), ran.err
    assert not (tmp_path / "out").exists()


def test_layouts_are_told_in_the_help(lotproof, monkeypatch):
    monkeypatch.setenv("COLUMNS", "200")
    shown = " ".join(lotproof("label", "--help").out.replace("│", " ").split())
    assert all(name in shown for name in LAYOUTS)
    assert {layout.paper for layout in LAYOUTS.values()} == set(PAPERS)
    assert PLAIN.framed


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
