"""A statement of facts for the seller of a lot: what was ordered, what arrived, what was found and measured.

It is a draft for the buyer to read, change and send. It holds facts alone: no suspicion, which is the workshop's own
opinion, no accusation, and nothing about the law.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracker.desk import due as dues
from tracker.desk.dossier_copy import copy_of
from tracker.desk.dossier_pictures import Gathered, gather
from tracker.desk.dossier_pieces import Making, sheets
from tracker.desk.events import sent_back
from tracker.desk.learned import learned
from tracker.desk.pieces import dispositions, find_lot
from tracker.desk.whole_file import put_whole
from tracker.desk.workspace import Workspace
from tracker.disk import make_folder
from tracker.dossier import sheet as papers
from tracker.dossier.model import PieceSheet, Row
from tracker.dossier.redaction import Redaction
from tracker.dossier.sheet import Section, Sheet
from tracker.errors import BadRequest
from tracker.records.models import Document, JournalEntry, Lot, Photo, Piece, Shipment

CLAIMED = ("rejected", "returned")
DRAFT = "statement.txt"
OUTCOME = {
    "fail": "does not meet its limit",
    "pass": "meets its limit",
    "undecided": "too near its limit to say whether it meets it",
}
LEAD = (
    "This lists what was ordered, what arrived, and what was seen and measured on the pieces named below. Pictures of "
    "them are enclosed; the original photos and all readings are kept and can be sent.",
)
CLOSING = (
    "What we ask for: (to be filled in by the sender)",
    "These are observations made with the instruments and under the conditions named. They say nothing of how the "
    "pieces came to be as they are, and of nobody's intent. How and until when a claim is made is a matter of the "
    "agreement with the seller, the rules of the place it was bought at, and local law.",
)


@dataclass(frozen=True, slots=True)
class StatementWritten:
    """A statement's files, the pieces in it, and what a claim still lacks."""

    lot: str
    pieces: tuple[str, ...]
    files: tuple[Path, ...]
    missing: tuple[str, ...]


def write_statement(workspace: Workspace, label: str, to: Path, *, today: date) -> StatementWritten:
    """Write the draft of a statement about a lot's rejected and returned pieces.

    Parameters
    ----------
    to : Path
        A folder: statement.txt, statement.pdf and the pictures to enclose go into it.

    Raises
    ------
    BadRequest
        When there is no such lot, none of its pieces is rejected or returned, or the folder holds a statement already
        or cannot be written.
    """
    if to.exists() and not to.is_dir():
        raise BadRequest(f"{to} is a file.", "Name a folder: the statement comes with pictures.")
    if (to / DRAFT).exists():
        raise BadRequest(
            f"{to / DRAFT} is there already, and you may have changed it.",
            "Name another folder; nothing is written over.",
        )
    with workspace.read() as session:
        lot = find_lot(session, label)
        now = dispositions(session, lot.pieces)
        claimed = [piece for piece in lot.pieces if now[piece.id] in CLAIMED]
        if not claimed:
            raise BadRequest(
                f"No piece of {lot.label} is rejected or returned.",
                f"Decide first: lotproof decide {lot.label}-01 reject --reason '...'",
            )
        missing = dues.missing(session, lot, now)
        gathered = gather(session, workspace.store, lot, claimed)
        paper = _statement(session, lot, claimed, gathered, today)
    paper, pictures = _named_by_label(paper, gathered, claimed)
    files = {DRAFT: papers.text(paper).encode("utf-8")}
    files |= {"statement.pdf": papers.pdf(paper, pictures), **pictures}
    try:
        make_folder(to)
        for name, data in files.items():
            put_whole(to / name, data)
    except OSError as error:
        raise BadRequest(f"{to} cannot be written ({error.strerror or error}).", "Name another folder.") from None
    return StatementWritten(lot.label, tuple(one.label for one in claimed), tuple(to / name for name in files), missing)


def _named_by_label(paper: Sheet, gathered: Gathered, claimed: Sequence[Piece]) -> tuple[Sheet, dict[str, bytes]]:
    """Return the statement and its pictures under names that a seller can tell apart."""
    names = {
        picture.file: f"{piece.label}-{number}.jpg"
        for piece in claimed
        for number, picture in enumerate(gathered.of_piece.get(piece.id, ()), start=1)
    }
    sections = tuple(
        replace(one, pictures=tuple(replace(picture, file=names[picture.file]) for picture in one.pictures))
        for one in paper.sections
    )
    return replace(paper, sections=sections), {new: gathered.pictures[old] for old, new in names.items()}


