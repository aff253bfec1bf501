"""Everything on record about one lot, piece, machine or run."""

import json
import re
from dataclasses import dataclass, replace
from datetime import date
from typing import TYPE_CHECKING, Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracker import journal
from tracker.desk.corrections import ByHand
from tracker.desk.events import Event, in_order, piece_events
from tracker.desk.listing import lot_row, piece_rows
from tracker.desk.origin import Origin, Theirs, origin_of, theirs
from tracker.desk.pieces import disposition, find_lot, find_machine, find_piece, machine_or_none, plain_label, seat
from tracker.desk.rows import LotRow, PieceRow
from tracker.desk.sellers import SellerShown, find_seller_or_none, seller_shown
from tracker.desk.workspace import Workspace
from tracker.errors import NoSuch
from tracker.judgement.counts import Basis
from tracker.judgement.siblings import SiblingsReading, siblings_reading
from tracker.judgement.suspicion import InVain
from tracker.records.models import (
    BenchRun,
    Document,
    Fitting,
    JournalEntry,
    Machine,
    Photo,
    Piece,
)

if TYPE_CHECKING:
    from tracker.desk.learned import Learned
    from tracker.desk.lot_plans import LotOutlook


@dataclass(frozen=True, slots=True)
class File:
    """A document or photo that is kept; `kind` is the document's kind or the photo's role."""

    kind: str
    name: str
    sha256: str
    size_bytes: int


@dataclass(frozen=True, slots=True)
class Measured:
    """One bench run in short; weight in decibans."""

    run: str
    test: str
    verdict: str
    weight_db: float
    at: str


@dataclass(frozen=True, slots=True)
class FindingShown:
    """One finding of the latest inspection of each photo role; weight in decibans."""

    code: str
    family: str
    weight_db: float
    message: str


@dataclass(frozen=True, slots=True)
class SumShown:
    """One line of the sum that gives the suspicion; weight in decibans, `basis` the counts it stands on."""

    text: str
    weight_db: float
    kind: str = "finding"
    family: str | None = None
    code: str | None = None
    basis: Basis | None = None


@dataclass(frozen=True, slots=True)
class LotShown:
    """One lot with its pieces and papers, and what is known of it as a whole (None for a lot without pieces)."""

    summary: LotRow
    remark: str | None
    pieces: tuple[PieceRow, ...]
    documents: tuple[File, ...]
    photos: tuple[File, ...]
    origin: Origin | None = None
    theirs: tuple[Theirs, ...] = ()
    """What the workshop it was taken over from found; it counts for nothing in our sums."""
    outlook: "LotOutlook | None" = None


@dataclass(frozen=True, slots=True)
class PieceShown:
    """One piece: claim, what was seen and measured, the sum of its suspicion, and what was decided."""

    summary: PieceRow
    maker: str | None
    grade: str | None
    condition: str
    marking: str | None
    machine_name: str | None
    sum: tuple[SumShown, ...]
    findings: tuple[FindingShown, ...]
    runs: tuple[Measured, ...]
    photos: tuple[File, ...]
    events: tuple[Event, ...]
    siblings_read: tuple[SiblingsReading, ...] = ()
    """Where siblings read a line otherwise than this piece's own reading, which stands unchanged in `marking`."""
    in_vain: tuple[InVain, ...] = ()
    """What was looked for and not found, counted in the sum or not."""
    weights: str = ""
    """Which counts the weights stand on: the declared ones' version, and how many settled pieces added to them."""
    origin: Origin | None = None
    theirs: tuple[Theirs, ...] = ()
    corrected: ByHand | None = None
    """Where a person corrected the reading that `marking` is."""


@dataclass(frozen=True, slots=True)
class Held:
    """One piece that sits, or sat, in a machine."""

    position: str
    piece: str
    part: str
    disposition: str
    here: bool


@dataclass(frozen=True, slots=True)
class MachineShown:
    """One machine: what it holds and held, its runs, its events."""

    machine: str
    name: str
    owner_reference: str | None
    positions: tuple[Held, ...]
    runs: tuple[Measured, ...]
    events: tuple[Event, ...]


