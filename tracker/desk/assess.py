"""How suspicious a piece is now: photos, bench and settlements in one sum."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TypeVar

from pydantic import ValidationError
from sqlalchemy import or_, select
from sqlalchemy.orm import Session, selectinload

from tracker.desk.contract import PieceDocument
from tracker.errors import Damaged
from tracker.judgement.prior import Prior, before_looking
from tracker.judgement.suspicion import Suspicion, Weighed, combine, weigh
from tracker.judgement.weights import indicator, weight_db
from tracker.records.models import (
    BenchRun,
    Decision,
    Document,
    Exemplar,
    Inspection,
    Lot,
    Photo,
    Piece,
    Settlement,
)

TEST_NAMES = {
    "current": "supply current",
    "clock": "clock ceiling",
    "soak": "heat soak",
    "signature": "electronic signature",
    "curve": "pin curves",
    "in-circuit": "in-circuit",
}
LISTING, REUSED = "listing", "picture-reused"
TOP_ROLES = ("top", "before-swab")
"""Roles of photos that show a marking as it came."""
VERDICTS = ("pass", "fail")
Row = TypeVar("Row", Settlement, Exemplar)


@dataclass(frozen=True, slots=True)
class Facts:
    """What is on record about one piece, the latest of each kind."""

    inspections: tuple[tuple[str, Inspection], ...]
    """(role of the photo, inspection), one a role."""
    runs: tuple[BenchRun, ...]
    """One a test: the latest with a verdict, else the latest."""
    settlement: Settlement | None
    exemplar: Exemplar | None


def piece_suspicion(session: Session, piece: Piece) -> Suspicion:
    """Return how suspicious one piece is now, with the lines of the sum."""
    return piece_suspicions(session, [piece])[piece.id]


def piece_suspicions(session: Session, pieces: Sequence[Piece]) -> dict[int, Suspicion]:
    """Return how suspicious each piece is now, by the piece's id.

    Notes
    -----
    The prior is today's: the seller's record may have changed since a photo was inspected. Findings keep the weights
    they were recorded with; a code found in several photos counts once, at its strongest; of several runs of one test
    the latest with a verdict counts.
    """
    facts = facts_of(session, pieces)
    records = _SellerRecords(session)
    reused = {lot.id: _reused_pictures(session, lot) for lot in {piece.lot for piece in pieces}}
    found = {}
    for piece in pieces:
        before = before_looking(piece.lot.source_kind, *records.of(piece.lot, without=piece))
        items = (*weighed(facts[piece.id]), *reused[piece.lot_id])
        found[piece.id] = combine(before.db, items, prior_text=before.text)
    return found


def prior_of(session: Session, lot: Lot) -> Prior:
    """Return what is thought of a lot's pieces before looking at them."""
    return before_looking(lot.source_kind, *_SellerRecords(session).of(lot))


def _reused_pictures(session: Session, lot: Lot) -> list[Weighed]:
    """Return whether a listing picture of the lot was, to the byte, an earlier lot's as well; other orders only."""
    photos = select(Photo.lot_id, Photo.sha256).where(Photo.role == LISTING)
    papers = select(Document.lot_id, Document.sha256).where(Document.kind == LISTING)
    shown: dict[str, set[int]] = {}
    for lot_id, sha256 in [*session.execute(photos), *session.execute(papers)]:
        shown.setdefault(sha256, set()).add(lot_id)
    earlier = {number for lots in shown.values() if lot.id in lots for number in lots if number < lot.id}
    others = [
        other
        for other in session.scalars(select(Lot).where(Lot.id.in_(earlier)).order_by(Lot.id))
        if (other.seller_id, other.order_reference) != (lot.seller_id, lot.order_reference) or not lot.order_reference
    ]
    if not others:
        return []
    message = f"Its listing picture was used before, for {', '.join(other.label for other in others)}."
    return [Weighed(REUSED, indicator(REUSED).family, weight_db(REUSED), message)]


