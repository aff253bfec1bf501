"""Gather everything on record about a lot or a piece into a dossier, and write it."""

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

from sqlalchemy import or_, select
from sqlalchemy.orm import Session

from tracker import __version__, journal
from tracker.desk import dossier_figures, dossier_outcome, dossier_pieces, dossier_plates
from tracker.desk.dossier_copy import Copy, copy_of
from tracker.desk.dossier_pictures import Gathered, gather
from tracker.desk.dossier_pieces import Making
from tracker.desk.facts import LISTING
from tracker.desk.learned import learned
from tracker.desk.origin import origin_of
from tracker.desk.pieces import find_lot, find_piece, plain_label
from tracker.desk.whole_file import put_whole
from tracker.desk.workspace import Workspace
from tracker.disk import make_folder
from tracker.dossier import render
from tracker.dossier.model import Dossier, EntryRow, FileRow, Row
from tracker.dossier.plain import mapped
from tracker.dossier.redaction import GONE, Redaction
from tracker.errors import BadRequest
from tracker.evidence import EvidenceStore
from tracker.records.models import (
    BenchRun,
    Decision,
    Document,
    Exemplar,
    Fitting,
    Inspection,
    JournalEntry,
    Lot,
    Photo,
    Piece,
    Settlement,
)

READING = (
    "The suspicion of a piece is the probability that it is not what was claimed. It starts from what is thought of "
    "the kind of source and of the seller's record, and every finding and test adds its weight in decibans (db): "
    "10 db make the odds ten times higher, 3 db about twice, 0 db in all is even odds. Weights are 10 log10 of a "
    "likelihood ratio (I. J. Good).",
    "The weights come from declared counts of how often a finding is seen on genuine and on other pieces. They are "
    "the workshop's opinion (common practice, no published source), not a statistic. Findings of one family are not "
    "independent, so their sum is capped; a finding made twice counts once.",
    "Anyone can check the evidence: the SHA-256 of a file names its bytes, and every journal entry contains the hash "
    "of the one before and digests of what it recorded, up to the head named here.",
    "⟨U+202E⟩ and the like stand for a character that nobody sees or that the fonts of a PDF lack, by its number in "
    "Unicode.",
)
CAUTIONS = (
    "A suspicion is not a proof, and a low one is no warranty: photos show the outside, and bench tests show what was "
    "tested under the conditions named.",
    "Readings of a marking may be wrong; the readers' own opinions stand beside it.",
    "Who repeats a test minds static, solvents, mains, hot parts and lead as usual. Local rules and licensed practice "
    "have the last word.",
)
HTML, PDF = ".html", ".pdf"


EVERYTHING = Redaction()


@dataclass(frozen=True, slots=True)
class DossierWritten:
    """Where a dossier was written, and what it leaves out, in words."""

    subject: str
    files: tuple[Path, ...]
    left_out: tuple[str, ...] = ()


def write_dossier(
    workspace: Workspace,
    label: str,
    to: Path,
    *,
    now: datetime | None = None,
    without: Redaction = EVERYTHING,
) -> DossierWritten:
    """Write the dossier of a lot or a piece.

    Parameters
    ----------
    label : str
        `L0007` or `L0007-03`.
    to : Path
        A file ending in .html or .pdf, or a folder for both.
    now : datetime, optional
        When it is made; the same records at the same time give the same files.
    without : Redaction
        What this copy leaves out; the dossier says so.

    Raises
    ------
    BadRequest
        When nothing has this label, or the path cannot be written.
    """
    word = plain_label(label)
    targets = _targets(to, word)
    made_at = now or datetime.now(UTC)
    with workspace.read() as session:
        lot, pieces = _subject(session, word)
        dossier, pictures = gathered_dossier(session, workspace.store, lot, pieces, made_at, without)
    try:
        for path in targets:
            make_folder(path.parent)
            if path.suffix == PDF:
                put_whole(path, render.pdf(dossier, pictures, made_at))
            else:
                put_whole(path, render.html(dossier, pictures).encode())
    except OSError as error:
        raise BadRequest(
            f"The dossier cannot be written to {to} ({error.strerror or error}).", "Name another path with --to."
        ) from None
    return DossierWritten(word, tuple(targets), without.named)


def _targets(to: Path, word: str) -> list[Path]:
    suffix = to.suffix.lower()
    if suffix in (HTML, PDF):
        return [to.with_suffix(suffix)]
    if suffix and not to.is_dir():
        raise BadRequest(f"A dossier cannot be written as {to.name}.", "Name a file in .html or .pdf, or a folder.")
    return [to / f"{word}{HTML}", to / f"{word}{PDF}"]


def _subject(session: Session, word: str) -> tuple[Lot, Sequence[Piece]]:
    if re.fullmatch(r"L[0-9]+-[0-9]+", word):
        piece = find_piece(session, word)
        return piece.lot, [piece]
    lot = find_lot(session, word)
    return lot, lot.pieces


