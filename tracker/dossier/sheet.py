"""Short papers to send or to work by: a seller's statement, a notice about machines; as plain text and as PDF."""

import textwrap
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass

from tracker.dossier.model import Picture, Row
from tracker.dossier.pdf import compile_pdf

WIDTH = 78
"""Characters of a line of plain text; fits a mail and a message box (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Section:
    """One part of a sheet: named facts, points, pictures; `to_sign` are lines left to be filled in by hand."""

    heading: str
    rows: tuple[Row, ...] = ()
    points: tuple[str, ...] = ()
    pictures: tuple[Picture, ...] = ()
    to_sign: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Sheet:
    """One paper.

    Parameters
    ----------
    mark : str
        What stands above the title, e.g. that it is a draft; may be empty.
    lead, closing : tuple of str
        Paragraphs before and after the sections.
    """

    title: str
    subtitle: str
    mark: str = ""
    lead: tuple[str, ...] = ()
    sections: tuple[Section, ...] = ()
    closing: tuple[str, ...] = ()


def text(sheet: Sheet) -> str:
    """Return a sheet as plain text; pictures by their captions."""
    blocks = [f"[{sheet.mark}]"] if sheet.mark else []
    blocks += [f"{sheet.title}\n{sheet.subtitle}", *map(_paragraph, sheet.lead)]
    for section in sheet.sections:
        heading = _paragraph(section.heading)
        blocks.append("\n".join([heading, "-" * min(len(heading), WIDTH), *_lines(section)]))
    blocks += map(_paragraph, sheet.closing)
    return "\n\n".join(blocks) + "\n"


def pdf(sheet: Sheet, pictures: Mapping[str, bytes]) -> bytes:
    """Return a sheet as PDF (A4).

    Parameters
    ----------
    pictures : mapping of str to bytes
        JPEG by file name, as the sheet's pictures name them.
    """
    return compile_pdf("sheet.typ", asdict(sheet), pictures)


def _lines(section: Section) -> Iterator[str]:
    wide = max((len(row.name) for row in section.rows), default=0) + 2
    for row in section.rows:
        yield _paragraph(row.value, first=f"{row.name + ':':{wide}}", rest=" " * wide)
    for point in section.points:
        yield _paragraph(point, first="- ", rest="  ")
    for picture in section.pictures:
        yield _paragraph(f"picture {picture.file}: {picture.caption}", first="- ", rest="  ")
    for line in section.to_sign:
        yield f"{line}: ".ljust(WIDTH, "_")


def _paragraph(words: str, first: str = "", rest: str = "") -> str:
    return textwrap.fill(words, WIDTH, initial_indent=first, subsequent_indent=rest, break_on_hyphens=False)
