"""The inspection card of a lot, written as a file to print."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from tracker.desk.pieces import find_lot
from tracker.desk.whole_file import put_whole
from tracker.desk.workspace import Workspace
from tracker.disk import make_folder
from tracker.dossier.card import Box, Page, Sheet, Step, pdf
from tracker.errors import BadRequest
from tracker.knowledge.bodies import claimed_bodies
from tracker.knowledge.packages import PackageOutline
from vision import card_layout as plan
from vision.card_markers import pattern

INSTRUCTIONS = (
    "Print at 100 % and lay a ruler on the scale: a camera cannot see a wrong print size.",
    "Lay each chip in its cell, lamp from the side, black squares free. Paper charges up: wear an earthed strap.",
)
LONGEST_NAME = 32
"""Characters of the claimed part that fit under the heading."""
SMALL_BODY_MM = (22.0, 11.0)
"""Longest body and widest span over the leads for which the small card's cells of 31 by 14.5 mm leave air."""


@dataclass(frozen=True, slots=True)
class CardWritten:
    """What was written: one PDF, and for each page the pieces whose cells it has."""

    lot: str
    file: Path
    paper: str
    kind: str
    pages: tuple[tuple[str, ...], ...]


def write_card(workspace: Workspace, lot: str, to: Path | None = None, *, paper: str, kind: str | None) -> CardWritten:
    """Write the inspection card of a lot.

    Parameters
    ----------
    workspace : Workspace
    lot : str
        Label of the lot.
    to : Path, optional
        A file ending in .pdf, or a folder; the lot's name in the current folder where not given.
    paper : str
        'a4' or 'letter'.
    kind : str or None
        'large' or 'small'; by the claimed part's package where None, large where that is not known.

    Raises
    ------
    BadRequest
        When there is no such lot, it has more pieces than the pages can number, or the file cannot be written.
    """
    with workspace.read() as session:
        found = find_lot(session, lot)
        kind = kind or usual_kind(found.claimed_part)
        layout = plan.layout(kind)
        pages = pages_of(found.label, found.claimed_part, max(piece.number for piece in found.pieces), layout)
        sheet = sheet_of(found.label, layout)
        numbers = [(piece.number, piece.label) for piece in found.pieces]
    file = _file(to, found.label)
    _write(pdf(sheet, pages, paper=paper), file)
    cells = len(layout.cells)
    on_pages = tuple(tuple(label for n, label in numbers if (n - 1) // cells == p) for p in range(len(pages)))
    return CardWritten(found.label, file, paper, kind, on_pages)


def usual_kind(part: str) -> str:
    """Return 'small' where every package of a claimed part is known and fits the small card's cells, else 'large'."""
    bodies = claimed_bodies(part)
    long, wide = SMALL_BODY_MM
    fits = all(body.length_mm[1] <= long and _span(body) <= wide for body in bodies)
    return plan.SMALL if bodies and fits else plan.LARGE


def _span(body: PackageOutline) -> float:
    """Width of a body with its leads, mm; those of a new DIP are spread by about a millimetre on either side."""
    return body.row_mm + 2.0 if body.name.startswith("DIP") else max(body.row_mm, body.width_mm[1])


def pages_of(lot: str, part: str, count: int, layout: plan.Layout) -> list[Page]:
    """Return the pages of a card with cells for the pieces 1 to `count`.

    Raises
    ------
    BadRequest
        When there are more pieces than the pages can number.
    """
    cells = len(layout.cells)
    pages = -(-count // cells)
    if pages > plan.MOST_PAGES:
        raise BadRequest(
            f"{lot} has {count} pieces; a card has cells for {plan.MOST_PAGES * cells} at most.",
            "Photograph the others without a card, with labels beside them.",
        )
    made = []
    for page in range(1, pages + 1):
        first, last = (page - 1) * cells + 1, min(page * cells, count)
        made.append(
            Page(
                markers=tuple(pattern(plan.marker_number(layout.kind, page, place)) for place in range(plan.PLACES)),
                cells=tuple(f"-{number:02d}" for number in range(first, last + 1)),
                code=plan.code_text(lot, page),
                lines=(_cut(part), f"page {page} of {pages}, pieces -{first:02d} to -{last:02d}"),
            )
        )
    return made


def _cut(text: str) -> str:
    return text if len(text) <= LONGEST_NAME else text[: LONGEST_NAME - 1] + "…"


def sheet_of(lot: str, layout: plan.Layout) -> Sheet:
    """Return what is the same on every page of a lot's card."""
    return Sheet(
        heading=lot,
        width=layout.width,
        height=layout.height,
        markers=_boxes(layout.markers),
        cells=_boxes(layout.cells),
        number=layout.number,
        steps=tuple(Step(_box(p.area), p.level, 100 * p.luminance) for p in layout.patches),
        legends=_boxes(layout.legends),
        codes=_boxes(layout.codes),
        scale=_box(layout.scale),
        title=_box(layout.title),
        notes=_box(layout.notes),
        instructions=INSTRUCTIONS,
        small=layout.kind == plan.SMALL,
    )


def _box(rect: plan.Rect) -> Box:
    return rect.x, rect.y, rect.width, rect.height


def _boxes(rects: Sequence[plan.Rect]) -> tuple[Box, ...]:
    return tuple(_box(rect) for rect in rects)


def _file(to: Path | None, lot: str) -> Path:
    name = f"{lot}-card.pdf"
    if to is None:
        return Path(name)
    if to.is_dir() or not to.suffix:
        return to / name
    if to.suffix.lower() != ".pdf":
        raise BadRequest(f"The card is a PDF, and {to.name} is not named so.", "Name a file in .pdf, or a folder.")
    return to


def _write(data: bytes, file: Path) -> None:
    try:
        make_folder(file.parent)
        put_whole(file, data)
    except OSError as error:
        raise BadRequest(
            f"The card cannot be written to {file} ({error.strerror or error}).", "Name another place with --to."
        ) from None
