"""What is said of photos in which chips were not found or not read, and of pictures that no camera took."""

import io
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from tracker.knowledge.lexicon import lexicon
from vision import advice, photo
from vision.crew import Crew
from vision.drawn import drawn
from vision.inspection import PhotoSource, inspect
from vision.observations import Face, Line, PhotoView, PieceView, Reading

SAMPLES = Path(__file__).resolve().parents[2] / "sample_images"
Picture = NDArray[np.uint8]


def sample(name: str) -> Picture:
    return photo.decode(*photo.load(str(SAMPLES / name))).image


def one_chip() -> Picture:
    """One piece of the marketplace lot with some foam around it."""
    return np.ascontiguousarray(sample("marketplace_lot.jpg")[440:750, 985:1960])


def stored(picture: Picture) -> bytes:
    out = io.BytesIO()
    Image.fromarray(picture).save(out, "PNG")
    return out.getvalue()


def seen(picture: Picture) -> PhotoView:
    return inspect([PhotoSource("chip.png", stored(picture))], lexicon=lexicon()).photos[0]


def codes(view: PhotoView) -> list[str]:
    return [warning.code for warning in view.warnings]


def texts(view: PhotoView) -> list[list[str]]:
    return [[line.text for line in piece.lines] for piece in view.pieces]


# The four ways a picture can stand and the four ways it can be turned over: the symmetries of the rectangle.
UPRIGHT: dict[str, Callable[[Picture], Picture]] = {
    "as it is": lambda p: p,
    "upside down": lambda p: p[::-1, ::-1],
}
TURNED_OVER: dict[str, Callable[[Picture], Picture]] = {
    "left and right": lambda p: p[:, ::-1],
    "top and bottom": lambda p: p[::-1],
    "along the diagonal": lambda p: p.transpose(1, 0, 2),
}


@pytest.mark.parametrize("way", ["upside down", pytest.param("as it is", marks=pytest.mark.thorough)])
def test_a_chip_upside_down_is_read_like_any_other(way: str) -> None:
    view = seen(np.ascontiguousarray(UPRIGHT[way](one_chip())))
    assert texts(view) == [["CV6522AP", "8733 K2104"]]
    assert codes(view) == []


@pytest.mark.parametrize(
    "way", [pytest.param(way, marks=pytest.mark.thorough if number else ()) for number, way in enumerate(TURNED_OVER)]
)
def test_a_chip_in_a_mirror_is_told(way: str) -> None:
    view = seen(np.ascontiguousarray(TURNED_OVER[way](one_chip())))
    assert "mirrored" in codes(view)
    assert "turn it over" in next(w.message for w in view.warnings if w.code == "mirrored")


