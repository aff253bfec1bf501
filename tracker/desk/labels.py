"""Labels for lots and pieces, written as files to print."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from tracker.desk.pieces import find_lot, resolve_pieces
from tracker.desk.whole_file import put_whole
from tracker.desk.workspace import Workspace
from tracker.dossier.labels import LabelText, render, sheet
from tracker.errors import BadRequest
from tracker.records.models import Lot


@dataclass(frozen=True, slots=True)
class LabelsWritten:
    """What was written: one PNG a label, and a sheet of them all where there are several."""

    labels: tuple[str, ...]
    pictures: tuple[Path, ...]
    sheet: Path | None


def write_labels(workspace: Workspace, words: Sequence[str], folder: Path) -> LabelsWritten:
    """Write the labels of lots and pieces into `folder`.

    Parameters
    ----------
    words : sequence of str
        Pieces, runs of pieces, or lots; a lot gives its own label, for the bag, and those of all its pieces.

    Raises
    ------
    BadRequest
        When a word names nothing, or the folder cannot be written.
    """
    with workspace.read() as session:
        texts: dict[str, LabelText] = {}
        for word in words:
            pieces = resolve_pieces(session, [word])
            if "-" not in word:
                lot = find_lot(session, word)
                texts.setdefault(lot.label, LabelText(lot.label, _lines(lot)))
            for piece in pieces:
                texts.setdefault(piece.label, LabelText(piece.label, _lines(piece.lot)))
    return _write(list(texts.values()), folder)


def _lines(lot: Lot) -> tuple[str, str]:
    return f"{lot.claimed_part}  {lot.arrived_on.isoformat()}", lot.seller.name


def _write(texts: Sequence[LabelText], folder: Path) -> LabelsWritten:
    pictures = []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for text in texts:
            path = folder / f"{text.label}.png"
            put_whole(path, render(text))
            pictures.append(path)
        together = None
        if len(texts) > 1:
            together = folder / f"{texts[0].label}-labels.pdf"
            put_whole(together, sheet(texts))
    except OSError as error:
        raise BadRequest(
            f"The labels cannot be written into {folder} ({error.strerror or error}).", "Name another folder with --to."
        ) from None
    return LabelsWritten(tuple(text.label for text in texts), tuple(pictures), together)
