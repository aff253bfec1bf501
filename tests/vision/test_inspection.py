"""From photos to an Inspection: the same chip is the same chip whichever way it is photographed and stored."""

import csv
import hashlib
import io
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
import rapidocr
import segno
from drawn_chips import Chip, Corners, drawn, iou
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from vision import inspection, photo
from vision.inspection import PhotoSource, inspect
from vision.observations import Face, Inspection, PhotoView, PieceView
from vision.read import models, tesseract

SAMPLES = Path(__file__).resolve().parents[2] / "sample_images"
ROWS = list(csv.DictReader((SAMPLES / "truth.csv").open(encoding="utf-8")))
Picture = NDArray[np.uint8]

# One piece of the marketplace lot, upside down in its photo, with some foam around it: x, y, width, height.
CUT = (985, 440, 975, 310)
# The lower row of the mixed bench, pieces 4 and 5: x, y, width, height; where labels lie on it: beside 5, beside none.
BENCH = (150, 690, 1750, 490)
NEAR, FAR = (1270, 140), (1600, 330)


def truth(name: str) -> list[dict[str, str]]:
    return [r for r in ROWS if r["file"] == name]


def quad(row: dict[str, str]) -> Corners:
    return np.array([[float(row[f"x{i}"]), float(row[f"y{i}"])] for i in range(4)])


def sample(name: str) -> Picture:
    return photo.decode(*photo.load(str(SAMPLES / name))).image


def stored(picture: Picture, kind: str = "PNG", **how: object) -> bytes:
    out = io.BytesIO()
    Image.fromarray(picture).save(out, kind, **how)
    return out.getvalue()


def label(text: str) -> Picture:
    out = io.BytesIO()
    segno.make(text, micro=False).save(out, kind="png", scale=5, border=4)
    return np.asarray(Image.open(out).convert("RGB"), np.uint8)


def part(name: str, place: tuple[int, int, int, int]) -> Picture:
    x, y, width, height = place
    return np.ascontiguousarray(sample(name)[y : y + height, x : x + width])


def single() -> Picture:
    return part("marketplace_lot.jpg", CUT)


def labelled_bench() -> Picture:
    picture = part("mixed_bench.jpg", BENCH)
    for text, (x, y) in (("L0004-05", NEAR), ("L0004-09", FAR)):
        code = label(text)
        picture[y : y + code.shape[0], x : x + code.shape[1]] = code
    return picture


def sources() -> dict[str, PhotoSource]:
    one = single()
    turned = {f"turned {k}": stored(np.ascontiguousarray(np.rot90(one, k))) for k in range(4)}
    files = {
        **turned,
        "again": stored(one, "TIFF"),
        "squeezed": stored(one, "JPEG", quality=70),
        "bench": stored(labelled_bench()),
        "text": b"4 x CV6522AP, thanks, Mira",
    }
    return {name: PhotoSource(f"{name}.png", data) for name, data in files.items()}


@pytest.fixture(scope="module")
def seen() -> dict[str, PhotoView]:
    """Every photo of this file, inspected once, all as one lot."""
    given = sources()
    told: list[tuple[int, int]] = []
    found = inspect([*given.values(), PhotoSource("/nowhere/none.jpg")], progress=lambda *t: told.append(t))
    total = len(given) + 1
    assert told == [(i + 1, total) for i in range(total)]
    return dict(zip([*given, "missing"], found.photos, strict=True))


def texts(view: PhotoView) -> list[list[str]]:
    return [[line.text for line in piece.lines] for piece in view.pieces]


@pytest.mark.parametrize("way", [f"turned {k}" for k in range(4)] + ["again", "squeezed"])
def test_one_chip_reads_the_same_whichever_way_it_is_photographed_and_stored(
    seen: dict[str, PhotoView], way: str
) -> None:
    assert texts(seen[way]) == [["CV6522AP", "8733 K2104"]]


