"""Labels for lots and pieces, written as files to print."""

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from math import isfinite
from pathlib import Path

from tracker.desk.pieces import find_lot, resolve_pieces
from tracker.desk.whole_file import put_whole
from tracker.desk.workspace import Workspace
from tracker.disk import make_folder
from tracker.dossier.label_sheets import LAYOUTS, SheetLayout, changed
from tracker.dossier.labels import LEAST_HEIGHT_MM, LEAST_WIDTH_MM, LabelText, render, sheet
from tracker.errors import BadRequest
from tracker.records.models import Lot


@dataclass(frozen=True, slots=True)
class LabelsWritten:
    """What was written: one PNG a label, and a sheet of them all where there are several or a layout was asked for.

    `next_start` is the first place left free on the last sheet; None where none is.
    """

    labels: tuple[str, ...]
    pictures: tuple[Path, ...]
    sheet: Path | None
    next_start: int | None = None


@dataclass(frozen=True, slots=True)
class SheetAsked:
    """Which sheet to print on, as typed: the name of a layout, lengths in mm that differ from it, the first place."""

    name: str | None = None
    paper: str | None = None
    columns: int | None = None
    rows: int | None = None
    width: float | None = None
    height: float | None = None
    left: float | None = None
    top: float | None = None
    gap_x: float | None = None
    gap_y: float | None = None
    start: int = 1

    @property
    def asked(self) -> bool:
        """Whether anything was said of the sheet."""
        return self != SheetAsked()


ANY_SHEET = SheetAsked()


def write_labels(
    workspace: Workspace, words: Sequence[str], folder: Path, asked: SheetAsked = ANY_SHEET
) -> LabelsWritten:
    """Write the labels of lots and pieces into `folder`.

    Parameters
    ----------
    words : sequence of str
        Pieces, runs of pieces, or lots; a lot gives its own label, for the bag, and those of all its pieces.
    asked : SheetAsked
        The sheet of them all.

    Raises
    ------
    BadRequest
        When a word names nothing, the sheet cannot be, or the folder cannot be written.
    """
    layout = sheet_layout(asked)
    with workspace.read() as session:
        texts: dict[str, LabelText] = {}
        for word in words:
            pieces = resolve_pieces(session, [word])
            if "-" not in word:
                lot = find_lot(session, word)
                texts.setdefault(lot.label, LabelText(lot.label, _lines(lot)))
            for piece in pieces:
                texts.setdefault(piece.label, LabelText(piece.label, _lines(piece.lot)))
    return _write(list(texts.values()), folder, layout, asked)


def _lines(lot: Lot) -> tuple[str, str]:
    return f"{lot.claimed_part}  {lot.arrived_on.isoformat()}", lot.seller.name


def sheet_layout(asked: SheetAsked) -> SheetLayout:
    """Return the layout that was asked for.

    Raises
    ------
    BadRequest
        There is no layout of this name, a length cannot be, or the labels do not fit on the paper.
    """
    if asked.name is not None and asked.name not in LAYOUTS:
        raise BadRequest(f"There is no sheet '{asked.name}'.", f"There are: {', '.join(LAYOUTS)}.")
    lengths = asdict(asked)
    start = lengths.pop("start")
    layout = changed(LAYOUTS[lengths.pop("name") or "plain"], lengths)
    _check(layout)
    if not 1 <= start <= layout.places:
        raise BadRequest(f"The first place is {start}.", f"The sheet has places 1 to {layout.places}.")
    return layout


def _check(layout: SheetLayout) -> None:
    if layout.columns < 1 or layout.rows < 1:
        raise BadRequest("A sheet needs a row and a column.", "Give --columns and --rows of 1 or more.")
    lengths = (layout.width, layout.height, layout.left, layout.top, layout.gap_x, layout.gap_y)
    if not all(isfinite(one) and one >= 0 for one in lengths):
        raise BadRequest("A length of the sheet is negative or no number.", "Give lengths in mm, 0 or more.")
    if layout.width < LEAST_WIDTH_MM or layout.height < LEAST_HEIGHT_MM:
        raise BadRequest(
            f"A label of {layout.width:g} x {layout.height:g} mm is too small for its code.",
            f"Take labels of {LEAST_WIDTH_MM:g} x {LEAST_HEIGHT_MM:g} mm or more.",
        )
    fault = layout.faults()
    if fault:
        raise BadRequest(f"The labels do not fit: {fault}.", "Check the lengths against the packet, in mm.")


def _write(texts: Sequence[LabelText], folder: Path, layout: SheetLayout, asked: SheetAsked) -> LabelsWritten:
    pictures = []
    try:
        make_folder(folder)
        for text in texts:
            path = folder / f"{text.label}.png"
            put_whole(path, render(text))
            pictures.append(path)
        together = None
        if len(texts) > 1 or asked.asked:
            together = folder / f"{texts[0].label}-labels.pdf"
            put_whole(together, sheet(texts, layout, asked.start))
    except OSError as error:
        raise BadRequest(
            f"The labels cannot be written into {folder} ({error.strerror or error}).", "Name another folder with --to."
        ) from None
    used = (asked.start - 1 + len(texts)) % layout.places
    left_free = used + 1 if together is not None and used else None
    return LabelsWritten(tuple(text.label for text in texts), tuple(pictures), together, left_free)