def weighed(facts: Facts) -> tuple[Weighed, ...]:
    """Return everything on record about a piece with its weight."""
    return (*_of_photos(facts), *_of_bench(facts.runs), *_of_truth(facts))


def facts_of(session: Session, pieces: Sequence[Piece]) -> dict[int, Facts]:
    """Return the latest facts about each piece, by the piece's id."""
    ids = [piece.id for piece in pieces]
    seen = _inspections(session, ids)
    tested: dict[int, dict[str, BenchRun]] = {number: {} for number in ids}
    for run in session.scalars(select(BenchRun).where(BenchRun.piece_id.in_(ids)).order_by(BenchRun.id)):
        # An undecided run says nothing, so it takes nothing back either: the verdict before it stands.
        if run.piece_id is not None and (run.verdict in VERDICTS or run.test not in tested[run.piece_id]):
            tested[run.piece_id][run.test] = run
    settled = _standing(session.scalars(select(Settlement).where(Settlement.piece_id.in_(ids)).order_by(Settlement.id)))
    declared = _standing(session.scalars(select(Exemplar).where(Exemplar.piece_id.in_(ids)).order_by(Exemplar.id)))
    return {
        number: Facts(
            tuple(seen[number].items()),
            tuple(tested[number].values()),
            settled.get(number),
            declared.get(number),
        )
        for number in ids
    }


def _inspections(session: Session, ids: Sequence[int]) -> dict[int, dict[str, Inspection]]:
    """Return the latest inspection of each piece in each role.

    A chip in a photo that was later said to be another piece no longer speaks for the first one.
    """
    photos = select(Inspection.photo_id).where(Inspection.piece_id.in_(ids))
    rows = session.execute(
        select(Photo.role, Inspection)
        .join(Inspection.photo)
        .where(Inspection.photo_id.in_(photos))
        .options(selectinload(Inspection.findings))
        .order_by(Inspection.id)
    ).all()
    latest = {(one.photo_id, kept_document(one).index): (role, one) for role, one in rows}
    seen: dict[int, dict[str, Inspection]] = {number: {} for number in ids}
    for role, one in sorted(latest.values(), key=lambda pair: pair[1].id):
        if one.piece_id in seen:
            seen[one.piece_id][role] = one
    return seen


def top_inspections(session: Session, pieces: Sequence[Piece]) -> dict[int, Inspection]:
    """Return the inspection whose reading of the marking holds, by the piece's id: the newest of an unswabbed top."""
    found = {}
    for number, by_role in _inspections(session, [piece.id for piece in pieces]).items():
        tops = [by_role[role] for role in TOP_ROLES if role in by_role]
        if tops:
            found[number] = max(tops, key=lambda one: one.id)
    return found


def inspected_pieces(session: Session, lot: Lot, role: str) -> set[int]:
    """Return the ids of a lot's pieces that have a photo in this role."""
    seen = _inspections(session, [piece.id for piece in lot.pieces])
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
        raise Damaged(
            f"The inspection {inspection.id} kept in the records cannot be read ({error.error_count()} faults).",
            "Run `lotproof verify`; photograph the piece again.",
        ) from None


def _standing(rows: Iterable[Row]) -> dict[int, Row]:
    """Return the latest row of each piece, by the piece's id; one that was withdrawn is as if never said."""
    latest = {row.piece_id: row for row in rows}
    return {number: row for number, row in latest.items() if not row.withdrawn}


def standing_exemplars(session: Session) -> list[Piece]:
    """Return the pieces declared known good and not withdrawn since, the newest declaration first."""
    rows = session.scalars(select(Exemplar).order_by(Exemplar.id)).all()
    standing = sorted(_standing(rows).values(), key=lambda row: -row.id)
    pieces = {
        piece.id: piece for piece in session.scalars(select(Piece).where(Piece.id.in_([r.piece_id for r in rows])))
    }
    return [pieces[row.piece_id] for row in standing]


