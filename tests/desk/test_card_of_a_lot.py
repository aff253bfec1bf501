"""The card as a user gets it: the file, its pages, what OpenCV and a ruler make of it; and what is refused."""

import io
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image
from pypdf import PdfReader
from staged import Stage, chip, picture
from stock import TODAY, a_lot

from tracker.desk import photograph as desk
from tracker.desk.card import pages_of, sheet_of, usual_kind, write_card
from tracker.desk.matching import BY_CELL
from tracker.desk.photograph import photograph
from tracker.dossier.card import PAPERS, png
from tracker.errors import BadRequest
from tracker.records.models import Photo
from vision.card_layout import layout, marker_number

SAMPLE = Path(__file__).resolve().parents[2] / "sample_images" / "card_lot.jpg"
DPI = 300.0


@pytest.fixture(scope="module", params=[("large", "a4"), ("large", "letter"), ("small", "a4"), ("small", "letter")])
def printed(request) -> tuple[str, str, np.ndarray]:
    kind, paper = request.param
    plan = layout(kind)
    (made,) = png(sheet_of("L0007", plan), pages_of("L0007", "CV6522AP", 9, plan), paper=paper, dpi=DPI)
    return kind, paper, np.asarray(Image.open(io.BytesIO(made)).convert("RGB"))


def test_it_is_black_and_white_within_the_margins(printed) -> None:
    _, paper, page = printed
    assert (page.max(axis=2) - page.min(axis=2)).max() == 0
    rows, columns = np.nonzero(page[..., 0] < 200)
    mm = 25.4 / DPI
    width, height = PAPERS[paper]
    assert page.shape[:2] == pytest.approx((height / mm, width / mm), abs=1)
    assert min(columns.min(), rows.min()) * mm >= 10
    assert max(columns.max() * mm - width, rows.max() * mm - height) <= -10


def test_opencv_reads_its_markers_where_they_should_be_and_its_codes(printed) -> None:
    """The page at a known resolution needs no fit: OpenCV's detector must see marker n at its place in mm."""
    kind, paper, page = printed
    plan = layout(kind)
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_6X6_1000))
    corners, numbers, _ = detector.detectMarkers(page)
    assert sorted(numbers.ravel()) == [marker_number(kind, 1, place) for place in range(9)]
    width, height = PAPERS[paper]
    at = np.array([(width - plan.width) / 2, (height - max(plan.height, plan.notes.y + plan.notes.height)) / 2])
    for number, seen in zip(numbers.ravel(), corners, strict=True):
        expected = (np.array(plan.markers[number % 9].corners) + at) * DPI / 25.4 - 0.5
        assert seen[0] == pytest.approx(expected, abs=1.5)
    found, texts, _, _ = cv2.QRCodeDetector().detectAndDecodeMulti(page)
    assert found
    assert list(texts) == ["L0007/1", "L0007/1"]


def test_the_scale_s_ticks_stand_a_millimetre_apart(printed) -> None:
    """Ink along a line through the ticks: as many as millimetres and one, and the first and last that far apart."""
    kind, paper, page = printed
    plan = layout(kind)
    width, height = PAPERS[paper]
    top = (height - max(plan.height, plan.notes.y + plan.notes.height)) / 2
    row = round((top + plan.scale.y + 0.6) * DPI / 25.4)
    left = (width - plan.width) / 2 + plan.scale.x
    inked = page[row, :, 0] < 200
    starts = np.flatnonzero(inked[1:] & ~inked[:-1])
    assert len(starts) == round(plan.scale.width) + 1
    assert (starts[-1] - starts[0]) * 25.4 / DPI == pytest.approx(plan.scale.width, abs=0.2)
    assert starts[0] * 25.4 / DPI == pytest.approx(left, abs=0.3)


def test_grey_steps_are_printed_as_stated(printed) -> None:
    kind, paper, page = printed
    plan = layout(kind)
    width, height = PAPERS[paper]
    at = np.array([(width - plan.width) / 2, (height - max(plan.height, plan.notes.y + plan.notes.height)) / 2])
    for patch in plan.patches:
        x, y = ((np.array(patch.area.centre) + at) * DPI / 25.4).astype(int)
        assert page[y, x, 0] == patch.level
        for paper_strip in patch.papers:
            x, y = ((np.array(paper_strip.centre) + at) * DPI / 25.4).astype(int)
            assert page[y, x, 0] == 255


def test_the_command_writes_a_pdf(workspace, tmp_path, lotproof) -> None:
    a_lot(workspace, quantity=14, received=14)
    ran = lotproof("card", "l1", "--to", tmp_path / "card.pdf", "--workspace", workspace.folder, "--json")
    assert ran.code == 0
    assert ran.json["schema"] == "lotproof.card/1"
    assert ran.json["pages"] == [[f"L0001-{n:02d}" for n in range(1, 13)], ["L0001-13", "L0001-14"]]
    reader = PdfReader(ran.json["file"])
    assert len(reader.pages) == 2
    assert [float(v) for v in reader.pages[0].mediabox[2:]] == pytest.approx([595.3, 841.9], abs=0.2)  # ISO 216 A4
    text = " ".join(page.extract_text() for page in reader.pages)
    for word in ("L0001", "CV6522AP", "page 2 of 2", "-14", "Print at 100 %", "ruler", "earthed strap"):
        assert word in text
    assert "-15" not in text


def test_letter_small_cells_and_a_folder(workspace, tmp_path, lotproof) -> None:
    a_lot(workspace)
    (tmp_path / "out").mkdir()
    ran = lotproof(
        "card", "L0001", "--to", tmp_path / "out", "--paper", "letter", "--cells", "small",
        "--workspace", workspace.folder,
    )  # fmt: skip
    assert ran.code == 0
    assert "1 page with small cells" in ran.out
    reader = PdfReader(tmp_path / "out" / "L0001-card.pdf")
    assert [float(v) for v in reader.pages[0].mediabox[2:]] == pytest.approx([612, 792], abs=0.2)  # 8.5 by 11 inches


