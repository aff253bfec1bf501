"""Photos: JPEG segments, PNG chunks with right checksums, WebP and HEIC boxes, TIFF entries, Exif, cut files, bombs."""

import io
import struct
import zlib

import numpy as np
from fuzz_choices import Choices
from PIL import Image
from pillow_heif import register_heif_opener

from vision.photo import MOST_PIXELS, decode, pixels

MODULES = ("PIL.JpegImagePlugin", "PIL.PngImagePlugin", "PIL.TiffImagePlugin", "PIL.WebPImagePlugin", "PIL.ExifTags",
           "PIL.ImageFile")  # fmt: skip
"""Not `vision.photo`: instrumented, its pictures are never let go (atheris 3.0 on Python 3.11; without, the same cases
leave nothing behind), and after some ten thousand cases the process is full."""
_SIDES = (48, 40)


def _examples() -> dict[str, list[bytes]]:
    """Return small pictures of every kind that is read, in the modes and with the extras that they may have."""
    register_heif_opener()
    chance = np.random.default_rng(5)
    field = chance.integers(0, 255, (*_SIDES[::-1], 3), np.uint8)
    picture, exif = Image.fromarray(field), Image.Exif()
    exif[274], exif[271], exif[306] = 6, "Invented", "2031:04:02 09:15:00"
    exif.get_ifd(0x8769).update({0xA405: 35, 0x9003: "2031:04:02 09:15:00"})
    clear = picture.convert("RGBA")
    clear.putalpha(90)
    deep = Image.fromarray(chance.integers(0, 65535, _SIDES[::-1], np.uint16))
    kept: list[tuple[str, Image.Image, dict[str, object]]] = [
        ("JPEG", picture, {"exif": exif}),
        ("JPEG", picture, {"progressive": True, "subsampling": 0}),
        ("JPEG", picture.convert("L"), {"comment": b"a comment", "dpi": (72, 72)}),
        ("JPEG", picture.convert("CMYK"), {}),
        ("PNG", picture, {"exif": exif}),
        ("PNG", clear, {}),
        ("PNG", picture.convert("P"), {"transparency": 3}),
        ("PNG", picture.convert("1"), {}),
        ("PNG", deep, {}),
        ("WEBP", picture, {"exif": exif}),
        ("WEBP", clear, {"lossless": True}),
        ("TIFF", picture, {"compression": "tiff_lzw", "exif": exif}),
        ("TIFF", picture, {"compression": "tiff_deflate"}),
        ("TIFF", picture.convert("F"), {}),
        ("TIFF", deep, {"compression": "packbits"}),
        ("HEIF", picture, {"exif": exif.tobytes()}),
        ("AVIF", picture, {}),
    ]  # fmt: skip
    found: dict[str, list[bytes]] = {}
    for kind, one, more in kept:
        out = io.BytesIO()
        one.save(out, kind, **more)
        found.setdefault(kind, []).append(out.getvalue())
    return found


EXAMPLES = _examples()
_KINDS = ("JPEG", "JPEG", "PNG", "PNG", "TIFF", "TIFF", "WEBP", "HEIF", "AVIF")
_SIZES = (0, 1, 31, 32, 33, 961, 4096, 8191, 16383, 30000, 65535, 2**31 - 1, 2**32 - 1)


def made(pick: Choices) -> bytes:
    """Return a picture's file, one or two of its parts changed as its kind has them."""
    kind = pick.one(_KINDS)
    data = pick.one(EXAMPLES[kind])
    if pick.often(5):
        return data[: pick.whole(0, len(data))]
    if kind == "PNG" and pick.whole(0, 4999) == 2741:  # seconds each, so rarely; and hypothesis likes what is outermost
        return bomb(pick.one((9000, 10000, 10300, 16000, 60000)), pick.one((0, 2, 6)))
    if pick.often(85):
        change = {"JPEG": _jpeg, "PNG": _png, "TIFF": _tiff}.get(kind, _boxes)
        for _ in range(pick.whole(1, 2)):
            data = change(pick, data)
    return pick.bent(data) if pick.often(20) else data


def _jpeg(pick: Choices, data: bytes) -> bytes:
    """Change a segment: its marker, its length, its content, its place, or how large the frame is said to be."""
    parts, at = [data[:2]], 2
    while at + 4 <= len(data) and data[at] == 0xFF and data[at + 1] != 0xDA:
        size = 2 + int.from_bytes(data[at + 2 : at + 4])
        parts.append(data[at : at + size])
        at += size
    parts.append(data[at:])
    which = pick.whole(1, len(parts) - 1)
    part = bytearray(parts[which])
    way = pick.whole(0, 7)
    if way == 0 and len(part) > 9:  # in a frame: height and width; elsewhere whatever stands there
        large = _SIZES if pick.whole(0, 99) == 27 else _SIZES[:6]  # a second each where both sides are
        part[5:9] = struct.pack(">HH", pick.one(_SIZES) & 0xFFFF, pick.one(large) & 0xFFFF)
    elif way == 1:
        part[2:4] = struct.pack(">H", pick.one((0, 1, 2, 3, 255, 65535, len(part))))
    elif way == 2 and len(part) > 1:
        part[1] = pick.one(
            (0xC0, 0xC1, 0xC2, 0xC4, 0xD8, 0xD9, 0xDA, 0xDB, 0xDD, 0xE0, 0xE1, 0xE2, 0xED, 0xEE, 0xFE, 0)
        )
    elif way == 3:
        part += bytes(part)
    elif way == 4:
        part = bytearray()
    elif way == 5:
        part += b"\xff\xe1" + struct.pack(">H", 8) + b"Exif\0\0"
    else:
        part[4:] = pick.bent(bytes(part[4:]))
    parts[which] = bytes(part)
    return b"".join(parts)