def _of_photos(facts: Facts) -> list[Weighed]:
    strongest: dict[str, Weighed] = {}
    looked_for: list[str] = []
    for _, inspection in facts.inspections:
        looked_for += kept_document(inspection).piece.looked_for
        for finding in inspection.findings:
            known = strongest.get(finding.code)
            if known is None or finding.weight_db > known.weight_db:
                strongest[finding.code] = Weighed(finding.code, finding.family, finding.weight_db, finding.message)
    in_vain = weigh([], (code for code in looked_for if code not in strongest))
    return [*sorted(strongest.values(), key=lambda item: -item.weight_db), *in_vain]


def _of_bench(runs: Iterable[BenchRun]) -> list[Weighed]:
    return [
        Weighed(
            code=f"bench-{run.test}-{run.verdict}",
            family="heat" if run.test == "soak" else "electrical",
            weight_db=run.weight_db,
            message=f"Bench test {run.label}, {TEST_NAMES.get(run.test, run.test)}: {run.verdict}",
        )
        for run in runs
        if run.verdict in VERDICTS
    ]


def _of_truth(facts: Facts) -> list[Weighed]:
    found = []
    if facts.exemplar is not None:
        found.append(_truth("declared-exemplar", f"Declared a known-good piece: {facts.exemplar.grounds}"))
    if facts.settlement is not None:
        code = "settled-genuine" if facts.settlement.genuine else "settled-not-genuine"
        found.append(_truth(code, f"{indicator(code).title.capitalize()}: {facts.settlement.grounds}"))
    return found


def _truth(code: str, message: str) -> Weighed:
    return Weighed(code, indicator(code).family, weight_db(code), message)


class _SellerRecords:
    """Counts of a seller's pieces whose truth is known, each lot counting as one piece at most.

    Pieces of one lot are mostly all good or all bad, so twenty bad ones of one lot are one experience, not twenty
    (common practice, no source). The truth of a piece is a settlement, or a decision that a bench test agrees with: a
    decision from photos alone must not come back as evidence about the seller.
    """

    def __init__(self, session: Session) -> None:
        self._session = session
        self._known: dict[int, dict[int, dict[int, bool]]] = {}

    def of(self, lot: Lot, *, without: Piece | None = None) -> tuple[float, float]:
        """Return (bad, good) of the lot's seller; a piece is left out of its own prior."""
        seller = lot.seller_id
        left_out = None if without is None else without.id
        if seller not in self._known:
            self._known[seller] = self._truths(seller)
        bad = good = 0.0
        for known in self._known[seller].values():
            truths = [is_bad for number, is_bad in known.items() if number != left_out]
            if truths:
                bad += sum(truths) / len(truths)
                good += 1 - sum(truths) / len(truths)
        return round(bad, 3), round(good, 3)

    def _truths(self, seller_id: int) -> dict[int, dict[int, bool]]:
        # Only these can have a truth (see `_is_bad`); a seller's other pieces, thousands of them, need not be read.
        told = or_(Piece.id.in_(select(Settlement.piece_id)), Piece.id.in_(select(BenchRun.piece_id)))
        pieces = self._session.scalars(select(Piece).join(Piece.lot).where(Lot.seller_id == seller_id, told)).all()
        ids = [piece.id for piece in pieces]
        facts = facts_of(self._session, pieces)
        decided: dict[int, str] = {}
        for decision in self._session.scalars(select(Decision).where(Decision.piece_id.in_(ids)).order_by(Decision.id)):
            decided[decision.piece_id] = decision.disposition
        truths: dict[int, dict[int, bool]] = {}
        for piece in pieces:
            is_bad = _is_bad(facts[piece.id], decided.get(piece.id))
            if is_bad is not None:
                truths.setdefault(piece.lot_id, {})[piece.id] = is_bad
        return truths


def _is_bad(facts: Facts, disposition: str | None) -> bool | None:
    """Return whether a piece is known to be bad; None where that is not known."""
    if facts.settlement is not None:
        return not facts.settlement.genuine
    verdicts = {run.verdict for run in facts.runs}
    if disposition in ("rejected", "returned") and "fail" in verdicts:
        return True
    if disposition == "accepted" and "pass" in verdicts and "fail" not in verdicts:
        return False
    return None