def test_the_kind_follows_the_claimed_package() -> None:
    assert usual_kind("HDS4051D") == "small"  # SOIC-16
    assert usual_kind("HDS4051P") == "small"  # DIP-16
    assert usual_kind("HDS62256P") == "large"  # DIP-28
    assert usual_kind("HDS62256D") == "small"  # SOIC-28
    assert usual_kind("CV6522AP") == "large"  # DIP-40
    assert usual_kind("HDS4051") == "small"  # either of the two
    assert usual_kind("nothing known") == "large"


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("card", "L0009"), "no lot L0009"),
        (("card", "L0001-02"), "not the label of a lot"),
        (("card", "L0001", "--to", "card.docx"), "not named so"),
        (("card", "L0001", "--paper", "a3"), "a3"),
    ],
)
def test_wrong_requests_change_nothing(workspace, tmp_path, lotproof, monkeypatch, words, said) -> None:
    a_lot(workspace)
    monkeypatch.chdir(tmp_path)
    before = set(tmp_path.iterdir())
    ran = lotproof(*words, "--workspace", workspace.folder)
    assert ran.code == 2
    assert said in ran.err
    assert set(tmp_path.iterdir()) == before


def test_a_file_that_cannot_be_written(workspace, tmp_path) -> None:
    a_lot(workspace)
    (tmp_path / "file").write_text("x")
    with pytest.raises(BadRequest, match="cannot be written"):
        write_card(workspace, "L0001", tmp_path / "file" / "card.pdf", paper="a4", kind=None)


def test_more_pieces_than_a_card_can_number() -> None:
    with pytest.raises(BadRequest, match="660 at most"):
        pages_of("L0001", "CV6522AP", 661, layout("large"))
    assert len(pages_of("L0001", "CV6522AP", 660, layout("large"))) == 55


# --- photographs on a card --------------------------------------------------------------------------------------------


@pytest.fixture
def stage(monkeypatch):
    one = Stage({}, [])
    monkeypatch.setattr(desk, "look", one.look)
    return one


def test_a_card_of_another_lot_is_refused_and_nothing_changes(workspace, lotproof) -> None:
    a_lot(workspace)
    ran = lotproof("photograph", "L0001", SAMPLE, "--workspace", workspace.folder)
    assert ran.code == 2
    assert "The card in card_lot.jpg is of L0003, not of L0001." in ran.err
    assert "lotproof card L0001" in ran.err
    with workspace.read() as session:
        assert session.query(Photo).count() == 0


def test_cells_say_which_pieces_are_in_view(workspace, stage, tmp_path, card_of) -> None:
    a_lot(workspace)
    chips = [chip("CV6522AP", at=(20, 20 + 80 * n), cell=number) for n, number in enumerate((3, 1))]
    path = stage.put(picture(tmp_path, "lot.png"), *chips)
    stage.cards[path.name] = card_of("L0001")
    document = photograph(workspace, "L0001", [path], today=TODAY)
    assert [(one.piece, one.index, one.matched_by) for one in document.pieces] == [
        ("L0001-01", 1, BY_CELL),
        ("L0001-03", 0, BY_CELL),
    ]
    assert document.photos[0].card is not None
    assert document.photos[0].card.lot == "L0001"


def test_a_card_whose_code_is_covered_is_taken_for_the_lot_s(workspace, stage, tmp_path, card_of) -> None:
    a_lot(workspace)
    path = stage.put(picture(tmp_path, "lot.png"), chip("CV6522AP", cell=2))
    stage.cards[path.name] = card_of(None)
    (one,) = photograph(workspace, "L0001", [path], today=TODAY).pieces
    assert (one.piece, one.matched_by) == ("L0001-02", BY_CELL)


def test_a_cell_beyond_the_lot_s_pieces(workspace, stage, tmp_path, card_of) -> None:
    a_lot(workspace)
    chips = [chip("CV6522AP", at=(20, 20), cell=1), chip("CV6522AP", at=(20, 100), cell=9)]
    path = stage.put(picture(tmp_path, "lot.png"), *chips)
    stage.cards[path.name] = card_of("L0001")
    document = photograph(workspace, "L0001", [path], today=TODAY)
    assert [one.piece for one in document.pieces] == ["L0001-01"]
    assert [one.reason for one in document.unmatched] == ["the lot has no piece L0001-09"]


def test_named_pieces_still_have_the_last_word(workspace, stage, tmp_path, card_of) -> None:
    a_lot(workspace)
    path = stage.put(picture(tmp_path, "lot.png"), chip("CV6522AP", cell=2))
    stage.cards[path.name] = card_of("L0001")
    (one,) = photograph(workspace, "L0001", [path], piece=["L0001-03"], today=TODAY).pieces
    assert one.piece == "L0001-03"


@pytest.fixture
def card_of():
    from vision.observations import CardCell, CardMarker, CardView, Measure

    square = ((0.0, 0.0), (9.0, 0.0), (9.0, 9.0), (0.0, 9.0))

    def make(lot: str | None) -> CardView:
        cells = tuple(CardCell(n, f"{lot}-{n:02d}" if lot else None, square, 0.01) for n in range(1, 13))
        return CardView(
            "large", lot, 1, (CardMarker(0, square, 0.01, True),), np.eye(3), 0.1, 0.02,
            Measure(240.0, "mm", 5.0, 36), (1.1, 1.0, 0.9), ((0.0, 0.0), (1.0, 1.0)), cells,
        )  # fmt: skip

    return make