def test_nothing_is_held_into_a_mirror_where_everything_was_read(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(advice, "in_a_mirror", lambda *_, **__: pytest.fail("a clear reading was doubted"))
    assert codes(seen(one_chip())) == []


def test_a_photo_without_a_chip_says_so() -> None:
    grain = np.random.default_rng(2).normal(150, 4, (300, 420, 3)).clip(0, 255).astype(np.uint8)
    view = seen(grain)
    assert (view.error, view.pieces) == (None, ())
    assert "no-chip" in codes(view)


def test_a_photo_that_cannot_be_opened_gets_no_advice_but_its_error() -> None:
    (view,) = inspect([PhotoSource("none.png", b"no picture")]).photos
    assert view.error is not None
    assert view.warnings == ()


# --- pieces made for the purpose --------------------------------------------------------------------------------------


def piece(image: Picture, *read: tuple[str, float]) -> PieceView:
    quad = ((0.0, 0.0), (9.0, 0.0), (9.0, 9.0), (0.0, 9.0))
    lines = tuple(Line(text, sure, quad, quad, (Reading("rapidocr", text, sure),)) for text, sure in read)
    return PieceView(quad, 0.9, None, 0.0, lines, Face(image, np.eye(3)))


def top(*, blur: float = 0.0, across: int = 145) -> Picture:
    """The flat top of one chip, softened, then scaled."""
    cut = sample("marketplace_lot.jpg")[512:657, 1110:1750]
    soft = cv2.GaussianBlur(cut, (0, 0), blur) if blur else cut
    scale = across / cut.shape[0]
    return np.asarray(cv2.resize(soft, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA), np.uint8)


@pytest.fixture
def no_mirror(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(advice, "in_a_mirror", _not_mirrored)


def _not_mirrored(face: Face, lexicon: object) -> bool:
    return False


def advised(*pieces: PieceView) -> dict[str, str]:
    return {w.code: w.message for w in advice.advice(pieces, lexicon(), Crew())}


@pytest.mark.usefixtures("no_mirror")
def test_the_softer_an_unread_chip_the_surer_its_advice() -> None:
    told = ["blurred" in advised(piece(top(blur=blur))) for blur in (0.0, 1.0, 5.0, 9.0)]
    assert told == sorted(told)
    assert (told[0], told[-1]) == (False, True)


@pytest.mark.usefixtures("no_mirror")
def test_the_smaller_an_unread_chip_the_surer_its_advice() -> None:
    told = ["small" in advised(piece(top(across=across))) for across in (145, 90, 50, 20)]
    assert told == [False, False, True, True]
    assert "20 pixels across" in advised(piece(top(across=20)))["small"]


@pytest.mark.usefixtures("no_mirror")
def test_only_chips_that_were_not_read_are_named() -> None:
    read, unread = ("CV6522AP", 0.97), ("8Z", 0.2)
    told = advised(
        piece(top(across=30), read), piece(top(across=30), unread), piece(top(across=24)), piece(top(), read)
    )
    assert told["small"].startswith(
        "Chips 2 and 3 are too small to read, 24 pixels across at the smallest: come closer"
    )
    assert advised(piece(top(blur=9), read), piece(top(blur=9)))["blurred"].startswith("Chip 2 is too blurred")
    assert advised(piece(top(blur=9), read), piece(top(across=30), read)) == {}


def test_one_reading_in_the_mirror_does_not_outvote_what_was_read_straight(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(advice, "in_a_mirror", _mirrored)
    read = piece(top(), ("CV6522AP", 0.97))
    assert "mirrored" not in advised(read, piece(top()))
    assert "mirrored" in advised(read, piece(top()), piece(top()), piece(top()))
    assert "mirrored" in advised(piece(top()))


def _mirrored(face: Face, lexicon: object) -> bool:
    return True


def test_every_advice_says_what_is_wrong_and_what_to_do() -> None:
    for message in (*advised().values(), *advised(piece(top(across=24)), piece(top(blur=9))).values()):
        what, do = message.split(": ")
        assert what[0].isupper()
        assert do.endswith(".")


# --- pictures that no camera took -------------------------------------------------------------------------------------


def screen() -> Image.Image:
    """A page with a photo in it, as a screenshot shows it."""
    page = Image.new("RGB", (1000, 700), (243, 244, 246))
    ImageDraw.Draw(page).rectangle((0, 0, 1000, 50), fill=(36, 48, 66))
    page.paste(Image.fromarray(sample("soic_lot.jpg")).resize((480, 360)), (40, 100))
    for line in range(8):
        ImageDraw.Draw(page).text((560, 110 + 40 * line), "Quayside Surplus: CV6522AP, lot of eight", fill=(25, 25, 25))
    return page


def drawing() -> Image.Image:
    page = Image.new("RGB", (900, 500), (250, 249, 240))
    pen = ImageDraw.Draw(page)
    pen.rectangle((150, 180, 750, 320), fill=(40, 40, 44))
    for lead in range(7):
        for y in (150, 320):
            pen.rectangle((190 + 80 * lead, y, 225 + 80 * lead, y + 30), fill=(190, 190, 195))
    pen.text((380, 240), "CV74HC08N 0436", fill=(225, 225, 225))
    return page


def as_jpeg(picture: Image.Image, quality: int) -> Picture:
    out = io.BytesIO()
    picture.save(out, "JPEG", quality=quality)
    return np.asarray(Image.open(io.BytesIO(out.getvalue())).convert("RGB"), np.uint8)


@pytest.mark.parametrize(("make", "code"), [(screen, "screenshot"), (drawing, "drawing")])
@pytest.mark.parametrize("quality", [None, 95, 80])
def test_screenshots_and_drawings_are_told_also_after_jpeg(
    make: Callable[[], Image.Image], code: str, quality: int | None
) -> None:
    picture = np.asarray(make(), np.uint8) if quality is None else as_jpeg(make(), quality)
    assert [warning.code for warning in drawn(picture)] == [code]
    assert code in [warning.code for warning in photo.quality(picture)]


@pytest.mark.parametrize("path", sorted(SAMPLES.glob("*.jpg")), ids=lambda path: path.stem)
@pytest.mark.parametrize("quality", [90, 40, 15])
def test_photos_are_none_however_hard_they_are_compressed(path: Path, quality: int) -> None:
    small = Image.fromarray(sample(path.name)).resize((800, 600))
    assert drawn(as_jpeg(small, quality)) == ()


def test_burnt_out_paper_and_black_ground_are_no_sign_of_a_drawing() -> None:
    """A sensor clips at both ends; a white or black ground may be even in a photo."""
    picture = np.zeros((600, 900, 3), np.uint8)
    picture[200:400, 300:700] = sample("logic_lot.jpg")[200:400, 300:700]
    assert drawn(picture) == ()
    paper = sample("swab_before.jpg")
    for brighter in (1.3, 1.6, 2.5):
        burnt = np.clip(paper * brighter, 0, 255).astype(np.uint8)
        assert drawn(burnt) == ()
    assert (burnt == 255).all(axis=2).mean() > 0.4


def test_a_white_page_is_told_as_well() -> None:
    """A shop's page is white all over, and so is the paper of most drawings."""
    page = Image.new("RGB", (900, 700), "white")
    ImageDraw.Draw(page).rectangle((0, 0, 900, 40), fill=(60, 90, 160))
    page.paste(Image.fromarray(one_chip()).resize((600, 190)), (150, 200))
    ImageDraw.Draw(page).text((150, 450), "Quayside Surplus: CV6522AP, lot of eight", fill="black")
    sketch = Image.new("RGB", (800, 500), "white")
    ImageDraw.Draw(sketch).rectangle((150, 150, 650, 320), outline="black", width=4)
    ImageDraw.Draw(sketch).text((300, 220), "CV6522AP", fill="black", font_size=48)
    for picture, code in ((page, "screenshot"), (sketch, "drawing")):
        assert [warning.code for warning in drawn(np.asarray(picture, np.uint8))] == [code]


def test_a_larger_screenshot_is_told_as_well() -> None:
    assert [w.code for w in drawn(np.asarray(screen().resize((4000, 2800), Image.Resampling.NEAREST)))] == [
        "screenshot"
    ]
