"""What is known of a lot as a whole: what siblings say of a piece, the fraction bad, and test plans compared."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from sqlalchemy import ColumnElement, or_, select
from sqlalchemy.orm import Session

from tracker.desk.facts import VERDICTS, Facts, facts_of
from tracker.desk.pieces import OPEN, dispositions
from tracker.judgement.lot_view import LotView, view
from tracker.judgement.lots import SIBLINGS, LotBelief, belief, own_evidence
from tracker.judgement.suspicion import SumLine, Suspicion, counted, odds_to_probability
from tracker.records.models import BenchRun, Exemplar, Lot, Piece, Settlement

UNDECIDED = (OPEN, "quarantined")


@dataclass(frozen=True, slots=True)
class Told:
    """What is known of one piece beyond its looks.

    Parameters
    ----------
    failed, passed : bool
        Bench verdicts; both where they do not agree.
    genuine : bool or None
        As settled, or as declared an exemplar.
    evidence : mapping of str to float
        Decibans by family.
    """

    failed: bool
    passed: bool
    genuine: bool | None
    evidence: Mapping[str, float]


def told(facts: Facts, items: Suspicion) -> Told | None:
    """Return what is known of one piece beyond its looks, None where nothing is.

    Parameters
    ----------
    facts : Facts
    items : Suspicion
        The sum of its bench runs and truths alone.
    """
    verdicts = {run.verdict for run in facts.runs if run.verdict in VERDICTS}
    genuine = None if facts.settlement is None else facts.settlement.genuine
    if genuine is None and facts.exemplar is not None:
        genuine = True
    if not verdicts and genuine is None:
        return None
    return Told("fail" in verdicts, "pass" in verdicts, genuine, own_evidence(items))


def facts_beyond_looks(
    session: Session, pieces: Sequence[Piece], facts: Mapping[int, Facts]
) -> dict[int, dict[int, Facts]]:
    """Return the facts about all pieces with a bench verdict or a truth in the lots of `pieces`, by lot and piece.

    Parameters
    ----------
    facts : mapping of int to Facts
        What was read of `pieces` already.
    """
    lots = {piece.lot_id for piece in pieces}
    wanted = [piece for piece in session.scalars(select(Piece).where(_beyond_looks())) if piece.lot_id in lots]
    more = facts_of(session, [piece for piece in wanted if piece.id not in facts])
    found: dict[int, dict[int, Facts]] = {}
    for piece in wanted:
        found.setdefault(piece.lot_id, {})[piece.id] = facts[piece.id] if piece.id in facts else more[piece.id]
    return found


def _beyond_looks() -> ColumnElement[bool]:
    runs = select(BenchRun.piece_id).where(BenchRun.verdict.in_(VERDICTS), BenchRun.piece_id.is_not(None))
    return or_(*(Piece.id.in_(query) for query in (runs, select(Settlement.piece_id), select(Exemplar.piece_id))))


def lots_beyond_looks(session: Session) -> set[int]:
    """Return the lots of whose pieces something is known beyond their looks: there siblings speak for each other."""
    return set(session.scalars(select(Piece.lot_id).where(_beyond_looks()).distinct()))


def siblings_lines(prior_db: float, known: Mapping[int, Told], pieces: Sequence[int]) -> dict[int, SumLine]:
    """Return what the other pieces of a lot say of each piece, as a line of its sum; left out where they say nothing.

    Only what is known beyond looks counts: how a piece looks beside its siblings is among its own findings already.

    Parameters
    ----------
    prior_db : float
        Of the lot, decibans.
    known : mapping of int to Told
        By piece, all of the lot of which something is known beyond looks.
    pieces : sequence of int
        Those asked about.
    """
    if not known:
        return {}
    # Of those of which nothing is known one stands for all.
    order, untold = [*known], len(known)
    found = belief(odds_to_probability(prior_db), [*(known[number].evidence for number in order), {}]).siblings_db()
    lines = {}
    for number in pieces:
        weight = float(found[order.index(number) if number in known else untold])
        others = [one for other, one in known.items() if other != number]
        if others and round(weight, 2) != 0:
            lines[number] = SumLine(SIBLINGS, f"Siblings in its lot: {_in_words(others)}", weight)
    return lines


def _in_words(siblings: Sequence[Told]) -> str:
    settled = [one.genuine for one in siblings if one.genuine is not None]
    tested = [one for one in siblings if one.failed or one.passed]
    said = []
    if tested:
        failed = sum(one.failed for one in tested)
        said.append(f"{failed} of {len(tested)} tested failed at the bench")
    if settled:
        bad = settled.count(False)
        said.append(f"{bad} of {counted(len(settled), 'settled one')} not genuine")
    return ", ".join(said)


@dataclass(frozen=True, slots=True)
class LotKnown:
    """A lot's pieces with what is thought of them together.

    Parameters
    ----------
    lot : Lot
    pieces : tuple of Piece
    sums : tuple of Suspicion
        One a piece.
    still_open : tuple of int
        Places of the pieces on which nothing is decided.
    belief : LotBelief
    """

    lot: Lot
    pieces: tuple[Piece, ...]
    sums: tuple[Suspicion, ...]
    still_open: tuple[int, ...]
    belief: LotBelief


def lot_known(session: Session, lot: Lot, sums: Mapping[int, Suspicion]) -> LotKnown:
    """Return what is thought of a lot's pieces together, from the sums of each (at least one piece)."""
    pieces = tuple(lot.pieces)
    mine = tuple(sums[piece.id] for piece in pieces)
    now = dispositions(session, pieces)
    prior = next(line.weight_db for line in mine[0].lines if line.kind == "prior")
    return LotKnown(
        lot=lot,
        pieces=pieces,
        sums=mine,
        still_open=tuple(index for index, piece in enumerate(pieces) if now[piece.id] in UNDECIDED),
        belief=belief(odds_to_probability(prior), [own_evidence(one) for one in mine]),
    )


def lot_view(known: LotKnown) -> LotView:
    """Return what the evidence says of a lot as a whole."""
    return view(known.belief, known.still_open)