@pytest.mark.parametrize("quarters", range(4))
def test_outline_starts_at_the_upper_left_of_the_marking_in_all_four_orientations(
    seen: dict[str, PhotoView], quarters: int
) -> None:
    outline = quad(truth("marketplace_lot.jpg")[3]) - CUT[:2]
    for done in range(quarters):  # numpy turns counter-clockwise: (x, y) goes to (y, width - x)
        width = CUT[2] if done % 2 == 0 else CUT[3]
        outline = np.stack([outline[:, 1], width - outline[:, 0]], axis=1)
    view = seen[f"turned {quarters}"]
    assert (view.width, view.height) == (CUT[2:] if quarters % 2 == 0 else CUT[:1:-1])
    (piece,) = view.pieces
    assert iou(piece.outline, outline) > 0.8
    distances = np.linalg.norm(np.array(piece.outline) - outline, axis=1)
    assert distances.max() < 0.2 * min(np.linalg.norm(outline[1] - outline[0]), np.linalg.norm(outline[2] - outline[1]))


def test_equal_pixels_give_an_equal_result(seen: dict[str, PhotoView]) -> None:
    (one,), (other,) = seen["turned 0"].pieces, seen["again"].pieces
    assert (one.outline, one.score, one.package, one.lines) == (other.outline, other.score, other.package, other.lines)
    assert seen["turned 0"].sha256 != seen["again"].sha256  # other bytes


def test_squeezing_moves_the_outline_hardly(seen: dict[str, PhotoView]) -> None:
    assert iou(seen["turned 0"].pieces[0].outline, seen["squeezed"].pieces[0].outline) > 0.95


def test_lines_stand_on_their_piece_and_agree_with_its_face(seen: dict[str, PhotoView]) -> None:
    for piece in (p for view in seen.values() for p in view.pieces):
        middle = np.mean(piece.outline, axis=0)
        reach = np.linalg.norm(np.array(piece.outline) - middle, axis=1).max()
        heights = [np.mean(line.face_outline, axis=0)[1] for line in piece.lines]
        assert heights == sorted(heights)
        for line in piece.lines:
            assert np.linalg.norm(np.mean(line.outline, axis=0) - middle) < reach
            assert np.mean(line.face_outline, axis=0)[1] < piece.face.image.shape[0]


def test_mixed_bench_is_read_line_by_line_in_reading_order(seen: dict[str, PhotoView]) -> None:
    expected = truth("mixed_bench.jpg")[3:]
    view = seen["bench"]
    assert len(view.pieces) == len(expected)
    for piece, row in zip(view.pieces, expected, strict=True):
        assert iou(piece.outline, quad(row) - BENCH[:2]) > 0.6
    assert texts(view) == [row["lines"].split(" / ") for row in expected]


def test_label_beside_a_chip_is_its_label(seen: dict[str, PhotoView]) -> None:
    assert sorted(seen["bench"].labels) == ["L0004-05", "L0004-09"]
    assert [piece.label for piece in seen["bench"].pieces] == [None, "L0004-05"]
    assert all(view.labels == () for name, view in seen.items() if name != "bench")


def test_photos_that_cannot_be_used_say_why_and_spoil_nothing(seen: dict[str, PhotoView]) -> None:
    for name, said in (("text", "'text.png' is not a picture."), ("missing", "There is no file")):
        assert said in (seen[name].error or "")
        assert seen[name].pieces == ()
    assert all(view.error is None for name, view in seen.items() if name not in ("text", "missing"))


def test_both_readers_are_heard_and_no_warning_is_given(seen: dict[str, PhotoView]) -> None:
    for view in (seen["turned 0"], seen["bench"]):
        assert view.warnings == ()
        for line in (line for piece in view.pieces for line in piece.lines):
            assert [r.reader for r in line.readings] == ["rapidocr", "tesseract"]


def test_no_photos_are_an_empty_inspection() -> None:
    found = inspect([])
    assert found.photos == found.exemplars == ()
    assert {"vision", "rapidocr", "opencv-python-headless", "numpy", "tesseract"} <= set(found.method)


def test_the_networks_are_named_with_a_digest_of_their_bytes(monkeypatch: pytest.MonkeyPatch) -> None:
    wheels = Path(rapidocr.__file__).parents[1]
    method = inspect([]).method
    kinds = {name: text.split(" sha256:") for name, text in method.items() if name.startswith("network-")}
    assert {"network-detector", "network-recogniser", "network-quick-detector"} <= set(kinds)
    for name, digest in kinds.values():
        assert hashlib.sha256((wheels / name).read_bytes()).hexdigest()[:12] == digest
    # Where the wheel's list of files says nothing, or speaks of a file of another size, the bytes are asked.
    monkeypatch.setattr(models, "_record", lambda _: {name: ("0" * 64, 1) for name, _ in kinds.values()})
    models.identities.cache_clear()
    assert inspect([]).method == method
    models.identities.cache_clear()


