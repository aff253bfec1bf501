"""Ways for the tests to read a dossier as a person or a machine does; nothing of the program takes part."""

import base64
import io
import re
from html.parser import HTMLParser
from pathlib import Path

from pypdf import PdfReader

VOID = ("meta", "img", "link", "br")


class Page(HTMLParser):
    """A page's text, addresses, tags, tables and headings; `wrong` are end tags that close nothing."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.text: list[str] = []
        self.addresses: list[str] = []
        self.tags: list[str] = []
        self.attributes: list[tuple[str, str, str | None]] = []
        self.open: list[str] = []
        self.wrong: list[str] = []
        self.tables: list[list[list[str]]] = []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.attributes += [(tag, name, value) for name, value in attrs]
        self.addresses += [value for name, value in attrs if name in ("src", "href", "action", "data", "srcset")]
        if tag not in VOID:
            self.open.append(tag)
        if tag == "table":
            self.tables.append([])
        if tag == "tr":
            self.tables[-1].append([])
        if tag in ("td", "th"):
            self.tables[-1][-1].append("")

    def handle_endtag(self, tag):
        if not self.open or self.open.pop() != tag:
            self.wrong.append(tag)

    def handle_data(self, data):
        if "style" in self.open:
            return
        self.text.append(data)
        if self.open and {"td", "th"} & set(self.open):
            self.tables[-1][-1][-1] += data

    @property
    def said(self) -> str:
        """Everything that is read, white space as single spaces."""
        return " ".join(" ".join(self.text).split())

    def table(self, *heads: str) -> list[dict[str, str]]:
        """Return the rows of the first table with these heads."""
        for rows in self.tables:
            if rows and [one.strip() for one in rows[0]] == list(heads):
                return [dict(zip(heads, (" ".join(cell.split()) for cell in row), strict=True)) for row in rows[1:]]
        raise AssertionError(f"no table has the heads {heads}")

    def facts(self) -> dict[str, str]:
        """Return every row of two cells as name and value."""
        pairs = [row for rows in self.tables for row in rows if len(row) == 2]
        return {name.strip(): " ".join(value.split()) for name, value in pairs}


def page(path: Path) -> Page:
    return Page(path.read_text(encoding="utf-8"))


def pictures(shown: Page) -> list[tuple[str, bytes]]:
    """Return (media type, bytes) of every picture inside the page."""
    inside = [one.removeprefix("data:").split(";base64,") for one in shown.addresses if one.startswith("data:")]
    return [(kind, base64.b64decode(data)) for kind, data in inside]


def paper(source: Path | bytes) -> str:
    """Return the text of a PDF without any white space, visible or not: the typesetter breaks lines where it likes."""
    reader = PdfReader(io.BytesIO(source) if isinstance(source, bytes) else source)
    return squeezed("".join(sheet.extract_text() for sheet in reader.pages))


def squeezed(text: str) -> str:
    return re.sub(r"[\s\u200b]+", "", text)


def every_byte(path: Path) -> bytes:
    """Return all there is in a PDF: its file, and each of its streams unpacked."""
    reader = PdfReader(path)
    found = [path.read_bytes()]
    for number in range(1, len(reader.xref_objStm) + sum(map(len, reader.xref.values())) + 1):
        try:
            one = reader.get_object(number)
        except Exception:
            continue
        found.append(str(one).encode("utf-8", "replace"))
        if hasattr(one, "get_data"):
            try:
                found.append(one.get_data())
            except Exception:  # a picture in a filter that pypdf does not unpack
                continue
    return b"\n".join(found)
