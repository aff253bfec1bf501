"""Photos so large that they are opened at half their size: all that is recorded of them is in their own pixels."""

import io
import resource
from multiprocessing import get_context
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from tracker.desk import overlays, pictures
from tracker.desk.contract import PhotoInspected, PieceFound
from vision import photo
from vision.full_size import in_photo_pixels
from vision.geometry import apply, quad_overlap
from vision.inspection import PhotoSource, inspect
from vision.observations import Face, Line, PhotoView, PieceView
from vision.overlay import PIECE

SAMPLES = Path(__file__).parents[2] / "sample_images"
Quad = tuple[tuple[float, float], ...]


def enlarged(name: str, times: float, quality: int = 90) -> bytes:
    """Return a sample picture as a JPEG of so many times its size."""
    picture = Image.open(SAMPLES / name)
    out = io.BytesIO()
    size = round(picture.width * times), round(picture.height * times)
    picture.resize(size, Image.Resampling.BICUBIC).save(out, "JPEG", quality=quality)
    return out.getvalue()


def opened_at_half(patch: pytest.MonkeyPatch, data: bytes) -> None:
    """Have this photo be one of those that take too much at their own size."""
    with Image.open(io.BytesIO(data)) as seen:
        patch.setattr(photo, "MOST_MEMORY", 8 * (seen.width * seen.height - 1))
    assert photo.decode("large.jpg", data).picture.step == 2


def apart(one: Quad, other: Quad) -> float:
    """Return how many pixels the corners of two outlines are apart at most."""
    return float(np.abs(np.subtract(one, other)).max())


def places(view: PhotoView) -> list[tuple[Quad, ...]]:
    """Return every place that a view tells of its chips: outline, corners of the face, lines and findings."""
    found = []
    for piece in view.pieces:
        height, width = piece.face.image.shape[:2]
        scale = np.array([[0, 0], [width, 0], [width, height], [0, height]], float)
        corners = tuple(map(tuple, apply(piece.face.to_photo, scale)))
        found.append((piece.outline, corners, *(line.outline for line in piece.lines)))
    return found


@pytest.mark.thorough
def test_a_photo_seen_at_half_its_size_has_the_outlines_it_has_at_its_own(monkeypatch: pytest.MonkeyPatch) -> None:
    """The card's chips, 1.6 times as large as in the sample picture, with the card's own places."""
    data = enlarged("card_lot.jpg", 1.6)
    (own,) = inspect([PhotoSource("large.jpg", data)]).photos
    opened_at_half(monkeypatch, data)
    (half,) = inspect([PhotoSource("large.jpg", data)]).photos
    assert (half.width, half.height) == (own.width, own.height) == (2496, 3328)
    assert len(half.pieces) == len(own.pieces) == 6
    for seen, true in zip(places(half), places(own), strict=True):
        assert quad_overlap(np.array(seen[0]), np.array(true[0])) > 0.95
        assert quad_overlap(np.array(seen[1]), np.array(true[1])) > 0.9
    for seen_piece, true_piece in zip(half.pieces, own.pieces, strict=True):
        assert {line.text for line in true_piece.lines} <= {line.text for line in seen_piece.lines}
    assert half.card is not None
    assert own.card is not None
    assert half.card.mm_per_px == pytest.approx(own.card.mm_per_px, rel=0.002)
    for one, other in zip(half.card.markers + half.card.cells, own.card.markers + own.card.cells, strict=True):
        assert apart(one.outline, other.outline) < 3


def _decoded(data: bytes) -> tuple[tuple[int, int], int]:
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    picture = photo.decode("phone.jpg", data).picture
    return picture.size, 1024 * (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before)


@pytest.mark.thorough
def test_a_photo_over_the_bound_takes_less_than_a_gibibyte() -> None:
    data = enlarged("authorised_lot.jpg", 7.5005, quality=75)
    with get_context("spawn").Pool(1) as one:
        size, taken = one.apply(_decoded, (data,))
    assert size == (15_001, 9001)
    assert taken < 1 << 30


# A grey ground with one white square; its place in the photo is known from the drawing.
SQUARE = ((600.0, 360.0), (1200.0, 360.0), (1200.0, 800.0), (600.0, 800.0))


def drawn() -> bytes:
    """Return a photo with one white square."""
    image = np.full((1201, 1801, 3), 60, np.uint8)
    image[360:800, 600:1200] = 250
    out = io.BytesIO()
    Image.fromarray(image).save(out, "JPEG", quality=95)
    return out.getvalue()


@pytest.fixture(params=["whole", "half"])
def square(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> bytes:
    """Give that photo, opened at its own size and at half of it."""
    data = drawn()
    if request.param == "half":
        opened_at_half(monkeypatch, data)
    return data


def test_what_is_cut_out_of_it_is_what_was_recorded(square: bytes) -> None:
    cut = np.asarray(Image.open(io.BytesIO(pictures.crop_png(square, SQUARE, margin=0.0))))
    assert cut.shape[0] in (441, 221)
    assert cut[:-1, :-1].min() > 200


def test_it_is_annotated_where_the_chips_are(square: bytes) -> None:
    piece = PieceFound(
        outline=SQUARE, package=None, package_confidence=0, lines=(), part=None, date_codes=(), suspicion=0, findings=()
    )
    seen = PhotoInspected(path="large.jpg", sha256=None, width=1801, height=1201, pieces=(piece,))
    shown = np.asarray(Image.open(io.BytesIO(overlays.annotate(seen, square)))).astype(int)
    framed = np.abs(shown - PIECE).sum(axis=2) < 90
    columns = np.flatnonzero(framed.any(axis=0)) * 1801 / shown.shape[1]
    assert columns[0] == pytest.approx(600, abs=12)
    assert columns[-1] == pytest.approx(1200, abs=12)


def test_every_place_of_a_view_is_brought_to_the_photos_own_pixels() -> None:
    face = Face(np.zeros((10, 20, 3), np.uint8), np.array([[2.0, 0, 30], [0, 2.0, 40], [0, 0, 1]]))
    flat = ((0.0, 0.0), (20.0, 0.0), (20.0, 10.0), (0.0, 10.0))
    outline = tuple((30 + 2 * x, 40 + 2 * y) for x, y in flat)
    line = Line("CV6522AP", 1.0, outline, flat, ())
    view = PhotoView("x.jpg", "0" * 64, 601, 401, pieces=(PieceView(outline, 1.0, None, 0.0, (line,), face),))
    whole = in_photo_pixels(view, 2)
    (piece,) = whole.pieces
    wanted = tuple((2 * x, 2 * y) for x, y in outline)
    assert (piece.outline, piece.lines[0].outline, piece.lines[0].face_outline) == (wanted, wanted, flat)
    assert apply(piece.face.to_photo, np.array(flat)) == pytest.approx(np.array(wanted))
    assert (whole.width, whole.height) == (601, 401)
    assert in_photo_pixels(view, 1) is view
