"""How suspicious a piece is now: photos, bench and settlements in one sum."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracker.desk.known_pieces import truths_of
from tracker.desk.learned import REUSED, Learned, Pictures, learned
from tracker.desk.looks import Which
from tracker.desk.lot_outlook import Told, beyond_looks, siblings_lines, told
from tracker.desk.on_record import VERDICTS, OnRecord, Ran, on_record
from tracker.desk.outcomes import photo_findings
from tracker.desk.pieces import MANY
from tracker.desk.truths import SellerRecords
from tracker.judgement.prior import Prior, before_looking
from tracker.judgement.suspicion import Silences, SumLine, Suspicion, combine, silences
from tracker.judgement.weighing import Weighed, weighed_as
from tracker.judgement.weights import Weights
from tracker.records.models import Lot, Piece

TEST_NAMES = {
    "current": "supply current",
    "clock": "clock ceiling",
    "soak": "heat soak",
    "signature": "electronic signature",
    "curve": "pin curves",
    "in-circuit": "in-circuit",
}


def piece_suspicion(session: Session, piece: Piece, known: Learned | None = None) -> Suspicion:
    """Return how suspicious one piece is now, with the lines of the sum."""
    return piece_suspicions(session, [piece], known)[piece.id]


def piece_suspicions(session: Session, pieces: Sequence[Piece], known: Learned | None = None) -> dict[int, Suspicion]:
    """Return how suspicious each piece is now, by the piece's id; see `judged`."""
    return judged(session, {piece.id: piece.lot_id for piece in pieces}, known).sums


@dataclass(frozen=True, slots=True)
class Judged:
    """What is on record about some pieces, and how suspicious each one is.

    Parameters
    ----------
    records : mapping of int to OnRecord
    sums : mapping of int to Suspicion
    told : frozenset of int
        Lots of whose pieces something was ever known beyond their looks: there siblings speak for each other.
    """

    records: Mapping[int, OnRecord]
    sums: dict[int, Suspicion]
    told: frozenset[int] = frozenset()

    def suspicion(self, piece: int, lot: int) -> float | None:
        """Return a piece's suspicion; None where nothing is known of it but where it came from."""
        known = self.records[piece].anything or lot in self.told
        return self.sums[piece].probability if known else None


def judged(
    session: Session,
    lot_of: Mapping[int, int],
    known: Learned | None = None,
    *,
    which: Which | None = None,
    only_known: bool = False,
) -> Judged:
    """Return what is on record about some pieces and how suspicious each is now, by the piece's id.

    Parameters
    ----------
    session : Session
    lot_of : mapping of int to int
        The lot of each piece, ids both.
    known : Learned, optional
        What the workshop has learned; read from the records where not given. One who asks again in the same session
        hands it in.
    which : select, optional
        The question that gives the ids of the pieces, where that is shorter than naming each.
    only_known : bool
        Leave out of the sums pieces about which nothing is known but where they came from.

    Notes
    -----
    The database is asked a fixed number of questions.

    Prior and weights are today's: pieces settled since a photo was inspected have taught something, and what the
    record of that day says stays as it is. A piece's own truth has no part in its prior or its weights. A code found in
    several photos counts once, at its strongest; of several runs of one test the latest with a verdict counts.
    """
    records, known = on_record(session, lot_of, which), known or learned(session)
    if not records:
        return Judged({}, {})
    weights_of = cache(known.experience.without_piece)
    by_lot: dict[int, list[int]] = {}
    for number, lot in lot_of.items():
        by_lot.setdefault(lot, []).append(number)
    recorded = beyond_looks(session, list(by_lot), records)
    before_of = _before(session, list(by_lot), known)
    siblings: dict[int, SumLine] = {}
    for lot, told_of in _told(recorded, weights_of).items():
        siblings |= siblings_lines(before_of[lot].db, told_of, by_lot[lot])
    sums = {}
    for number, lot in lot_of.items():
        mine, before = records[number], before_of[lot]
        if only_known and not mine.anything and lot not in recorded:
            continue
        weights = weights_of(number)
        sums[number] = combine(
            before.db,
            [*weighed(mine, weights), *reused_pictures(lot, known.pictures, weights)],
            silences=looked_for(mine, weights),
            prior_text=before.text,
            siblings=siblings.get(number),
            notes=contradictions(mine),
            together=weights.together,
        )
    return Judged(records, sums, frozenset(recorded))


def _before(session: Session, lots: Sequence[int], known: Learned) -> dict[int, Prior]:
    """Return what is thought of each lot's pieces before looking.

    What its own lot has shown is in the line about its siblings, and must not come in a second time.
    """
    query = select(Lot.id, Lot.source_kind, Lot.seller_id)
    rows = session.execute(query if len(lots) > MANY else query.where(Lot.id.in_(lots)))
    return {
        number: before_looking(source, *known.records.of(seller, without_lot=number)) for number, source, seller in rows
    }


