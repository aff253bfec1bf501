"""What is on record about pieces, the latest of each kind: photos, bench runs, what was settled and declared.

Whole rows and documents, for who shows them; sums are made from `tracker/desk/on_record.py`.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import TypeVar

from pydantic import ValidationError
from sqlalchemy import select
from sqlalchemy.orm import Session, aliased, contains_eager, selectinload

from tracker.desk.contract import PieceDocument
from tracker.desk.looks import TOP_ROLES, unreadable
from tracker.desk.on_record import VERDICTS
from tracker.records.models import BenchRun, Decision, Exemplar, Inspection, Lot, Photo, Piece, Settlement

LISTING = "listing"
Row = TypeVar("Row", Settlement, Exemplar)


@dataclass(frozen=True, slots=True)
class Facts:
    """What is on record about one piece, the latest of each kind."""

    inspections: tuple[tuple[str, Inspection], ...]
    """(role of the photo, inspection), one a role."""
    documents: tuple[PieceDocument, ...]
    """What was kept with each of `inspections`."""
    runs: tuple[BenchRun, ...]
    """One a test: the latest with a verdict, else the latest."""
    settlement: Settlement | None
    exemplar: Exemplar | None
    disposition: str | None
    """As decided last; None while it is open."""
    reversed: tuple[tuple[BenchRun, BenchRun], ...] = ()
    """(run with a verdict, later run of the same test with the other one): the later alone counts."""

    @property
    def top(self) -> tuple[Inspection, PieceDocument] | None:
        """The inspection whose reading of the marking holds, the newest of an unswabbed top, with what was kept."""
        both = zip(self.inspections, self.documents, strict=True)
        tops = [(one, document) for (role, one), document in both if role in TOP_ROLES]
        return max(tops, key=lambda one: one[0].id, default=None)


def facts_of(session: Session, pieces: Sequence[Piece]) -> dict[int, Facts]:
    """Return the latest facts about each piece, by the piece's id."""
    ids = [piece.id for piece in pieces]
    seen = _seen(session, ids)
    tested: dict[int, dict[str, BenchRun]] = {number: {} for number in ids}
    earlier: dict[int, list[BenchRun]] = {number: [] for number in ids}
    for run in session.scalars(select(BenchRun).where(BenchRun.piece_id.in_(ids)).order_by(BenchRun.id)):
        # An undecided run says nothing, so it takes nothing back either: the verdict before it stands.
        if run.piece_id is not None and (run.verdict in VERDICTS or run.test not in tested[run.piece_id]):
            if (before := tested[run.piece_id].get(run.test)) is not None and before.verdict in VERDICTS:
                earlier[run.piece_id].append(before)
            tested[run.piece_id][run.test] = run
    settled = standing(session.scalars(select(Settlement).where(Settlement.piece_id.in_(ids)).order_by(Settlement.id)))
    decisions = select(Decision.piece_id, Decision.disposition).where(Decision.piece_id.in_(ids)).order_by(Decision.id)
    decided = {row.piece_id: row.disposition for row in session.execute(decisions)}
    declared = standing(session.scalars(select(Exemplar).where(Exemplar.piece_id.in_(ids)).order_by(Exemplar.id)))
    return {
        number: Facts(
            tuple((role, one) for role, (one, _) in seen[number].items()),
            tuple(document for _, document in seen[number].values()),
            tuple(tested[number].values()),
            settled.get(number),
            declared.get(number),
            decided.get(number),
            _reversed(earlier[number], tested[number]),
        )
        for number in ids
    }


def _reversed(earlier: Sequence[BenchRun], latest: dict[str, BenchRun]) -> tuple[tuple[BenchRun, BenchRun], ...]:
    return tuple((run, latest[run.test]) for run in earlier if run.verdict != latest[run.test].verdict)