def note() -> Picture:
    """A delivery note: dark print on paper."""
    page = Image.new("RGB", (600, 450), (238, 236, 228))
    for index, text in enumerate(("Delivery note 4711", "4 x CV6522AP", "Quayside Surplus")):
        ImageDraw.Draw(page).text((60, 60 + 70 * index), text, (35, 35, 60), ImageFont.load_default(30))
    return np.asarray(page, np.uint8)


NO_CHIPS = {
    "note": note,
    "ground": lambda: drawn(size=(600, 450)),
    "slab": lambda: drawn(Chip(at=(300, 220), bars=None, leads=False), size=(600, 450)),
    "tiny": lambda: np.zeros((32, 32, 3), np.uint8),
    "noise": lambda: np.random.default_rng(4).integers(0, 256, (200, 260, 3), np.uint8),
}


@pytest.mark.parametrize("name", NO_CHIPS)
def test_photo_without_a_chip_has_no_piece(name: str) -> None:
    (view,) = inspect([PhotoSource("desk.png", stored(NO_CHIPS[name]()))]).photos
    assert view.error is None
    assert view.pieces == ()


def test_close_up_that_shows_nothing_but_the_top_is_one_piece() -> None:
    close = part("marketplace_lot.jpg", (1110, 512, 640, 145))
    (view,) = inspect([PhotoSource("close.png", stored(close))]).photos
    (piece,) = view.pieces
    assert [line.text for line in piece.lines] == ["CV6522AP", "8733 K2104"]
    assert iou(piece.outline, [(0, 0), (640, 0), (640, 145), (0, 145)]) > 0.6


def test_reading_goes_on_when_the_second_reader_fails(
    seen: dict[str, PhotoView], monkeypatch: pytest.MonkeyPatch
) -> None:
    def failing(_: object) -> None:
        raise tesseract.TesseractMissing("Tesseract is not there.")

    monkeypatch.setattr(tesseract, "read", failing)
    (view,) = inspect([PhotoSource("one.png", stored(single()))]).photos
    assert texts(view) == texts(seen["turned 0"])
    assert [w.code for w in view.warnings] == ["one-reader"]
    assert "Tesseract is not there" in view.warnings[0].message
    assert {r.reader for p in view.pieces for line in p.lines for r in line.readings} == {"rapidocr"}


# What follows needs no reading.


def placed(x: float, y: float, *, size: float = 100.0) -> PieceView:
    corners = ((x, y), (x + 3 * size, y), (x + 3 * size, y + size), (x, y + size))
    return PieceView(corners, 0.9, None, 0.0, (), Face(np.zeros((8, 8, 3), np.uint8), np.eye(3)))


def test_reading_order_is_row_by_row_though_rows_are_laid_by_hand() -> None:
    rows = [[(30, 40), (410, 15), (800, 48)], [(10, 220), (450, 190)], [(60, 395), (420, 400), (790, 360)]]
    pieces = [placed(x, y) for row in rows for x, y in row]
    shuffled = [pieces[i] for i in (5, 2, 7, 0, 4, 6, 1, 3)]
    ordered = inspection._in_reading_order(shuffled)
    assert [p.outline for p in ordered] == [p.outline for p in pieces]
    assert inspection._in_reading_order([]) == []


def test_view_of_a_damaged_photo_has_no_size_and_no_hash() -> None:
    cut = stored(single(), "JPEG")[:4000]
    (view,) = inspect([PhotoSource("cut.jpg", cut)]).photos
    assert view.error is not None
    assert "damaged or cut short" in view.error
    assert replace(view, error=None).pieces == ()
    assert (view.width, view.height, view.sha256) == (0, 0, "")


def test_exemplars_are_kept_apart() -> None:
    found: Inspection = inspect(
        [PhotoSource("a.png", b"")], exemplars=[PhotoSource("known.png", stored(cv2.resize(single(), (300, 78))))]
    )
    assert [v.path for v in found.photos] == ["a.png"]
    assert [v.path for v in found.exemplars] == ["known.png"]