def _png(pick: Choices, data: bytes) -> bytes:
    """Change a chunk, and make its checksum right again."""
    chunks, at = [], 8
    while at + 12 <= len(data):
        size = int.from_bytes(data[at : at + 4])
        chunks.append((data[at + 4 : at + 8], data[at + 8 : at + 8 + size]))
        at += 12 + size
    if not chunks:
        return pick.bent(data)
    which = pick.whole(0, len(chunks) - 1)
    word, body = chunks[which]
    way = pick.whole(0, 6)
    if word == b"IHDR" and way <= 3 and len(body) == 13:
        if way == 0:
            body = struct.pack(">II", pick.one(_SIZES), pick.one(_SIZES)) + body[8:]
        else:
            body = body[:8] + bytes([pick.one((1, 2, 4, 8, 16, 3)), pick.whole(0, 7), 0, 0, pick.whole(0, 1)])
    elif word == b"IDAT" and way <= 3:
        body = zlib.compress(pick.bent(_unpacked(body)))
    elif way == 4:
        word = pick.one(
            (b"tRNS", b"PLTE", b"iCCP", b"eXIf", b"zTXt", b"iTXt", b"acTL", b"fcTL", b"fdAT", b"gAMA", b"IEND")
        )
    elif way == 5:
        chunks.insert(which, (pick.one((b"zTXt", b"iCCP", b"eXIf", b"tRNS", b"tEXt")), pick.raw(40)))
    else:
        body = pick.bent(body)
    chunks[min(which, len(chunks) - 1)] = (word, body)
    return data[:8] + b"".join(_chunk(*one) for one in chunks)


def _unpacked(body: bytes) -> bytes:
    try:
        return zlib.decompress(body)
    except zlib.error:
        return body


def _chunk(word: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + word + body + struct.pack(">I", zlib.crc32(word + body))


def bomb(side: int, colours: int) -> bytes:
    """Return a PNG picture of one shade, packed a thousandfold."""
    row = b"\0" + b"\x80" * (side * {0: 1, 2: 3, 6: 4}[colours])
    packer = zlib.compressobj(1)
    out = [packer.compress(row * 50) for _ in range(side // 50 if side < 11_000 else 1)]
    body = b"".join([*out, packer.flush()])
    head = struct.pack(">IIBBBBB", side, side, 8, colours, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + _chunk(b"IHDR", head) + _chunk(b"IDAT", body) + _chunk(b"IEND", b"")


def _tiff(pick: Choices, data: bytes) -> bytes:
    """Change an entry of the directory: tag, type, count or value."""
    out = bytearray(data)
    if len(out) < 8:
        return data
    order = "<" if out[:2] == b"II" else ">"
    at = struct.unpack(order + "I", out[4:8])[0]
    if at + 2 > len(out):
        return pick.bent(data)
    count = struct.unpack(order + "H", out[at : at + 2])[0]
    entry = at + 2 + 12 * pick.whole(0, max(0, min(count, 40) - 1))
    if entry + 12 > len(out):
        return pick.bent(data)
    where, shape, values = pick.one(
        ((0, "H", (256, 257, 258, 259, 262, 273, 274, 277, 278, 279, 317, 320, 322, 324, 339, 34665)),
         (2, "H", (0, 1, 2, 3, 4, 5, 7, 12, 13, 16)), (4, "I", _SIZES), (8, "I", (*_SIZES, at, 8)))
    )  # fmt: skip
    struct.pack_into(order + shape, out, entry + where, pick.one(values))
    return bytes(out)


def _boxes(pick: Choices, data: bytes) -> bytes:
    """Change a box of WebP, HEIC or AVIF: a length or a type anywhere a type stands, or its content."""
    marks = [at for at in range(4, min(len(data) - 4, 1500)) if data[at : at + 4].isalnum()]
    if not marks:
        return pick.bent(data)
    at = pick.one(marks)
    out = bytearray(data)
    way = pick.whole(0, 3)
    if way == 0:
        out[at - 4 : at] = struct.pack(">I", pick.one((0, 1, 7, 8, 2**31 - 1, 2**32 - 1, len(data))))
    elif way == 1:
        out[at : at + 4] = data[pick.one(marks) :][:4]
    elif way == 2:
        out[at + 4 : at + 8] = struct.pack(pick.one(("<I", ">I")), pick.one(_SIZES))
    else:
        out[at + 4 : at + 40] = pick.bent(bytes(out[at + 4 : at + 40]))
    return bytes(out)


def one_case(data: bytes) -> str:
    """Open a photo; what is accepted is plain RGB within the limits, and the same bytes give the same pixels."""
    found = decode("chips.jpg", data)
    height, width, deep = found.image.shape
    assert deep == 3
    assert found.image.dtype == np.uint8
    assert min(height, width) >= 32 or height * width > 32 * 32
    assert height * width <= MOST_PIXELS
    assert found.focal_35mm is None or 8 <= found.focal_35mm <= 400
    if len(data) % 8 == 0 and height * width < 10**6:
        assert np.array_equal(pixels("chips.jpg", data).image, found.image)
    return f"opened as {Image.open(io.BytesIO(data)).format}"
