"""Photos are opened safely: every type, every way up, every kind of damage, and what makes a photo a poor one."""

import hashlib
import io
import os
import struct
import zlib
from contextlib import suppress
from pathlib import Path

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from PIL import Image
from skimage.measure import blur_effect

from vision import photo
from vision.errors import PhotoError

SAMPLES = Path(__file__).resolve().parents[2] / "sample_images"
Picture = NDArray[np.uint8]

# Four fields of plain colour that tell every orientation from every other: red, green / blue, yellow.
FIELDS = np.array([[[200, 30, 30], [30, 200, 30]], [[30, 30, 200], [200, 200, 30]]], np.uint8)


def fields(height: int = 64, width: int = 96) -> Picture:
    return np.kron(FIELDS, np.ones((height // 2, width // 2, 1), np.uint8))


def encoded(picture: Picture, kind: str, **settings_: object) -> bytes:
    photo._register_heif()
    out = io.BytesIO()
    Image.fromarray(picture).save(out, kind, **settings_)
    return out.getvalue()


def colours(picture: Picture) -> NDArray[np.float64]:
    """The four fields' colours, each from its middle."""
    height, width = picture.shape[:2]
    middles = [(height // 4, width // 4), (height // 4, 3 * width // 4)]
    middles += [(3 * height // 4, width // 4), (3 * height // 4, 3 * width // 4)]
    return np.array([picture[y - 3 : y + 3, x - 3 : x + 3].mean(axis=(0, 1)) for y, x in middles])


def chunk(kind: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


def png_of_size(width: int, height: int) -> bytes:
    """A PNG that claims a size and carries hardly any pixels (PNG specification, 5.6 and 11.2.2)."""
    header = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", zlib.compress(b"\0" * 99)) + chunk(b"IEND", b"")
    )


def sample(name: str) -> Picture:
    return photo.decode(*photo.load(str(SAMPLES / name))).image


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP", "TIFF", "HEIF"])
def test_every_kind_of_photo_opens_with_its_colours(kind: str) -> None:
    opened = photo.decode("chips", encoded(fields(), kind))
    assert opened.image.shape == (64, 96, 3)
    assert opened.image.dtype == np.uint8
    assert colours(opened.image) == pytest.approx(FIELDS.reshape(4, 3), abs=25)  # lossy kinds shift colours a little


@pytest.mark.parametrize(("mode", "grey"), [("L", 90), ("P", 90), ("RGBA", 90), ("LA", 90), ("CMYK", 90), ("1", 255)])
def test_other_colour_modes_become_rgb(mode: str, grey: int) -> None:
    out = io.BytesIO()
    Image.new("RGB", (50, 40), (grey, grey, grey)).convert(mode).save(out, "TIFF")
    image = photo.decode("grey.tif", out.getvalue()).image
    assert image.shape == (40, 50, 3)
    assert image.mean(axis=(0, 1)) == pytest.approx([grey] * 3, abs=2)


def test_cmyk_jpeg_keeps_its_colours() -> None:
    """Such files store ink inverted (Adobe's APP14 marker); taken as they stand, they would be negatives."""
    out = io.BytesIO()
    Image.fromarray(fields()).convert("CMYK").save(out, "JPEG", quality=95)
    assert colours(photo.decode("press.jpg", out.getvalue()).image) == pytest.approx(FIELDS.reshape(4, 3), abs=12)


def test_what_is_transparent_is_seen_on_white() -> None:
    """What a pixel's colour is under full transparency is any program's whim (PNG specification, 12.4)."""
    picture = np.zeros((40, 60, 4), np.uint8)
    picture[:, 20:40] = (10, 120, 30, 255)
    picture[:, 40:] = (0, 0, 0, 128)
    for kind in ("PNG", "WEBP", "TIFF"):
        image = photo.decode("cut out", encoded(picture, kind, **({"lossless": True} if kind == "WEBP" else {}))).image
        assert image[20, [5, 30, 50]].tolist() == [[255, 255, 255], [10, 120, 30], [127, 127, 127]]


@pytest.mark.parametrize("kind", [".png", ".tiff"])
def test_sixteen_bits_of_colour_become_eight(kind: str) -> None:
    deep = fields().astype(np.uint16) * 257
    image = photo.decode("scope", cv2.imencode(kind, deep[..., ::-1])[1].tobytes()).image
    assert np.array_equal(image, fields())


@pytest.mark.parametrize("top", [65535, 4095])
def test_sixteen_bits_of_grey_keep_their_shades(top: int) -> None:
    """A microscope's 12 or 16 bits must not all become white."""
    ramp = np.tile(np.linspace(0, top, 100).astype(np.uint16), (40, 1))
    image = photo.decode("scope.png", encoded(ramp, "PNG")).image
    assert image[20, ::10, 0].astype(float) == pytest.approx(np.linspace(0, 255, 100)[::10], abs=1.5)


# What each value means: CIPA DC-008 (Exif 2.32), tag 274; the array operations say the same independently of Pillow.
TURNS = {
    1: lambda p: p,
    2: lambda p: p[:, ::-1],
    3: lambda p: p[::-1, ::-1],
    4: lambda p: p[::-1],
    5: lambda p: p.transpose(1, 0, 2),
    6: lambda p: np.rot90(p, 1),
    7: lambda p: p[::-1, ::-1].transpose(1, 0, 2),
    8: lambda p: np.rot90(p, -1),
}


@pytest.mark.parametrize("orientation", TURNS)
def test_photo_stands_upright_by_its_exif_orientation(orientation: int) -> None:
    exif = Image.Exif()
    exif[274] = orientation
    stored = np.ascontiguousarray(TURNS[orientation](fields()))
    opened = photo.decode("turned.jpg", encoded(stored, "JPEG", exif=exif, quality=95, subsampling=0))
    assert opened.image.shape == (64, 96, 3)
    assert colours(opened.image) == pytest.approx(FIELDS.reshape(4, 3), abs=10)


@pytest.mark.parametrize(("stated", "said"), [(26, 26.0), (0, None), (4000, None), (None, None)])
def test_the_stated_focal_length_is_read(stated: int | None, said: float | None) -> None:
    """CIPA DC-008 (Exif 2.32), tag 41989 in the Exif block (34665): 0 means unknown."""
    exif = Image.Exif()
    if stated is not None:
        exif.get_ifd(34665)[41989] = stated
    assert photo.decode("phone.jpg", encoded(fields(), "JPEG", exif=exif)).focal_35mm == said


def test_damaged_exif_does_not_spoil_the_photo() -> None:
    exif = Image.Exif()
    exif[274], exif[0x011A] = 6, 72.0  # orientation, resolution
    data = encoded(fields(), "JPEG", exif=exif)
    damaged = data.replace(b"\x01\x1a\x00\x05", b"\x01\x00\x00\x05")  # the resolution's number becomes the width's
    assert damaged != data
    assert colours(photo.decode("odd.jpg", damaged).image) == pytest.approx(FIELDS.reshape(4, 3), abs=25)


def test_hash_is_that_of_the_file(tmp_path: Path) -> None:
    file = tmp_path / "chips.png"
    file.write_bytes(encoded(fields(), "PNG"))
    assert photo.decode(*photo.load(str(file))).sha256 == hashlib.sha256(file.read_bytes()).hexdigest()


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP", "TIFF", "HEIF"])
def test_photo_cut_short_is_refused(kind: str) -> None:
    """Half a photo must not pass for a photo whose lower half is grey."""
    noise = np.random.default_rng(5).integers(0, 256, (80, 80, 3), np.uint8)
    data = encoded(noise, kind)
    with pytest.raises(PhotoError, match=r"^'half' is (damaged or cut short|not a picture)") as caught:
        photo.decode("half", data[: len(data) // 2])
    assert caught.value.advice


@pytest.mark.parametrize(
    ("data", "what"),
    [
        (b"", "'chips.jpg' is empty."),
        (b"Dear Mira, the chips came today.\n" * 40, "'chips.jpg' is not a picture."),
        (b"%PDF-1.7\n%\xe2\xe3\xcf\xd3\n", "'chips.jpg' is not a picture."),
        (b"GIF89a" + b"\0" * 60, "'chips.jpg' is not a picture."),
        (encoded(fields(20, 90), "PNG"), "'chips.jpg' has only 90 x 20 pixels."),
        (encoded(np.zeros((1, 1, 3), np.uint8), "PNG"), "has only 1 x 1 pixels."),
        (encoded(np.zeros((32, 4000, 3), np.uint8), "PNG"), "'chips.jpg' is a strip of 4000 x 32 pixels."),
    ],
    ids=["empty", "text", "pdf", "gif", "low", "one pixel", "strip"],
)
def test_what_is_no_photo_is_said_in_one_sentence(data: bytes, what: str) -> None:
    with pytest.raises(PhotoError) as caught:
        photo.decode("chips.jpg", data)
    assert what in caught.value.what
    assert caught.value.advice.endswith(".")
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(("width", "height"), [(30_000, 30_000), (2**31 - 1, 1), (60_000, 4_000)])
def test_pixel_bomb_is_refused_before_it_is_decoded(width: int, height: int, monkeypatch: pytest.MonkeyPatch) -> None:
    def decoded(*_: object) -> None:
        raise AssertionError("the pixels were decoded")

    monkeypatch.setattr("PIL.ImageFile.ImageFile.load", decoded)
    with pytest.raises(PhotoError, match=f"has {width} x {height} pixels, over the limit of 107 million"):
        photo.decode("bomb.png", png_of_size(width, height))


def test_the_limit_is_above_a_phone_of_200_megapixels(monkeypatch: pytest.MonkeyPatch) -> None:
    """16,320 x 12,240 pixels pass the check of size, and are to be decoded at half of it."""
    asked: list[tuple[int, int]] = []

    def not_loaded(picture: Image.Image) -> None:
        asked.append(picture.size)
        raise OSError("truncated")

    whole = encoded(fields(), "JPEG")
    at = whole.index(b"\xff\xc0") + 5
    large = whole[:at] + struct.pack(">HH", 12_240, 16_320) + whole[at + 4 :]
    monkeypatch.setattr("PIL.ImageFile.ImageFile.load", not_loaded)
    with pytest.raises(PhotoError, match="damaged or cut short"):
        photo.decode("phone.jpg", large)
    assert asked == [(8_160, 6_120)]


def test_a_phone_file_with_a_second_picture_has_the_limit_of_its_kind() -> None:
    """MPO: the first picture is an ordinary JPEG; a second, small one follows."""
    out = io.BytesIO()
    Image.fromarray(fields()).save(out, "MPO", save_all=True, append_images=[Image.new("RGB", (40, 40))])
    with Image.open(io.BytesIO(out.getvalue())) as opened:
        assert (opened.format, photo.most_pixels(opened)) == ("MPO", photo.MOST_PIXELS)
    assert photo.decode("phone.jpg", out.getvalue()).image.shape == fields().shape


@pytest.mark.parametrize("orientation", [1, 3, 6, 8])
def test_of_a_photo_opened_at_half_its_size_the_size_said_is_its_own(
    orientation: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    exif = Image.Exif()
    exif[0x0112] = orientation
    odd = encoded(np.full((301, 451, 3), 90, np.uint8), "JPEG", exif=exif)
    whole = photo.decode("odd.jpg", odd).picture
    assert (whole.step, whole.size) == (1, whole.image.shape[1::-1])
    monkeypatch.setattr(photo, "MOST_MEMORY", 8 * 300 * 450)
    half = photo.decode("odd.jpg", odd).picture
    assert (half.step, half.size) == (2, whole.size)
    assert half.image.shape[:2] == ((226, 151) if orientation > 4 else (151, 226))
    assert half.place(((0, 0), (2, 0), (2, 4), (0, 4))) == ((0, 0), (1, 0), (1, 2), (0, 2))


def test_missing_file_folder_and_device_are_told_apart(tmp_path: Path) -> None:
    with pytest.raises(PhotoError, match="There is no file"):
        photo.load(str(tmp_path / "none.jpg"))
    with pytest.raises(PhotoError, match="is a folder, not a photo"):
        photo.load(str(tmp_path))
    pipe = tmp_path / "pipe.jpg"
    os.mkfifo(pipe)
    for path in (Path(os.devnull), pipe):
        with pytest.raises(PhotoError, match="is not an ordinary file"):
            photo.load(str(path))


def test_file_too_heavy_is_refused_unread(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    heavy = tmp_path / "heavy.jpg"
    with heavy.open("wb") as file:
        file.truncate(photo.MOST_BYTES + 1)  # sparse: no disk is used
    monkeypatch.setattr(Path, "read_bytes", lambda _: pytest.fail("the file was read"))
    with pytest.raises(PhotoError, match=r"has 210 MB\. Photos up to 200 MiB are read"):
        photo.load(str(heavy))


@pytest.mark.parametrize("name", ["a\0b.jpg", "x" * 300 + ".jpg", "a\nb\x1b[31m.jpg", "\udcff.jpg", "", "[red].jpg"])
def test_hostile_names_are_refused_in_one_printable_line(name: str) -> None:
    with pytest.raises(PhotoError) as caught:
        photo.load(name)
    assert str(caught.value).isprintable()


def test_bytes_at_hand_are_taken_whatever_the_name_says(tmp_path: Path) -> None:
    data = encoded(fields(), "PNG")
    assert photo.load(str(tmp_path / "none" / "a\nb.png"), data) == ("a?b.png", data)


@settings(max_examples=150, deadline=None, derandomize=True, database=None)
@given(st.binary(max_size=400), st.sampled_from([b"", b"\xff\xd8\xff\xe0", b"\x89PNG\r\n\x1a\n", b"II*\0", b"RIFF"]))
def test_random_bytes_raise_nothing_but_a_photo_error(data: bytes, start: bytes) -> None:
    with pytest.raises(PhotoError):
        photo.decode("random", start + data)


_WHOLE = {kind: encoded(fields(), kind) for kind in ("JPEG", "TIFF", "WEBP", "HEIF")}


@settings(max_examples=250, deadline=None, derandomize=True, database=None)
@given(st.sampled_from(sorted(_WHOLE)), st.data())
def test_damage_anywhere_raises_nothing_but_a_photo_error(kind: str, data: st.DataObject) -> None:
    damaged = bytearray(_WHOLE[kind])
    for place in data.draw(st.lists(st.integers(0, len(damaged) - 1), max_size=6)):
        damaged[place] ^= data.draw(st.integers(1, 255))
    keep = data.draw(st.integers(1, len(damaged)))
    with suppress(PhotoError):
        opened = photo.decode("damaged", bytes(damaged[:keep]))
        assert min(opened.image.shape[:2]) >= 32
        assert opened.image.shape[2] == 3


@pytest.mark.parametrize("path", sorted(SAMPLES.glob("*.jpg")), ids=lambda path: path.stem)
def test_good_photos_carry_no_warning(path: Path) -> None:
    assert photo.decode(*photo.load(str(path))).warnings == ()


def codes(picture: Picture) -> set[str]:
    return {w.code for w in photo.quality(picture)}


def test_the_softer_a_photo_the_surer_its_warning() -> None:
    """Ordered as an independent measure orders them (Crete et al. 2007 as scikit-image has it: 0 sharp, 1 blurred)."""
    sharp = sample("logic_lot.jpg")[:900]
    blurred = [sharp, *(cv2.GaussianBlur(sharp, (0, 0), sigma) for sigma in (2.0, 5.0, 9.0))]
    told = ["soft" in codes(picture) for picture in blurred]
    measured = [blur_effect(cv2.cvtColor(p, cv2.COLOR_RGB2GRAY)[::2, ::2]) for p in blurred]
    assert measured == sorted(measured)
    assert told == sorted(told)
    assert (told[0], told[-1]) == (False, True)


def test_the_darker_a_photo_the_surer_its_warning() -> None:
    bright = sample("swab_before.jpg")
    told = ["dark" in codes((bright * share).astype(np.uint8)) for share in (1.0, 0.6, 0.25, 0.1)]
    assert told == sorted(told)
    assert (told[0], told[-1]) == (False, True)


def test_the_wider_the_glare_the_surer_its_warning() -> None:
    told = []
    for share in (0.0, 0.03, 0.2, 0.4):
        lit = sample("soic_lot.jpg").copy()
        lit[:, : int(share * lit.shape[1])] = 255
        told.append("glare" in codes(lit))
    assert told == sorted(told)
    assert (told[0], told[1], told[-1]) == (False, False, True)


def test_glints_of_print_and_leads_are_no_glare() -> None:
    """As many burnt pixels as a patch of glare has, but scattered."""
    picture = np.full((600, 800, 3), 120, np.uint8)
    picture[:, ::4] = 255
    assert "glare" not in codes(picture)


def test_each_warning_says_what_to_do() -> None:
    black = photo.quality(np.zeros((100, 100, 3), np.uint8))
    white = photo.quality(np.full((100, 100, 3), 255, np.uint8))
    assert {w.code for w in black + white} == {"soft", "dark", "glare"}
    for warning in black + white:
        what, advice = warning.message.split(": ")
        assert what.startswith(("The photo is", "Parts are"))
        assert advice.endswith(".")
