"""A dossier as one HTML file that opens offline, and as a PDF."""

import base64
from collections.abc import Mapping
from dataclasses import asdict
from datetime import datetime
from functools import cache
from importlib.resources import files
from pathlib import PurePath

from jinja2 import Environment, StrictUndefined, Template

from tracker.dossier.model import Dossier
from tracker.dossier.pdf import ARCHIVAL, compile_pdf
from tracker.dossier.plain import breakable, drawable, mapped, visible

MEDIA = {".jpg": "image/jpeg", ".svg": "image/svg+xml"}
SIGNS = {"differs": "✗", "fail": "✗", "agrees": "✓", "pass": "✓", "unsure": "?", "undecided": "?"}
"""Beside colour: a dossier is printed in black, and not everyone tells red from green."""


def html(dossier: Dossier, pictures: Mapping[str, bytes]) -> str:
    """Return the dossier as one HTML document: style and pictures inside, no script, nothing fetched.

    Parameters
    ----------
    dossier : Dossier
        Its texts may come from anywhere; what is invisible in them is spelt out.
    pictures : mapping of str to bytes
        JPEG and SVG by file name, as the dossier's pictures name them.
    """
    inside = {name: _inside(name, data) for name, data in pictures.items()}
    shown = mapped(dossier, visible)
    return _template().render(dossier=shown, picture=inside, style=_text("dossier.css"), sign=SIGNS)


def pdf(dossier: Dossier, pictures: Mapping[str, bytes], made_at: datetime) -> bytes:
    """Return the dossier as PDF on A4, archival (PDF/A-2a, ISO 19005-2) and accessible (PDF/UA-1, ISO 14289-1).

    Characters its fonts cannot draw are spelt out by their Unicode number.
    """
    shown = mapped(dossier, lambda text: breakable(drawable(visible(text))))
    return compile_pdf("dossier.typ", asdict(shown), pictures, standards=ARCHIVAL, made_at=made_at)


def _inside(name: str, data: bytes) -> str:
    """Return a picture as a data address; drawn ones are only shown, never run, since they stand in an `img`."""
    return f"data:{MEDIA[PurePath(name).suffix]};base64,{base64.b64encode(data).decode()}"


def _text(name: str) -> str:
    return files("tracker.dossier").joinpath(name).read_text(encoding="utf-8")


@cache
def _template() -> Template:
    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    return environment.from_string(_text("dossier.html.j2"))