@dataclass(frozen=True, slots=True)
class RunShown:
    """One bench run whole; `result` is the JSON text of the test's own result, SI units; weight in decibans."""

    run: str
    test: str
    subject: str
    verdict: str
    weight_db: float
    rule: str
    at: str
    operator: str
    program: str | None
    """Version of the program that recorded it; the oldest entries of the journal do not say."""
    supply_v: float | None
    ambient_c: float | None
    jig: str | None
    instrument: str | None
    remark: str | None
    result: str
    samples: tuple[tuple[tuple[str, Any], ...], ...]
    """Raw readings in order: (column, value) for each column that is filled."""


Shown = LotShown | PieceShown | MachineShown | RunShown | SellerShown


def show(workspace: Workspace, label: str, *, today: date | None = None) -> Shown:
    """Return everything on record about what a label names.

    Parameters
    ----------
    label : str
        `L0007`, `L0007-03`, `M0002`, `B0005`, a machine's name, or a seller's where no machine has it.
    today : date, optional
        For what is left of a claim window; the day it is here where none is given.

    Raises
    ------
    BadRequest
        When nothing has this label.
    """
    word = plain_label(label)
    with workspace.read() as session:
        if re.fullmatch(r"L[0-9]+-[0-9]+", word):
            piece = find_piece(session, word)
            return replace(piece_shown(session, piece), siblings_read=_siblings_read(session, piece))
        if re.fullmatch(r"L[0-9]+", word):
            return _lot(session, word, today or date.today())
        if re.fullmatch(r"B[0-9]+", word):
            return _run(session, word)
        if machine_or_none(session, label) is None and (seller := find_seller_or_none(session, label)) is not None:
            return seller_shown(session, seller)
        return _machine(session, label)


def _lot(session: Session, label: str, today: date) -> LotShown:
    from tracker.desk.assess import judged
    from tracker.desk.learned import learned
    from tracker.desk.lot_plans import lot_outlook

    lot, known = find_lot(session, label), learned(session)
    found = judged(session, {piece.id: lot.id for piece in lot.pieces}, known)
    rows = piece_rows(session, lot.pieces, known, found)
    documents = session.scalars(select(Document).where(Document.lot_id == lot.id).order_by(Document.id))
    photos = session.scalars(select(Photo).where(Photo.lot_id == lot.id).order_by(Photo.id))
    return LotShown(
        summary=lot_row(lot, rows),
        remark=lot.remark,
        pieces=tuple(rows),
        documents=tuple(File(one.kind, one.name, one.sha256, one.size_bytes) for one in documents),
        photos=tuple(_photo(one) for one in photos),
        origin=origin_of(session, lot),
        theirs=theirs(session, lot),
        outlook=lot_outlook(session, lot, known, found, today=today),
    )


def _photo(photo: Photo) -> File:
    return File(photo.role, photo.name, photo.sha256, photo.size_bytes)


def piece_shown(session: Session, piece: Piece, known: "Learned | None" = None) -> PieceShown:
    """Return everything on record about one piece.

    Parameters
    ----------
    known : Learned, optional
        What the workshop has learned; who shows several pieces hands it in.
    """
    from tracker.desk.assess import piece_suspicion
    from tracker.desk.corrections import by_hand
    from tracker.desk.facts import facts_of
    from tracker.desk.learned import learned

    known = known or learned(session)
    suspicion = piece_suspicion(session, piece, known)

    facts = facts_of(session, [piece])[piece.id]
    latest = dict(facts.inspections)
    top = facts.top
    sits = seat(session, piece)
    findings = [finding for one in latest.values() for finding in one.findings]
    return PieceShown(
        summary=piece_rows(session, [piece], known)[0],
        maker=piece.lot.claimed_maker,
        grade=piece.lot.claimed_grade,
        condition=piece.lot.condition,
        marking=top[0].marking if top else None,
        machine_name=sits.machine.name if sits else None,
        sum=tuple(
            SumShown(line.text, line.weight_db, line.kind, line.family, line.code, line.basis)
            for line in suspicion.lines
        ),
        in_vain=suspicion.in_vain,
        weights=known.experience.version,
        findings=tuple(FindingShown(one.code, one.family, one.weight_db, one.message) for one in findings),
        runs=_runs(session, BenchRun.piece_id == piece.id),
        photos=tuple(_photo(one.photo) for one in latest.values()),
        events=piece_events(session, piece),
        origin=origin_of(session, piece.lot),
        theirs=theirs(session, piece.lot, piece),
        corrected=by_hand(session, *top) if top else None,
    )


