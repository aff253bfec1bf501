"""Plates of a dossier: a piece, its siblings and an exemplar side by side at one scale, what differs marked."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracker.desk.assess import piece_suspicions
from tracker.desk.contract import FindingFound, Outline, PieceDocument
from tracker.desk.dossier_copy import Copy
from tracker.desk.dossier_pictures import Gathered
from tracker.desk.facts import kept_document, top_inspections
from tracker.desk.learned import Learned
from tracker.desk.pictures import as_jpeg
from tracker.dossier.model import Picture, Plate, PlateCell
from tracker.records.models import Inspection, Lot, Piece
from vision import plate
from vision.observations import Rgb
from vision.plate import LENGTH, Top

MOST_SUBJECTS = 12
"""Pieces of a lot's dossier that have plates, the most suspicious first; they fill a page and a half each (common
practice, no source)."""
MOST_SIBLINGS, MOST_EXEMPLARS = 2, 1
EXEMPLAR = "exemplar "
"""How an inspection marks an exemplar among what it was compared with."""
LONG, SQUARE = 2.0, 1.3
"""Length over width of a body from which two stand side by side, and from which three do."""
ABOVE_PRINT, BESIDE_PRINT = 0.25, 0.6
"""Shown around the print, of its height; a maker's mark often stands beside it (common practice, no source)."""
SCALE, PRINT, SURFACE = "The tops at one scale", "Print, enlarged", "Surface"
TOPS = (
    "Flattened and turned upright, every body at the same length. What differs is framed and numbered; the numbers "
    "stand in the list of findings."
)
ENLARGED = "The same part of each body, enlarged by the same factor."
RAISED = (
    "The same tops in grey: light and shade are evened out, and what is left is made stronger by one factor for all of "
    "them. Photos of another lot have other light and another focus."
)


@dataclass(frozen=True, slots=True)
class Beside:
    """One top on a plate: whose, 'this piece', 'sibling' or 'exemplar', and its inspection."""

    label: str
    what: str
    inspection: Inspection

    @property
    def document(self) -> PieceDocument:
        """What was kept of it."""
        return kept_document(self.inspection)


Chosen = dict[int, tuple[Beside, ...]]
"""The tops of each piece's plates by the piece's id, the piece itself first."""


def choose(session: Session, lot: Lot, pieces: Sequence[Piece], known: Learned) -> Chosen:
    """Return which pieces have plates, and what is laid beside them.

    A dossier of one piece has its plates whatever was found; of a lot those pieces of which something was found.
    Siblings come from those it was compared with: of the same photo first, for it has the same light, then the least
    suspicious.
    """
    seen = top_inspections(session, lot.pieces)
    doubt = {number: one.probability for number, one in piece_suspicions(session, lot.pieces, known).items()}
    subjects = [one for one in pieces if one.id in seen and (len(pieces) == 1 or marks(kept_document(seen[one.id])))]
    subjects.sort(key=lambda one: (-doubt[one.id], one.number))
    labels = {one.label: one.id for one in lot.pieces}
    exemplars = _exemplars(session, (kept_document(seen[one.id]) for one in subjects[:MOST_SUBJECTS]))
    chosen: Chosen = {}
    for piece in subjects[:MOST_SUBJECTS]:
        own = seen[piece.id]
        named = kept_document(own).compared_with
        siblings = [labels[name] for name in named if name in labels and labels[name] in seen]
        siblings.sort(key=lambda number: (seen[number].photo_id != own.photo_id, round(doubt[number], 3), number))
        good = [exemplars[name] for name in named if name in exemplars]
        chosen[piece.id] = (
            Beside(piece.label, "this piece", own),
            *(_sibling(seen[number]) for number in siblings[:MOST_SIBLINGS]),
            *good[:MOST_EXEMPLARS],
        )
    return chosen


def _sibling(inspection: Inspection) -> Beside:
    return Beside(inspection.piece.label, "sibling", inspection)


def _exemplars(session: Session, documents: Iterable[PieceDocument]) -> dict[str, Beside]:
    """Return the exemplars that were compared with, by how the inspections name them."""
    names = {name for one in documents for name in one.compared_with if name.startswith(EXEMPLAR)}
    labels = [name.removeprefix(EXEMPLAR) for name in names]
    pieces = session.scalars(select(Piece).where(Piece.label.in_(labels))).all()
    seen = top_inspections(session, pieces)
    return {
        EXEMPLAR + one.label: Beside(one.label, "exemplar, known good", seen[one.id])
        for one in pieces
        if one.id in seen
    }