def gathered_dossier(
    session: Session, store: EvidenceStore, lot: Lot, pieces: Sequence[Piece], now: datetime, without: Redaction
) -> tuple[Dossier, dict[str, bytes]]:
    """Return a dossier and its pictures by file name, with what the copy leaves out taken out of every text."""
    copy = copy_of(session, lot, without)
    known = learned(session)
    chosen = dossier_plates.choose(session, lot, pieces, known)
    wanted = dossier_plates.inspections(chosen)
    gathered = gather(session, store, lot, pieces, wanted, listings=not without.prices)
    making = Making(gathered, chosen, copy, known, len(pieces))
    whole = len(pieces) == len(lot.pieces)
    name = f"lot {lot.label}" if whole and len(pieces) > 1 else f"piece {pieces[0].label}"
    head = journal.head(session)
    sheets = tuple(dossier_pieces.sheets(session, pieces, making))
    dossier = Dossier(
        title=f"Dossier of {name}",
        subtitle=f"{lot.claimed_part}, bought from {lot.seller.name}",
        made_at=f"{now.astimezone(UTC):%Y-%m-%d %H:%M} UTC",
        version=__version__,
        facts=(*_facts(lot, pieces, copy), *_origin(session, lot)),
        pieces=sheets,
        pictures=tuple(replace(one, caption=copy.words(one.caption)) for one in gathered.whole),
        files=_files(session, store, lot, pieces, gathered, copy),
        entries=_entries(session, lot, pieces, copy),
        head=f"entry {head.entry}, {head.hash}",
        signed=_signed(session, head),
        methods=tuple(Row(key, value) for key, value in sorted(gathered.methods.items())),
        cautions=CAUTIONS,
        reading=READING,
        outcome=dossier_outcome.outcome(session, pieces, copy, known),
        left_out=_left_out(without, gathered),
        operators=not without.operators,
    )
    return mapped(dossier, copy.secrets.out_of), gathered.pictures


def _left_out(without: Redaction, gathered: Gathered) -> tuple[str, ...]:
    """Return what this copy does without, in words; the seller's own pictures go with the prices that stand in them."""
    listings = without.prices and any(photo.role == LISTING for photo in gathered.photos)
    return (*without.named, *(("the seller's listing pictures",) if listings else ()))


def _facts(lot: Lot, pieces: Sequence[Piece], copy: Copy) -> tuple[Row, ...]:
    claimed = ", ".join(
        word for word in (lot.claimed_part, lot.claimed_maker, lot.claimed_grade, f"condition: {lot.condition}") if word
    )
    order = f"{lot.order_reference}, line {lot.order_line}" if lot.order_reference else "not given"
    price = f"{lot.price} {lot.currency or ''}".strip() if lot.price else "not given"
    facts = [
        ("claimed", claimed),
        ("seller", f"{lot.seller.name} ({lot.source_kind})"),
        ("order", copy.words(order)),
        ("quantity", f"{lot.quantity_ordered} ordered, {lot.quantity_received} received"),
        ("price of the lot", GONE if copy.redaction.prices else price),
        ("arrived", lot.arrived_on.isoformat()),
        ("claim by", lot.claim_by.isoformat() if lot.claim_by else "not given"),
        ("pieces in here", _pieces_named(pieces)),
        ("remark", copy.words(lot.remark)),
    ]
    return tuple(Row(name, value) for name, value in facts if value)


def _origin(session: Session, lot: Lot) -> tuple[Row, ...]:
    origin = origin_of(session, lot)
    if origin is None:
        return ()
    return (Row("received from", f"{origin.sentence}. What they found is kept as theirs and counts for nothing here."),)


def _pieces_named(pieces: Sequence[Piece]) -> str:
    return pieces[0].label if len(pieces) == 1 else f"{pieces[0].label} to {pieces[-1].label}"


def _files(
    session: Session, store: EvidenceStore, lot: Lot, pieces: Sequence[Piece], gathered: Gathered, copy: Copy
) -> tuple[FileRow, ...]:
    documents = session.scalars(select(Document).where(Document.lot_id == lot.id).order_by(Document.id))
    found = [(one.kind, one.name, one.size_bytes, one.sha256) for one in documents]
    found += [(f"photo, {one.role}", one.name, one.size_bytes, one.sha256) for one in gathered.photos]
    found += [("annotated", name, size, sha256) for name, size, sha256 in gathered.overlays]
    runs = select(BenchRun).where(BenchRun.piece_id.in_([piece.id for piece in pieces])).order_by(BenchRun.id)
    for run in session.scalars(runs):
        table = dossier_figures.parsed(run).get("table")
        if isinstance(table, dict) and table.get("sha256"):
            size = store.digest(str(table["sha256"]))[1]
            found.append((f"readings of {run.label}", str(table.get("name")), size, str(table["sha256"])))
    return tuple(FileRow(kind, copy.words(name), f"{size:,} B", sha256) for kind, name, size, sha256 in found)


def _signed(session: Session, head: journal.Head) -> str:
    key = session.scalar(select(JournalEntry.signing_key).where(JournalEntry.id == head.entry))
    return "not signed" if key is None else f"signed with key {key}"


def _entries(session: Session, lot: Lot, pieces: Sequence[Piece], copy: Copy) -> tuple[EntryRow, ...]:
    """Return the journal entries that wrote anything about the lot or these pieces, oldest first."""
    ids = [piece.id for piece in pieces]
    wrote: set[int] = {lot.entry_id}
    for model in (Inspection, BenchRun, Decision, Settlement, Exemplar, Fitting):
        wrote |= set(session.scalars(select(model.entry_id).where(model.piece_id.in_(ids))))
    wrote |= set(session.scalars(select(Document.entry_id).where(Document.lot_id == lot.id)))
    wrote |= set(session.scalars(select(Photo.entry_id).where(Photo.lot_id == lot.id)))
    rows = session.scalars(
        select(JournalEntry)
        .where(or_(JournalEntry.id.in_(wrote), JournalEntry.subject.in_([piece.label for piece in pieces])))
        .order_by(JournalEntry.id)
    )
    return tuple(
        EntryRow(
            one.id,
            dossier_pieces.instant(one.at),
            copy.operator(one.operator),
            one.act,
            one.subject,
            one.hash,
            _wrote(journal.program_of(one)),
        )
        for one in rows
    )


def _wrote(program: str | None) -> str:
    return "" if program is None else f"written by lotproof {program}"
