"""Labels for tubes, bags and stickers: a QR code a photo reads back, and text a person reads."""

import io
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import segno
from PIL import Image, ImageDraw, ImageFont

DPI = 300
WIDTH_MM, HEIGHT_MM = 40.0, 14.0
"""Fits a 40 mm label roll and folds once around an anti-static tube (common practice, no source)."""
QUIET_MODULES = 4
"""Empty margin of a QR code, in modules (ISO/IEC 18004)."""
ERROR_LEVEL = "q"
"""Recovers about 25 % (ISO/IEC 18004): a label on a bag is creased and smudged."""
INK, PAPER = 0, 255


@dataclass(frozen=True, slots=True)
class LabelText:
    """What one label says.

    Parameters
    ----------
    label : str
        In the QR code and in large type, e.g. 'L0007-03'.
    lines : tuple of str
        One or two smaller lines.
    """

    label: str
    lines: tuple[str, ...]


def render(text: LabelText) -> bytes:
    """Return one label as PNG of WIDTH_MM x HEIGHT_MM at DPI, black on white.

    Parameters
    ----------
    text : LabelText
        Lines too long for the label are cut with an ellipsis.
    """
    picture = Image.new("L", (_px(WIDTH_MM), _px(HEIGHT_MM)), PAPER)
    code = _code(text.label, picture.height)
    picture.paste(code, (0, (picture.height - code.height) // 2))
    _write(picture, text, left=code.width)
    out = io.BytesIO()
    picture.save(out, "PNG", dpi=(DPI, DPI), optimize=True)
    return out.getvalue()


def _px(mm: float) -> int:
    return round(mm / 25.4 * DPI)


def _code(label: str, most: int) -> Image.Image:
    """Return the QR code at the largest whole number of pixels a module that fits."""
    code = segno.make_qr(label, error=ERROR_LEVEL)
    size = code.symbol_size(border=QUIET_MODULES)[0]
    out = io.BytesIO()
    code.save(out, kind="png", scale=max(1, most // size), border=QUIET_MODULES)
    return Image.open(out).convert("L")


def _write(picture: Image.Image, text: LabelText, *, left: int) -> None:
    draw = ImageDraw.Draw(picture)
    room = picture.width - left - _px(0.8)
    large = _fitting(draw, text.label, room, start=_px(4.2))
    draw.text((left, _px(1.6)), text.label, fill=INK, font=large)
    small = _font(_px(2.3))
    for number, line in enumerate(text.lines[:2]):
        draw.text((left, _px(6.9 + 3.0 * number)), _cut(draw, line, small, room), fill=INK, font=small)


def _fitting(draw: ImageDraw.ImageDraw, text: str, room: int, *, start: int) -> ImageFont.FreeTypeFont:
    size = start
    while size > 8 and draw.textlength(text, font=_font(size, bold=True)) > room:
        size -= 1
    return _font(size, bold=True)


def _cut(draw: ImageDraw.ImageDraw, text: str, font: ImageFont.FreeTypeFont, room: int) -> str:
    if draw.textlength(text, font=font) <= room:
        return text
    while text and draw.textlength(f"{text}…", font=font) > room:
        text = text[:-1]
    return f"{text}…"


@cache
def _font(size: int, *, bold: bool = False) -> ImageFont.FreeTypeFont:
    """Return DejaVu Sans, which Matplotlib carries: the machine need have no fonts."""
    import matplotlib

    name = "DejaVuSans-Bold.ttf" if bold else "DejaVuSans.ttf"
    return ImageFont.truetype(str(Path(matplotlib.get_data_path()) / "fonts" / "ttf" / name), size)


def sheet(labels: Sequence[LabelText]) -> bytes:
    """Return labels as a PDF for A4 paper, four to a row, with cutting marks between them."""
    from tracker.dossier.pdf import compile_pdf

    files = {f"label{number}.png": render(text) for number, text in enumerate(labels)}
    return compile_pdf("labels.typ", {"labels": list(files), "width": WIDTH_MM, "height": HEIGHT_MM}, files)
