"""Labels for tubes, bags and stickers: a QR code a photo reads back, and text a person reads."""

import io
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from functools import cache
from pathlib import Path

import segno
from PIL import Image, ImageDraw, ImageFont

from tracker.dossier.label_sheets import PAPERS, PLAIN, SheetLayout, pages
from tracker.dossier.plain import drawable, visible

DPI = 300
WIDTH_MM, HEIGHT_MM = 40.0, 14.0
"""Fits a 40 mm label roll and folds once around an anti-static tube (common practice, no source)."""
LEAST_WIDTH_MM, LEAST_HEIGHT_MM = 20.0, 8.0
"""Smallest label: its code has modules of a quarter millimetre (common practice, no source)."""
CODE_SHARE = 0.45
"""Most of a label's width that its code takes: the label must be read by people, too."""
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


def render(text: LabelText, *, width_mm: float = WIDTH_MM, height_mm: float = HEIGHT_MM) -> bytes:
    """Return one label as PNG at DPI, black on white.

    Parameters
    ----------
    text : LabelText
        Lines too long for the label are cut with an ellipsis.
    width_mm, height_mm : float
        At least LEAST_WIDTH_MM by LEAST_HEIGHT_MM: a smaller code is not read back from a photo of several chips.
    """
    picture = Image.new("L", (_px(width_mm), _px(height_mm)), PAPER)
    code = _code(text.label, min(picture.height, round(CODE_SHARE * picture.width)))
    picture.paste(code, (0, (picture.height - code.height) // 2))
    _write(picture, text, left=code.width, scale=min(height_mm / HEIGHT_MM, width_mm / WIDTH_MM))
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


def _write(picture: Image.Image, text: LabelText, *, left: int, scale: float) -> None:
    """Write the text beside the code, in the middle of the label's height."""
    draw = ImageDraw.Draw(picture)
    room = picture.width - left - _px(0.8)
    large = _fitting(draw, text.label, room, start=_px(4.2 * scale))
    top = picture.height / 2 - _px(5.4 * scale)
    draw.text((left, top), text.label, fill=INK, font=large)
    for number, line in enumerate(text.lines[:2]):
        at = top + _px((5.3 + 3.0 * number) * scale)
        said, size = drawable(visible(line)), _px(2.3 * scale)
        small = _fitting(draw, said, room, start=size, least=round(0.75 * size), bold=False)
        draw.text((left, at), _cut(draw, said, small, room), fill=INK, font=small)


def _fitting(
    draw: ImageDraw.ImageDraw, text: str, room: int, *, start: int, least: int = 8, bold: bool = True
) -> ImageFont.FreeTypeFont:
    size = start
    while size > least and draw.textlength(text, font=_font(size, bold=bold)) > room:
        size -= 1
    return _font(size, bold=bold)


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


def sheet(labels: Sequence[LabelText], layout: SheetLayout = PLAIN, start: int = 1) -> bytes:
    """Return labels as a PDF.

    Parameters
    ----------
    labels : sequence of LabelText
    layout : SheetLayout
        Where they stand.
    start : int
        The first free place of the first sheet, counted from 1 row by row.
    """
    from tracker.dossier.pdf import compile_pdf

    size = {"width_mm": layout.width, "height_mm": layout.height}
    files = {f"label{number}.png": render(text, **size) for number, text in enumerate(labels)}
    placed = [[asdict(one) for one in page] for page in pages(list(files), layout, start)]
    data = {"paper": PAPERS[layout.paper], "width": layout.width, "height": layout.height, "framed": layout.framed}
    return compile_pdf("labels.typ", data | {"pages": placed}, files)
