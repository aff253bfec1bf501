"""PDF from Typst templates; nothing is fetched, the fonts are Typst's own and one that Matplotlib carries."""

import json
import shutil
import tempfile
from collections.abc import Mapping
from datetime import datetime
from importlib.resources import files
from pathlib import Path
from typing import Any

import typst

from tracker.dossier.plain import font_files
from tracker.errors import LotproofError

ARCHIVAL = ("a-2a", "ua-1")
"""What a dossier keeps to: PDF/A-2a (ISO 19005-2), fonts inside and text that can be copied; PDF/UA-1 (ISO 14289-1),
which a screen reader can follow. Typst checks both and refuses what breaks them."""


class PdfFailed(LotproofError):
    """A PDF could not be made."""


def compile_pdf(
    template: str,
    data: Mapping[str, Any],
    pictures: Mapping[str, bytes],
    *,
    standards: tuple[str, ...] = (),
    made_at: datetime | None = None,
) -> bytes:
    """Return the PDF of a template of this package.

    Parameters
    ----------
    template : str
        File name; it reads `data.json` and the pictures beside itself.
    data : mapping
        JSON values.
    pictures : mapping of str to bytes
        By file name.
    standards : tuple of str
        PDF standards to keep to, as Typst names them.
    made_at : datetime, optional
        For the file's own data; templates that set no date have none.

    Raises
    ------
    PdfFailed
        When the template does not compile.
    """
    how: dict[str, Any] = {"format": "pdf"}
    if standards:
        how["pdf_standards"] = list(standards)
    if made_at is not None:
        how["timestamp"] = int(made_at.timestamp())
    (made,) = _compiled(template, data, pictures, **how)
    return made


def compile_pages(template: str, data: Mapping[str, Any], pictures: Mapping[str, bytes], *, dpi: float) -> list[bytes]:
    """Return the pages of a template as PNG pictures; parameters and errors as in `compile_pdf`."""
    return _compiled(template, data, pictures, format="png", ppi=dpi)


def _compiled(template: str, data: Mapping[str, Any], pictures: Mapping[str, bytes], **how: Any) -> list[bytes]:
    with tempfile.TemporaryDirectory(prefix="lotproof-") as name:
        folder = Path(name)
        source = folder / template
        source.write_bytes(files("tracker.dossier").joinpath(template).read_bytes())
        (folder / "data.json").write_text(json.dumps(data, ensure_ascii=False, allow_nan=False), encoding="utf-8")
        for picture, content in pictures.items():
            (folder / picture).write_bytes(content)
        for font in font_files():
            shutil.copyfile(font, folder / font.name)
        how |= {"root": str(folder), "font_paths": [str(folder)], "ignore_system_fonts": True}
        try:
            made: bytes | list[bytes] = typst.compile(str(source), **how)
        except (RuntimeError, typst.TypstError) as error:
            raise PdfFailed(
                f"The PDF could not be made ({str(error)[:200]}).", "Ask for the HTML form instead."
            ) from None
    return made if isinstance(made, list) else [made]