def _told(
    records: Mapping[int, Mapping[int, OnRecord]], weights_of: Callable[[int], Weights]
) -> dict[int, dict[int, Told]]:
    """Return what is known of pieces beyond their looks, by lot and piece."""
    found: dict[int, dict[int, Told]] = {}
    for lot, by_piece in records.items():
        for number, mine in by_piece.items():
            weights = weights_of(number)
            one = told(mine, combine(0.0, (*of_bench(mine.runs, weights), *_of_truth(mine, weights))))
            if one is not None:
                found.setdefault(lot, {})[number] = one
    return found


def prior_of(session: Session, lot: Lot) -> Prior:
    """Return what is thought of a lot's pieces before looking at them."""
    return before_looking(lot.source_kind, *SellerRecords(truths_of(session, lot.seller_id)).of(lot.seller_id))


def weighed(facts: OnRecord, weights: Weights) -> tuple[Weighed, ...]:
    """Return everything that was found of a piece with its weight."""
    return (*of_photos(facts, weights), *of_bench(facts.runs, weights), *_of_truth(facts, weights))


def reused_pictures(lot: int, pictures: Pictures, weights: Weights) -> list[Weighed]:
    """Return whether a listing picture of the lot was, to the byte, an earlier lot's as well; other orders only."""
    others = pictures.earlier.get(lot, ())
    message = f"Its listing picture was used before, for {', '.join(others)}."
    return [weighed_as(REUSED, message, weights)] if others else []


def of_photos(facts: OnRecord, weights: Weights) -> list[Weighed]:
    """Return what the photos of a piece show with its weight, the strongest first."""
    items = [
        weighed_as(code, finding.message, weights, strength, finding.family)
        for code, (strength, finding) in photo_findings(facts).items()
    ]
    return sorted(items, key=lambda item: -item.weight_db)


def looked_for(facts: OnRecord, weights: Weights) -> Silences:
    """Return what was looked for in the photos of a piece, as if none of it had been found."""
    if len(facts.looks) == 1:
        return silences(facts.looks[0].sight.looked_for, weights)
    return silences((code for look in facts.looks for code in look.sight.looked_for), weights)


def of_bench(runs: Iterable[Ran], weights: Weights) -> list[Weighed]:
    """Return the verdicts of bench runs with their weights."""
    return [
        weighed_as(f"bench-{run.test}-{run.verdict}", f"Bench test {_named(run)}: {run.verdict}", weights)
        for run in runs
        if run.verdict in VERDICTS
    ]


def _named(run: Ran) -> str:
    return f"{run.label}, {TEST_NAMES.get(run.test, run.test)}"


def _of_truth(facts: OnRecord, weights: Weights) -> list[Weighed]:
    found = []
    if facts.exemplar is not None:
        message = f"Declared a known-good piece: {facts.exemplar.grounds}"
        found.append(weighed_as("declared-exemplar", message, weights))
    if facts.settlement is not None:
        code = "settled-genuine" if facts.settlement.genuine else "settled-not-genuine"
        title = weights.indicator(code).title.capitalize()
        found.append(weighed_as(code, f"{title}: {facts.settlement.grounds}", weights))
    return found


def contradictions(facts: OnRecord) -> tuple[str, ...]:
    """Return in words where what is on record about a piece does not agree, and what counts then."""
    said = {verdict: [_named(run) for run in facts.runs if run.verdict == verdict] for verdict in VERDICTS}
    passed, failed, notes = ", ".join(said["pass"]), ", ".join(said["fail"]), []
    if passed and failed:
        notes.append(f"Bench tests do not agree: {failed} failed, {passed} passed. Both count.")
    notes += [
        f"{_named(before)}: {before.verdict}, but {later.label}, the same test again: {later.verdict}. The later alone "
        "counts; where neither is known to have gone wrong, measure once more."
        for before, later in facts.reversed
    ]
    if failed and facts.disposition == "accepted" and facts.settlement is None:
        notes.append(f"Accepted, though {failed} failed. What it is counts as not known, so it teaches nothing.")
    if facts.settlement is not None:
        against, how = (failed, "failed") if facts.settlement.genuine else (passed, "passed")
        truth = "genuine" if facts.settlement.genuine else "not genuine"
        if against:
            notes.append(
                f"Settled as {truth}, though {against} {how}. The settlement is its truth; the test still counts."
            )
        if facts.exemplar is not None and not facts.settlement.genuine:
            notes.append("Declared a known-good piece, and settled as not genuine. The settlement is its truth.")
    return tuple(notes)
