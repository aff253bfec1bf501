"""What is known of a lot as a whole: what siblings say of a piece, the fraction bad, and test plans compared."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from sqlalchemy import ColumnElement, or_, select
from sqlalchemy.orm import Session

from tracker.desk.on_record import VERDICTS, OnRecord, bench_and_truth
from tracker.desk.pieces import MANY, OPEN
from tracker.judgement.lot_belief import LotBelief
from tracker.judgement.lot_view import LotView, view
from tracker.judgement.lots import SIBLINGS, belief, own_evidence
from tracker.judgement.suspicion import SumLine, Suspicion, odds_to_probability
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


def told(facts: OnRecord, items: Suspicion) -> Told | None:
    """Return what is known of one piece beyond its looks, None where nothing is.

    Parameters
    ----------
    facts : OnRecord
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


def beyond_looks(
    session: Session, lots: Sequence[int], known: Mapping[int, OnRecord]
) -> dict[int, dict[int, OnRecord]]:
    """Return what is on record about all pieces with a bench verdict or a truth in some lots, by lot and piece.

    Parameters
    ----------
    lots : sequence of int
        Their ids. A lot of whose pieces nothing was ever known beyond their looks is left out; there siblings do not
        speak for each other.
    known : mapping of int to OnRecord
        What was read already.
    """
    query = select(Piece.lot_id, Piece.id).where(_beyond_looks()).order_by(Piece.id)
    rows = session.execute(query if len(lots) > MANY else query.where(Piece.lot_id.in_(lots))).all()
    wanted = [(lot, number) for lot, number in rows if lot in set(lots)] if len(lots) > MANY else rows
    more = bench_and_truth(session, [number for _, number in wanted if number not in known])
    found: dict[int, dict[int, OnRecord]] = {}
    for lot, number in wanted:
        found.setdefault(lot, {})[number] = known[number] if number in known else more[number]
    return found


def _beyond_looks() -> ColumnElement[bool]:
    # One piece after the other, by the index: whose verdicts they are elsewhere is of no concern.
    return or_(
        select(BenchRun.id).where(BenchRun.piece_id == Piece.id, BenchRun.verdict.in_(VERDICTS)).exists(),
        select(Settlement.id).where(Settlement.piece_id == Piece.id).exists(),
        select(Exemplar.id).where(Exemplar.piece_id == Piece.id).exists(),
    )


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
    place, untold = {number: index for index, number in enumerate(known)}, len(known)
    found = belief(odds_to_probability(prior_db), [*(one.evidence for one in known.values()), {}]).siblings_db()
    every = _Count.of(known.values())
    untold_line = SumLine(SIBLINGS, f"Siblings in its lot: {every.in_words()}", float(found[untold]))
    lines = {}
    for number in pieces:
        if number not in known:
            line = untold_line
        elif len(known) == 1:
            continue
        else:
            text = f"Siblings in its lot: {every.less(known[number]).in_words()}"
            line = SumLine(SIBLINGS, text, float(found[place[number]]))
        if round(line.weight_db, 2) != 0:
            lines[number] = line
    return lines


_BAD, _GOOD = "not to be genuine", "to be genuine"


@dataclass(frozen=True, slots=True)
class _Count:
    """How many pieces were tested and failed, and how many are settled and not genuine."""

    tested: int
    failed: int
    settled: int
    bad: int

    @classmethod
    def of(cls, pieces: Iterable[Told]) -> "_Count":
        some = list(pieces)
        return cls(
            sum(one.failed or one.passed for one in some),
            sum(one.failed for one in some),
            sum(one.genuine is not None for one in some),
            sum(one.genuine is False for one in some),
        )

    def less(self, one: Told) -> "_Count":
        own = _Count.of([one])
        return _Count(
            self.tested - own.tested, self.failed - own.failed, self.settled - own.settled, self.bad - own.bad
        )

    def in_words(self) -> str:
        said = []
        if self.tested:
            said.append(f"{self.failed} of {self.tested} tested failed at the bench")
        if self.settled:
            good = self.settled - self.bad
            said += [f"{number} known {words}" for number, words in ((self.bad, _BAD), (good, _GOOD)) if number]
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


def lot_known(lot: Lot, pieces: Sequence[Piece], sums: Mapping[int, Suspicion], now: Mapping[int, str]) -> LotKnown:
    """Return what is thought of a lot's pieces together (at least one), from the sums and dispositions of each."""
    mine = tuple(sums[piece.id] for piece in pieces)
    prior = next(line.weight_db for line in mine[0].lines if line.kind == "prior")
    return LotKnown(
        lot=lot,
        pieces=tuple(pieces),
        sums=mine,
        still_open=tuple(index for index, piece in enumerate(pieces) if now[piece.id] in UNDECIDED),
        belief=belief(odds_to_probability(prior), [own_evidence(one) for one in mine]),
    )


def lot_view(known: LotKnown) -> LotView:
    """Return what the evidence says of a lot as a whole."""
    return view(known.belief, known.still_open)
