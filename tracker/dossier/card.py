"""The inspection card as PDF: a sheet on which chips are photographed. Where things stand comes from whoever asks."""

import io
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

import segno
from PIL import Image

from tracker.dossier.pdf import compile_pages, compile_pdf

PAPERS = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
"""Sheets in mm: ISO 216 A4; ANSI/ASME Y14.1 size A (8.5 by 11 inches)."""
CODE_ERROR_LEVEL = "h"
"""Recovers about 30 % (ISO/IEC 18004); seven characters still fit the smallest code."""
_MODULE_PIXELS = 40
"""Markers and codes are bitmaps whose modules are whole numbers of pixels, so that every edge is sharp."""
_TEMPLATE = "card.typ"

Box = tuple[float, float, float, float]
"""Left, top, width, height in mm, from the field's upper left corner."""


@dataclass(frozen=True, slots=True)
class Step:
    """One step of a grey wedge; `reflectance` is nominal, in percent of the paper's."""

    box: Box
    level: int
    reflectance: float


@dataclass(frozen=True, slots=True)
class Page:
    """One page of a card.

    Parameters
    ----------
    markers : tuple of tuple of tuple of bool
        Modules of each fiducial, row by row, True where black; as many as the sheet has marker boxes.
    cells : tuple of str
        Number of each cell; fewer than the sheet has boxes on the last page.
    code : str
        What the QR codes say.
    lines : tuple of str
        What stands under the heading.
    """

    markers: tuple[tuple[tuple[bool, ...], ...], ...]
    cells: tuple[str, ...]
    code: str
    lines: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Sheet:
    """Everything about a card that is the same on each of its pages; boxes as in `Box`."""

    heading: str
    width: float
    height: float
    markers: tuple[Box, ...]
    cells: tuple[Box, ...]
    number: tuple[float, float]
    steps: tuple[Step, ...]
    legends: tuple[Box, ...]
    codes: tuple[Box, ...]
    scale: Box
    title: Box
    notes: Box
    instructions: tuple[str, ...]
    small: bool


def pdf(sheet: Sheet, pages: Sequence[Page], *, paper: str) -> bytes:
    """Return the card as PDF.

    Parameters
    ----------
    sheet : Sheet
    pages : sequence of Page
    paper : str
        A key of PAPERS.
    """
    return compile_pdf(_TEMPLATE, _data(sheet, pages, paper), _pictures(pages))


def png(sheet: Sheet, pages: Sequence[Page], *, paper: str, dpi: float) -> list[bytes]:
    """Return the pages as PNG pictures."""
    return compile_pages(_TEMPLATE, _data(sheet, pages, paper), _pictures(pages), dpi=dpi)


def _data(sheet: Sheet, pages: Sequence[Page], paper: str) -> dict[str, Any]:
    width, height = PAPERS[paper]
    # The notes of a small card stand below its field; both together are centred on the sheet.
    bottom = max(sheet.height, sheet.notes[1] + sheet.notes[3])
    return {
        "paper": [width, height],
        "at": [(width - sheet.width) / 2, (height - bottom) / 2],
        "sheet": asdict(sheet),
        "pages": [
            {
                "markers": [f"marker{p}-{n}.png" for n in range(len(page.markers))],
                "code": f"code{p}.png",
                "cells": list(page.cells),
                "lines": list(page.lines),
            }
            for p, page in enumerate(pages)
        ],
    }


def _pictures(pages: Sequence[Page]) -> dict[str, bytes]:
    pictures = {}
    for p, page in enumerate(pages):
        pictures[f"code{p}.png"] = _code(page.code)
        for n, modules in enumerate(page.markers):
            pictures[f"marker{p}-{n}.png"] = _marker(modules)
    return pictures


def _marker(modules: Sequence[Sequence[bool]]) -> bytes:
    picture = Image.new("1", (len(modules[0]), len(modules)), 1)
    picture.putdata([0 if black else 1 for row in modules for black in row])
    out = io.BytesIO()
    size = (picture.width * _MODULE_PIXELS, picture.height * _MODULE_PIXELS)
    picture.resize(size, Image.Resampling.NEAREST).save(out, "PNG", optimize=True)
    return out.getvalue()


def _code(text: str) -> bytes:
    out = io.BytesIO()
    segno.make_qr(text, error=CODE_ERROR_LEVEL, boost_error=False).save(out, kind="png", scale=_MODULE_PIXELS, border=0)
    return out.getvalue()