def _siblings_read(session: Session, piece: Piece) -> tuple[SiblingsReading, ...]:
    """Return what the siblings read on each line of a piece where they read otherwise, by their latest photos."""
    from tracker.desk.looks import looks_at

    looks = looks_at(session, [one.id for one in piece.lot.pieces])
    seen = {one.id: top.marking for one in piece.lot.pieces if (top := looks.top(one.id)) is not None}
    if piece.id not in seen:
        return ()
    order = [piece.id, *(number for number in seen if number != piece.id)]
    lines = [[line for line in seen[number].split(" / ") if line] for number in order]
    others = zip(lines[0], siblings_reading(lines, 0), strict=True)
    return tuple(said for own, said in others if said is not None and said.text != own)


def _runs(session: Session, which: Any) -> tuple[Measured, ...]:
    query = select(BenchRun, JournalEntry.at).join(JournalEntry, JournalEntry.id == BenchRun.entry_id).where(which)
    return tuple(
        Measured(run.label, run.test, run.verdict, run.weight_db, at)
        for run, at in session.execute(query.order_by(BenchRun.id))
    )


def _machine(session: Session, label: str) -> MachineShown:
    machine = find_machine(session, label, or_seller=True)
    query = select(Fitting, Piece).join(Piece, Piece.id == Fitting.piece_id).where(Fitting.machine_id == machine.id)
    rows = session.execute(query.order_by(Fitting.entry_id, Fitting.id)).all()
    told = [
        (row, f"{piece.label} {'fitted at' if row.fitted else 'taken out of'} {row.position}", row.reason)
        for row, piece in rows
    ]
    held = {(row.position, piece.id): (row, piece) for row, piece in rows}
    positions = [
        Held(row.position, piece.label, piece.lot.claimed_part, disposition(session, piece), row.fitted)
        for row, piece in held.values()
    ]
    positions.sort(key=lambda one: (not one.here, one.position.casefold(), one.piece))
    return MachineShown(
        machine=machine.label,
        name=machine.name,
        owner_reference=machine.owner_reference,
        positions=tuple(positions),
        runs=_runs(session, BenchRun.machine_id == machine.id),
        events=in_order(session, told),
    )


def _run(session: Session, label: str) -> RunShown:
    run = session.scalar(select(BenchRun).where(BenchRun.label == label))
    if run is None:
        raise NoSuch(f"There is no bench run {label}.", "`lotproof list runs` shows those there are.")
    return run_shown(session, run)


def run_shown(session: Session, run: BenchRun) -> RunShown:
    """Return everything on record about one bench run."""
    entry = session.get_one(JournalEntry, run.entry_id)
    subject = session.get(Piece, run.piece_id) if run.piece_id else session.get(Machine, run.machine_id)
    skipped = ("id", "entry_id", "run_id", "position")
    columns = [column.name for column in run.samples[0].__table__.columns] if run.samples else []
    filled = [name for name in columns if name not in skipped]
    return RunShown(
        run=run.label,
        test=run.test,
        subject=subject.label if subject else "",
        verdict=run.verdict,
        weight_db=run.weight_db,
        rule=run.rule,
        at=entry.at,
        operator=entry.operator,
        program=journal.program_of(entry),
        supply_v=run.supply_v,
        ambient_c=run.ambient_c,
        jig=run.jig,
        instrument=run.instrument,
        remark=run.remark,
        result=run.result,
        samples=tuple(
            tuple((name, getattr(one, name)) for name in filled if getattr(one, name) is not None)
            for one in run.samples
        ),
    )


def result_of(run: RunShown) -> Any:
    """Return a run's own result parsed; the text itself when it is no JSON."""
    try:
        return json.loads(run.result)
    except ValueError:
        return run.result
