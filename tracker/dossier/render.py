"""A dossier as one HTML file that opens offline, and as a PDF."""

import base64
from collections.abc import Mapping
from dataclasses import asdict
from functools import cache
from importlib.resources import files

from jinja2 import Environment, StrictUndefined, Template

from tracker.dossier.model import Dossier
from tracker.dossier.pdf import compile_pdf


def html(dossier: Dossier, pictures: Mapping[str, bytes]) -> str:
    """Return the dossier as one HTML document: style and pictures inside, no script, nothing fetched.

    Parameters
    ----------
    dossier : Dossier
    pictures : mapping of str to bytes
        JPEG by file name, as the dossier's pictures name them.
    """
    inside = {name: "data:image/jpeg;base64," + base64.b64encode(data).decode() for name, data in pictures.items()}
    return _template().render(dossier=dossier, picture=inside, style=_text("dossier.css"))


def pdf(dossier: Dossier, pictures: Mapping[str, bytes]) -> bytes:
    """Return the dossier as PDF (A4)."""
    return compile_pdf("dossier.typ", asdict(dossier), pictures)


def _text(name: str) -> str:
    return files("tracker.dossier").joinpath(name).read_text(encoding="utf-8")


@cache
def _template() -> Template:
    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    return environment.from_string(_text("dossier.html.j2"))