def _seen(session: Session, ids: Sequence[int]) -> dict[int, dict[str, tuple[Inspection, PieceDocument]]]:
    """Return the latest inspection of each piece in each role, with what was kept.

    A chip in a photo that was later said to be another piece no longer speaks for the first one.
    """
    own = session.execute(
        select(Photo.role, Inspection)
        .join(Inspection.photo)
        .where(Inspection.piece_id.in_(ids))
        .options(selectinload(Inspection.findings))
        .order_by(Inspection.id)
    ).all()
    documents = {one.id: kept_document(one) for _, one in own}
    newest = {(one.photo_id, documents[one.id].index): one.id for _, one in own}
    for other in _said_later(session, ids):
        chip = (other.photo_id, kept_document(other).index)
        newest[chip] = max(newest.get(chip, 0), other.id)
    seen: dict[int, dict[str, tuple[Inspection, PieceDocument]]] = {number: {} for number in ids}
    for role, one in own:
        if newest[one.photo_id, documents[one.id].index] == one.id:
            seen[one.piece_id][role] = (one, documents[one.id])
    return seen


def _said_later(session: Session, ids: Sequence[int]) -> Sequence[Inspection]:
    """Return what was said later of other pieces in the photos of these: few, where a photo shows a whole lot."""
    own, other = aliased(Inspection), aliased(Inspection)
    later = (
        select(other.id)
        .join(own, own.photo_id == other.photo_id)
        .where(own.piece_id.in_(ids), other.piece_id != own.piece_id, other.entry_id > own.entry_id)
    )
    return session.scalars(select(Inspection).where(Inspection.id.in_(later)).order_by(Inspection.id)).all()


def top_inspections(session: Session, pieces: Sequence[Piece]) -> dict[int, Inspection]:
    """Return the inspection whose reading of the marking holds, by the piece's id: the newest of an unswabbed top."""
    found = {}
    for number, by_role in _seen(session, [piece.id for piece in pieces]).items():
        tops = [by_role[role][0] for role in TOP_ROLES if role in by_role]
        if tops:
            found[number] = max(tops, key=lambda one: one.id)
    return found


def inspected_pieces(session: Session, lot: Lot, role: str) -> set[int]:
    """Return the ids of a lot's pieces that have a photo in this role."""
    seen = _seen(session, [piece.id for piece in lot.pieces])
    return {number for number, by_role in seen.items() if role in by_role}


def kept_document(inspection: Inspection) -> PieceDocument:
    """Return what was kept with an inspection.

    Raises
    ------
    Damaged
        When it cannot be read any more.
    """
    try:
        return PieceDocument.model_validate_json(inspection.document)
    except ValidationError as error:
        raise unreadable(inspection.id, error) from None


def standing(rows: Iterable[Row]) -> dict[int, Row]:
    """Return the latest row of each piece, by the piece's id; one that was withdrawn is as if never said."""
    latest = {row.piece_id: row for row in rows}
    return {number: row for number, row in latest.items() if not row.withdrawn}


def standing_exemplars(
    session: Session,
    alike: Callable[[str], bool] | None = None,
    *,
    among: Sequence[int] | None = None,
    most: int | None = None,
) -> list[Piece]:
    """Return pieces declared known good and not withdrawn since, with their lots, the newest declaration first.

    Parameters
    ----------
    alike : callable, optional
        Tells of a claimed part whether pieces of it are wanted.
    among : sequence of int, optional
        Only of these pieces.
    most : int, optional
    """
    later = aliased(Exemplar)
    said_since = select(later.id).where(later.piece_id == Exemplar.piece_id, later.id > Exemplar.id).exists()
    query = select(Piece).join(Exemplar, Exemplar.piece_id == Piece.id).join(Piece.lot)
    query = query.where(~Exemplar.withdrawn, ~said_since).options(contains_eager(Piece.lot))
    if alike is not None:
        parts = session.scalars(select(Lot.claimed_part).distinct()).all()
        query = query.where(Lot.claimed_part.in_([part for part in parts if alike(part)]))
    if among is not None:
        query = query.where(Piece.id.in_(among))
    return list(session.scalars(query.order_by(Exemplar.id.desc()).limit(most)))
