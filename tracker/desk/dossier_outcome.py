"""What came of a lot or a piece, in the few sentences of a dossier's first page; counts, not accusations."""

from collections import Counter
from collections.abc import Sequence

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracker.desk.assess import piece_suspicions
from tracker.desk.dossier_copy import Copy
from tracker.desk.facts import Facts, facts_of
from tracker.desk.learned import Learned
from tracker.desk.pieces import dispositions
from tracker.judgement.suspicion import percent
from tracker.records.models import Decision, Piece

MORE_LIKELY_THAN_NOT = 0.5
ORDER = ("rejected", "returned", "quarantined", "accepted", "fitted", "open")


def outcome(session: Session, pieces: Sequence[Piece], copy: Copy, known: Learned) -> tuple[str, ...]:
    """Return how the pieces stand, how likely they are not what was claimed, what the bench said, and why."""
    told = _stand(session, pieces), _doubt(session, pieces, known), _bench(session, pieces)
    return (*told, *_why(session, pieces, copy))


def _stand(session: Session, pieces: Sequence[Piece]) -> str:
    stands = dispositions(session, pieces)
    if len(pieces) == 1:
        return f"The piece is {stands[pieces[0].id]}."
    count = Counter(stands[piece.id] for piece in pieces)
    named = ", ".join(f"{count[one]} {one}" for one in ORDER if count[one])
    return f"Of {len(pieces)} pieces: {named}."


def _doubt(session: Session, pieces: Sequence[Piece], known: Learned) -> str:
    doubt = {number: one.probability for number, one in piece_suspicions(session, pieces, known).items()}
    facts = facts_of(session, pieces)
    alone = [piece for piece in pieces if _unseen(facts[piece.id])]
    more = [one.label for one in pieces if doubt[one.id] > MORE_LIKELY_THAN_NOT and one not in alone]
    unseen = len(alone) == len(pieces)
    if len(pieces) == 1:
        suspicion = percent(doubt[pieces[0].id])
        if unseen:
            return f"Nothing was seen or measured of it: its suspicion of {suspicion} is that of its seller and lot."
        likely = "not what was claimed" if more else "what was claimed"
        return f"By all that is on record it is more likely {likely}: suspicion {suspicion}."
    if unseen:
        return "Nothing was seen or measured of them: their suspicions are those of their seller."
    number = "1 was" if len(alone) == 1 else f"{len(alone)} were"
    rest = f" {number} neither seen nor measured: that suspicion is of seller and siblings alone." if alone else ""
    if not more:
        those = "each one that was seen or measured" if alone else "each of them"
        return f"By all that is on record {those} is more likely what was claimed than not.{rest}"
    are = "is" if len(more) == 1 else "are"
    return f"By all that is on record {len(more)} {are} more likely not what was claimed: {_listed(more)}.{rest}"


def _unseen(facts: Facts) -> bool:
    return not (facts.inspections or facts.runs or facts.settlement or facts.exemplar)


def _bench(session: Session, pieces: Sequence[Piece]) -> str:
    facts = tuple(facts_of(session, pieces).values())
    runs = [run for one in facts for run in one.runs]
    seen = sum(1 for one in facts if one.inspections)
    photos = f"{seen} of {len(pieces)} photographed" if len(pieces) > 1 else "Photographed" if seen else "No photo"
    if not runs:
        return f"{photos}; no bench test."
    before = ", ".join(f"{run.label} {run.verdict}" for one in facts for run, _ in one.reversed)
    otherwise = f"; earlier runs of the same test said otherwise: {before}" if before else ""
    if len(runs) == 1:
        return f"{photos}; one bench test: {runs[0].verdict}{otherwise}."
    count = Counter(run.verdict for run in runs)
    verdicts = ", ".join(f"{count[one]} {one}" for one in ("pass", "fail", "undecided") if count[one])
    return f"{photos}; {len(runs)} bench tests: {verdicts}{otherwise}."


def _why(session: Session, pieces: Sequence[Piece], copy: Copy) -> list[str]:
    """Return the reasons of the decisions that hold, each with the pieces it was given for."""
    latest: dict[int, Decision] = {}
    ids = [piece.id for piece in pieces]
    for decision in session.scalars(select(Decision).where(Decision.piece_id.in_(ids)).order_by(Decision.id)):
        latest[decision.piece_id] = decision
    labels: dict[tuple[str, str], list[str]] = {}
    for piece in pieces:
        if piece.id in latest:
            one = latest[piece.id]
            labels.setdefault((one.disposition, one.reason), []).append(piece.label)
    return [
        f"{_listed(named)} {disposition}: {copy.words(reason).rstrip('.')}."
        for (disposition, reason), named in labels.items()
    ]


def _listed(labels: Sequence[str], most: int = 12) -> str:
    shown = ", ".join(labels[:most])
    return shown if len(labels) <= most else f"{shown} and {len(labels) - most} more"
