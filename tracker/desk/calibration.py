"""Whether suspicions hold: every piece whose truth is known, judged as if nothing were known of its lot."""

from collections.abc import Sequence
from dataclasses import replace
from functools import cache

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracker.desk import calibration_kept
from tracker.desk.assess import looked_for, of_bench, of_photos, reused_pictures
from tracker.desk.calibrated import Calibration, IndicatorMoved, IndicatorsMoved, Judged, reliability_of
from tracker.desk.known_pieces import MOST_AT_ONCE
from tracker.desk.learned import Learned, learned
from tracker.desk.on_record import VERDICTS, OnRecord, on_record
from tracker.desk.truths import Truth
from tracker.desk.workspace import Workspace
from tracker.journal import head
from tracker.judgement.counts import CLEAR
from tracker.judgement.prior import before_looking
from tracker.judgement.scores import LEAST_OF_EITHER, Scores, scores
from tracker.judgement.suspicion import combine, counted
from tracker.judgement.weights import Weights, declared
from tracker.records.models import Lot, Piece

LEAST_PIECES = 30
"""With fewer settled pieces, nothing is said (common practice, no source: a share is then known to a fifth at best)."""


def calibration(workspace: Workspace, *, earlier: bool = False, with_pieces: bool = True) -> Calibration:
    """Return how the suspicions of all pieces whose truth is known have held.

    Parameters
    ----------
    earlier : bool
        Rather than work it out anew, take what held at an earlier journal entry if that was kept; `behind` says so.
    with_pieces : bool
        Without, `judged` may be empty: what is said of all pieces together is kept by itself, and quicker to read.
    """
    with workspace.read() as session:
        now = head(session)
        said = None if with_pieces else calibration_kept.load_said(session)
        if said is not None and (earlier or said[0] == now):
            return replace(said[1], behind=now.entry - said[0].entry)
        kept = calibration_kept.load(session)
        if kept is not None and (earlier or kept.head == now):
            found = _said_of(kept.weights, kept.judged, kept.left_out)
            calibration_kept.keep_said(session, kept.head, found)
            return replace(found, behind=now.entry - kept.head.entry)
        known = learned(session)
        judged, left_out = _judged(session, known)
        found = _said_of(known.experience.version, judged, left_out)
        calibration_kept.keep(session, now, found.weights, judged, left_out)
        calibration_kept.keep_said(session, now, found)
    return found


def refresh(workspace: Workspace, *, older_s: float) -> None:
    """Work out anew what was kept, where entries came since and it is older than so many seconds."""
    with workspace.read() as session:
        wanted = calibration_kept.is_old(session, older_s)
    if wanted:
        calibration(workspace)


def _said_of(weights: str, judged: tuple[Judged, ...], left_out: int) -> Calibration:
    found = scores([one.suspicion for one in judged], [one.not_genuine for one in judged]) if judged else None
    return Calibration(
        weights=weights,
        judged=judged,
        left_out=left_out,
        enough=len(judged) >= LEAST_PIECES,
        said=_said(judged),
        scores=found,
        reliability=() if found is None else reliability_of(found),
        notes=_notes(judged, left_out, found),
    )


def indicators_moved(workspace: Workspace) -> IndicatorsMoved:
    """Return what settled pieces did to each indicator's weight."""
    with workspace.read() as session:
        now = learned(session).experience.weights
    before, rows = declared(), []
    for code, taught in now.taught.items():
        known = now.indicator(code)
        rows.append(
            IndicatorMoved(
                code=code,
                family=known.family,
                title=known.title,
                declared_not_genuine=known.not_genuine.present / known.not_genuine.total,
                declared_genuine=known.genuine.present / known.genuine.total,
                seen_not_genuine=taught.not_genuine.present,
                of_not_genuine=taught.not_genuine.total,
                seen_genuine=taught.genuine.present,
                of_genuine=taught.genuine.total,
                pieces=taught.pieces,
                lots=taught.lots,
                declared_db=before.weight_db(code, CLEAR),
                now_db=now.weight_db(code, CLEAR),
            )
        )
    rows.sort(key=lambda row: (-abs(row.moved_db), row.code))
    return IndicatorsMoved(now.version, now.declared_pieces, now.together, tuple(rows))


def _judged(session: Session, known: Learned) -> tuple[tuple[Judged, ...], int]:
    judged, left_out = [], 0
    lots = {lot.id: lot for lot in session.scalars(select(Lot))} if known.truths else {}
    weights_of = cache(known.experience.without_lot)
    for start in range(0, len(known.truths), MOST_AT_ONCE):
        some = known.truths[start : start + MOST_AT_ONCE]
        query = select(Piece).where(Piece.id.in_([truth.piece for truth in some]))
        pieces = {piece.id: piece for piece in session.scalars(query)}
        facts = on_record(session, pieces)
        for truth in some:
            if _looked_at(facts[truth.piece], truth):
                judged.append(
                    _judge(
                        truth, pieces[truth.piece], lots[truth.lot], facts[truth.piece], known, weights_of(truth.lot)
                    )
                )
            else:
                left_out += 1
    return tuple(judged), left_out


def _looked_at(facts: OnRecord, truth: Truth) -> bool:
    tested = not truth.by_bench and any(run.verdict in VERDICTS for run in facts.runs)
    return bool(facts.looks) or tested


def _judge(truth: Truth, piece: Piece, lot: Lot, facts: OnRecord, known: Learned, weights: Weights) -> Judged:
    items = [*of_photos(facts, weights), *reused_pictures(truth.lot, known.pictures, weights)]
    if not truth.by_bench:
        items += of_bench(facts.runs, weights)
    before = before_looking(lot.source_kind, *known.records.of(truth.seller, without_lot=truth.lot))
    found = combine(before.db, items, silences=looked_for(facts, weights), together=weights.together)
    return Judged(piece.label, lot.label, found.probability, truth.not_genuine, truth.by_bench)


def _said(judged: Sequence[Judged]) -> str:
    if not judged:
        return f"No settled piece yet: nothing can be said; from about {LEAST_PIECES} on."
    pieces = counted(len(judged), "settled piece")
    if len(judged) < LEAST_PIECES:
        return f"{pieces}: nothing can be said yet; from about {LEAST_PIECES} on."
    bad = sum(one.not_genuine for one in judged)
    return f"{pieces} of {counted(len({one.lot for one in judged}), 'lot')}, {bad} of them not genuine."


def _notes(judged: Sequence[Judged], left_out: int, found: Scores | None) -> tuple[str, ...]:
    notes = []
    if left_out:
        notes.append(f"{counted(left_out, 'settled piece')} left out: nothing of it was ever looked at.")
    by_bench = sum(one.by_bench for one in judged)
    if by_bench:
        notes.append(
            f"Of {by_bench} the truth rests on the bench and a decision; these are judged here by their photos alone. "
            "Who decided knew the suspicion, so the figures look better than they are."
        )
    if len({one.lot for one in judged}) < len(judged):
        notes.append("Pieces of one lot are not independent: the intervals shown are too narrow.")
    if found is not None and found.area is None:
        notes.append(f"How well they are told apart is said from {LEAST_OF_EITHER} settled pieces of either kind on.")
    return tuple(notes)