def inspections(chosen: Chosen) -> list[Inspection]:
    """Return every inspection whose top is needed, once."""
    return list({one.inspection.id: one.inspection for row in chosen.values() for one in row}.values())


def marks(document: PieceDocument) -> tuple[FindingFound, ...]:
    """Return the findings that speak against a piece, in the order in which plates and lists number them from 1."""
    return tuple(one for one in document.piece.findings if one.weight_db > 0)


def plates(piece: Piece, beside: Sequence[Beside], gathered: Gathered, copy: Copy) -> tuple[Plate, ...]:
    """Return a piece's plates, and add their pictures to `gathered`."""
    documents = [one.document for one in beside]
    tops = [gathered.tops[one.inspection.id] for one in beside]
    lines = [document.piece.print_places for document in documents]
    own = documents[0]
    places = [(number, place) for number, one in enumerate(marks(own), start=1) if (place := _place(one, own))]
    faces = [plate.numbered(tops[0], places), *(plate.whole(one) for one in tops[1:])]
    notes = [copy.words(_note(one, top)) for one, top in zip(beside, tops, strict=True)]
    columns = _columns(tops[0])
    made = [_plate(gathered, piece, "tops", (SCALE, TOPS), columns, zip(beside, notes, faces, strict=True))]
    box = _print_box(tops, lines)
    if box is not None:
        near = [plate.window(one, box) for one in tops]
        readings = [_marking(one.document, copy) for one in beside]
        wide = (box[2] - box[0]) > LONG * (box[3] - box[1])
        enlarged = (PRINT, ENLARGED)
        across = 2 if wide else columns
        made.append(_plate(gathered, piece, "print", enlarged, across, zip(beside, readings, near, strict=True)))
    grey = plate.texture(tops, lines)
    empty = [""] * len(beside)
    made.append(_plate(gathered, piece, "surface", (SURFACE, RAISED), columns, zip(beside, empty, grey, strict=True)))
    return tuple(made)


def _plate(
    gathered: Gathered,
    piece: Piece,
    name: str,
    said: tuple[str, str],
    columns: int,
    shown: Iterable[tuple[Beside, str, Rgb]],
) -> Plate:
    cells = []
    for one, note, image in shown:
        file = f"plate{piece.id}-{name}-{one.inspection.id}.jpg"
        gathered.pictures[file] = as_jpeg(image)
        caption = f"{one.label}, {one.what}: {said[0].lower()}"
        cells.append(PlateCell(f"{one.label}, {one.what}", note, Picture(file, caption)))
    return Plate(*said, min(columns, len(cells)), tuple(cells))


def _place(finding: FindingFound, document: PieceDocument) -> Outline | None:
    """Return where a finding is; of one about the date that has no place, the line that holds the date."""
    if finding.outline is not None or finding.family != "text" or not document.piece.date_codes:
        return finding.outline
    dated = document.piece.date_codes[0].text
    return next((line.outline for line in document.piece.lines if dated in line.text), None)


def _note(one: Beside, top: Top) -> str:
    return f"{one.inspection.photo.name}; its body is {top.native:.0f} pixels long there"


def _marking(document: PieceDocument, copy: Copy) -> str:
    piece = document.piece
    if piece.as_read is not None:
        return f"{copy.words(piece.marking)} (corrected by hand)"
    return piece.marking or "nothing read"


def _columns(top: Top) -> int:
    height, width = top.image.shape[:2]
    return 2 if width > LONG * height else 3 if width > SQUARE * height else 4


def _print_box(tops: Sequence[Top], lines: Sequence[Sequence[Outline]]) -> tuple[float, float, float, float] | None:
    """Return the box that holds the print of every top; None where there is none, or it fills the top anyway."""
    boxes = [top.box(quads) for top, quads in zip(tops, lines, strict=True) if quads]
    if not boxes:
        return None
    x0, y0 = min(box[0] for box in boxes), min(box[1] for box in boxes)
    x1, y1 = max(box[2] for box in boxes), max(box[3] for box in boxes)
    air, beside = ABOVE_PRINT * (y1 - y0), BESIDE_PRINT * (y1 - y0)
    wide = x1 - x0 + 2 * beside
    return None if wide > 0.9 * plate.FINER * LENGTH else (x0 - beside, y0 - air, x1 + beside, y1 + air)


def note(piece: Piece, chosen: Mapping[int, object], shown: int) -> str:
    """Return why a piece of a lot's dossier has no plates; '' where it has them."""
    if piece.id in chosen or shown == 1:
        return ""
    return f"Comparison plates of this piece are in its own dossier: lotproof dossier {piece.label}"