def _statement(session: Session, lot: Lot, claimed: Sequence[Piece], gathered: Gathered, today: date) -> Sheet:
    order = f", order {lot.order_reference}, line {lot.order_line}" if lot.order_reference else ""
    copy = copy_of(session, lot, Redaction())
    making = Making(gathered, {}, copy, learned(session), len(claimed), plots=False)
    found = [_piece(one) for one in sheets(session, claimed, making)]
    left = len(lot.pieces) - len(claimed)
    others = (f"Nothing is claimed here about the other {left} of the {len(lot.pieces)} pieces.",) if left else ()
    return Sheet(
        title="Statement of facts",
        subtitle=f"To {lot.seller.name}{order}; {today.isoformat()}; our reference {lot.label}",
        mark="Draft: read it, change it, and send it yourself",
        lead=LEAD,
        sections=(
            Section("What was ordered and what arrived", rows=tuple(_ordered(lot))),
            *found,
            *_sent(session, claimed),
            Section("Kept as evidence", points=(*_evidence(session, lot, gathered), *others)),
        ),
        closing=CLOSING,
    )


def _ordered(lot: Lot) -> Iterator[Row]:
    claimed = [lot.claimed_part, lot.claimed_maker, lot.claimed_grade and f"grade {lot.claimed_grade}"]
    yield Row("ordered", f"{lot.quantity_ordered} of {', '.join(word for word in claimed if word)}")
    if lot.condition != "unknown":
        yield Row("described as", lot.condition.replace("-", " "))
    if lot.price:
        yield Row("price of the lot", f"{lot.price} {lot.currency or ''}".strip())
    number = f"{lot.quantity_received} pieces" if lot.quantity_received != 1 else "1 piece"
    short = lot.quantity_ordered - lot.quantity_received
    yield Row("arrived", f"{number} on {lot.arrived_on.isoformat()}" + (f", {short} fewer than ordered" * (short > 0)))


def _piece(one: PieceSheet) -> Section:
    rows = [Row("marking as read", one.marking)] if one.marking else []
    rows += [Row("correction", one.corrected)] if one.corrected else []
    rows += [Row(row.what, f"claimed {row.claimed}; read {row.read}") for row in one.claims if row.stands == "differs"]
    points = [finding.message for finding in one.findings if finding.weight.startswith("+")]
    failed = {run.test for run in one.runs if run.verdict == "fail"}
    # Who names a failure names the other results of the same test as well: a later pass is a fact of the piece.
    for run in (run for run in one.runs if run.test in failed):
        rows += [Row(f"{run.label}, {run.test}", f"{OUTCOME[run.verdict]}. Rule: {run.rule}")]
        rows += [Row(fact.name, fact.value) for fact in run.conditions]
        points += [f"{run.label}: {reason}" for reason in run.reasons]
    return Section(f"Piece {one.label}", tuple(rows), tuple(dict.fromkeys(points)), one.pictures)


def _sent(session: Session, claimed: Sequence[Piece]) -> Iterator[Section]:
    ids = {piece.id: piece.label for piece in claimed}
    rows = session.scalars(select(Shipment).where(Shipment.piece_id.in_(ids)).order_by(Shipment.id))
    latest = {row.piece_id: row for row in rows}
    if latest:
        yield Section("Sent back", points=tuple(f"{ids[number]} {sent_back(row)}" for number, row in latest.items()))


def _evidence(session: Session, lot: Lot, gathered: Gathered) -> Iterator[str]:
    for photo in gathered.photos:
        taken = session.get_one(JournalEntry, photo.entry_id).at[:10]
        yield f"Photo {photo.name}, kept on {taken}, SHA-256 {photo.sha256}"
    for one in session.scalars(select(Document).where(Document.lot_id == lot.id).order_by(Document.id)):
        yield f"{one.kind.capitalize()} {one.name}, SHA-256 {one.sha256}"
    if session.scalar(select(Photo.id).where(Photo.lot_id == lot.id).limit(1)) is None:
        yield "No photo was taken."
