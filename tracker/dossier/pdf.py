"""PDF from Typst templates; nothing is fetched, the fonts are Typst's own."""

import json
import tempfile
from collections.abc import Mapping
from importlib.resources import files
from pathlib import Path
from typing import Any

import typst

from tracker.errors import LotproofError


class PdfFailed(LotproofError):
    """A PDF could not be made."""


def compile_pdf(template: str, data: Mapping[str, Any], pictures: Mapping[str, bytes]) -> bytes:
    """Return the PDF of a template of this package.

    Parameters
    ----------
    template : str
        File name; it reads `data.json` and the pictures beside itself.
    data : mapping
        JSON values.
    pictures : mapping of str to bytes
        By file name.

    Raises
    ------
    PdfFailed
        When the template does not compile.
    """
    (made,) = _compiled(template, data, pictures, format="pdf")
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
        try:
            made: bytes | list[bytes] = typst.compile(str(source), root=str(folder), ignore_system_fonts=True, **how)
        except (RuntimeError, typst.TypstError) as error:
            raise PdfFailed(
                f"The PDF could not be made ({str(error)[:200]}).", "Ask for the HTML form instead."
            ) from None
    return made if isinstance(made, list) else [made]
