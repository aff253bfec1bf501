"""Which bench tests come next: for a piece, a lot, or everything that is still to be decided on."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracker.bench.units import written
from tracker.desk.assess import Judged, judged
from tracker.desk.at_bench import AtBench, at_bench, possible_tests
from tracker.desk.bench_plan import parts_with_curves
from tracker.desk.costs import Reckoned, reckoned
from tracker.desk.learned import Learned, learned
from tracker.desk.lot_outlook import UNDECIDED, lot_known
from tracker.desk.open_lots import first_to_test, undecided
from tracker.desk.pieces import MANY, dispositions, find_lot, find_piece, pieces_of, plain_label
from tracker.desk.workspace import Workspace
from tracker.errors import BadRequest
from tracker.judgement.bench_order import LotAtBench, Meaning, Step, meaning, only, plan
from tracker.judgement.costs import Costs
from tracker.judgement.next_test import loss_now
from tracker.judgement.suspicion import percent
from tracker.records.models import Lot, Piece

MOST_STEPS = 12
"""What follows depends on what these show (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class NextStep:
    """One line: the test, its piece, its minutes, what it saves, and what each outcome would mean.

    Parameters
    ----------
    lot, piece, part, test : str
    minutes : float
        Set-up included where it is due.
    saves : float
        By how much the expected loss falls, those before it done; in the costs' money. Tests chosen together share it.
    days_left : int or None
        Until the claim window closes.
    together : int
        Tests with the same number are worth it together.
    undecided : float
        Chance that the test does not decide; then all stays as it is.
    meaning : Meaning
        If this test alone were done now.
    """

    lot: str
    piece: str
    part: str
    test: str
    minutes: float
    saves: float
    days_left: int | None
    together: int
    undecided: float
    meaning: Meaning


@dataclass(frozen=True, slots=True)
class NextTests:
    """The answer.

    Parameters
    ----------
    asked : str
        A piece, a lot, or '' for all that is open.
    have_min : float or None
        Minutes there are.
    steps : tuple of NextStep
    minutes, saves : float
        Of all steps together.
    loss : float
        Expected loss if all that was asked about were decided on now.
    costs : Costs
    nothing : str
        Why there is no step; '' where there is one.
    notes : tuple of str
    left_out : int
        Lots with undecided pieces that were not looked at.
    """

    asked: str
    have_min: float | None
    steps: tuple[NextStep, ...]
    minutes: float
    saves: float
    loss: float
    costs: Costs
    nothing: str
    notes: tuple[str, ...]
    left_out: int = 0


def next_tests(
    workspace: Workspace, what: str | None, *, minutes: str | None, today: date, everything: bool = False
) -> NextTests:
    """Return the bench tests that are worth most per minute, in order.

    Parameters
    ----------
    what : str or None
        A piece, a lot, or None for lots with open or quarantined pieces: as many as can be looked at while one waits
        (`first_to_test` of `tracker/desk/open_lots.py`).
    minutes : str or None
        Time there is: '35', '35 min', '1 h'.
    everything : bool
        Look at all such lots, however long it takes.

    Raises
    ------
    BadRequest
        No such piece or lot, a lot without pieces, or no time.
    """
    have = _minutes(minutes)
    with workspace.read() as session:
        known, reckon = learned(session), reckoned(session)
        lots, piece, left_out = _asked(session, what, None if everything else today)
        found = lots_at_bench(session, lots, known, reckon, today)
        asked = "" if what is None else piece.label if piece else lots[0].label
        benches = [one.bench for one in found]
        if piece is not None:
            benches = [only(benches[0], benches[0].labels.index(piece.label))]
            found = [replace(found[0], bench=benches[0])]
        costs = reckon.costs
        steps = plan(benches, costs, minutes=have, most=MOST_STEPS)
        return NextTests(
            asked=asked,
            have_min=have,
            steps=tuple(next_step(benches[one.lot], one, costs) for one in steps),
            minutes=sum(one.minutes for one in steps),
            saves=sum(one.saves for one in steps),
            loss=sum(loss_now(one.belief, one.still_open, costs) for one in benches if one.still_open),
            costs=costs,
            nothing="" if steps else _nothing(session, found, piece, costs, have),
            notes=(*_not_looked_at(left_out), *(note for one in found for note in one.notes)),
            left_out=left_out,
        )


def lots_at_bench(
    session: Session, lots: Sequence[Lot], known: Learned, reckon: Reckoned, today: date
) -> list[AtBench]:
    """Return lots (each with at least one piece) with what can still be tested on their pieces."""
    pieces = pieces_of(session, lots)
    every = [piece for some in pieces.values() for piece in some]
    found = judged(session, {piece.id: piece.lot_id for piece in every}, known)
    return benches(session, lots, pieces, found, dispositions(session, every), known, reckon, today)


def benches(
    session: Session,
    lots: Sequence[Lot],
    pieces: Mapping[int, Sequence[Piece]],
    found: Judged,
    now: Mapping[int, str],
    known: Learned,
    reckon: Reckoned,
    today: date,
) -> list[AtBench]:
    """Return what `lots_at_bench` does, where pieces, sums and dispositions are known already.

    Parameters
    ----------
    pieces : mapping of int to sequence of Piece
        Of each lot.
    found : Judged
    now : mapping of int to str
        The disposition of each piece.
    """
    curves = parts_with_curves(session)
    return [
        at_bench(
            lot_known(lot, pieces[lot.id], found.sums, now),
            possible_tests(session, lot, curves),
            found.records,
            known.experience.weights,
            reckon,
            today,
        )
        for lot in lots
    ]


def _minutes(text: str | None) -> float | None:
    if text is None:
        return None
    have = written(text, "time", bare_unit="min").value / 60.0
    if not have > 0:
        raise BadRequest(f"With {have:g} min nothing can be tested.", "Say how much time there is: 35, or '1 h'.")
    return have


def _not_looked_at(lots: int) -> tuple[str, ...]:
    if not lots:
        return ()
    said = "1 more lot with undecided pieces was" if lots == 1 else f"{lots} more lots with undecided pieces were"
    return (
        f"{said} not looked at: first come claim windows that close, and lots with most undecided pieces. "
        "`lotproof next LOT` looks at one, `lotproof next --all` at all.",
    )


def _asked(session: Session, what: str | None, today: date | None) -> tuple[list[Lot], Piece | None, int]:
    """Return the lots to look at, the piece that was asked about, and how many lots are left out."""
    if what is None:
        if today is None:
            wanted, left_out = [lot for lot, number in undecided(session).items() if number], 0
        else:
            wanted, left_out = first_to_test(session, today)
        query = select(Lot).order_by(Lot.id)
        if len(wanted) <= MANY:
            query = query.where(Lot.id.in_(wanted))
        some = frozenset(wanted)
        return [lot for lot in session.scalars(query) if lot.id in some], None, left_out
    if re.fullmatch(r"L[0-9]+-[0-9]+", plain_label(what)):
        piece = find_piece(session, what)
        return [piece.lot], piece, 0
    lot = find_lot(session, what)
    if not lot.pieces:
        raise BadRequest(f"{lot.label} has no pieces, so there is nothing to test.")
    return [lot], None, 0


def next_step(lot: LotAtBench, step: Step, costs: Costs) -> NextStep:
    """Return one chosen test with what each outcome would mean."""
    return NextStep(
        lot=lot.lot,
        piece=lot.labels[step.piece],
        part=lot.part,
        test=step.trial.test,
        minutes=step.minutes,
        saves=step.saves,
        days_left=lot.days_left,
        together=step.together,
        undecided=step.trial.channel.undecided,
        meaning=meaning(lot, step.piece, step.trial.channel, costs),
    )


def _nothing(session: Session, found: Sequence[AtBench], piece: Piece | None, costs: Costs, have: float | None) -> str:
    """Say why there is nothing to test."""
    if piece is not None:
        stands = dispositions(session, [piece])[piece.id]
        if stands not in UNDECIDED:
            return f"{piece.label} is {stands}: it is decided on, so there is nothing to test."
        if not found[0].bench.trials:
            return f"{piece.label} is settled: its truth is known, so there is nothing to test."
    if not any(one.bench.still_open for one in found):
        return "No piece is open: all are decided on, so there is nothing to test."
    if not any(trials for one in found for trials in one.bench.trials.values()):
        return "Every test that suits the part has been done, or its truth is known."
    benches = [one.bench for one in found]
    if have is not None and (worth_it := _first_together(plan(benches, costs))):
        return f"Nothing that is worth its time fits into {have:g} min. First would be {_in_words(worth_it, benches)}."
    best = _first_together(plan(benches, replace(costs, minute=0.0)))
    if not best:
        return f"No test that is left would change a decision, whatever it showed: {_decisions(benches, piece, costs)}."
    cost = sum(one.minutes for one in best) * costs.minute
    return f"No test is worth its time. The best is {_in_words(best, benches)}; the time costs {cost:.2f}."


def _decisions(benches: Sequence[LotAtBench], piece: Piece | None, costs: Costs) -> str:
    """Return what is cheapest to decide now on a piece, or on all that is open, with the suspicions that say so."""
    chances = [
        float(one.belief.marginals()[index])
        for one in benches
        for index in one.still_open
        if piece is None or one.labels[index] == piece.label
    ]
    said = []
    for verb, some in (
        ("reject", [one for one in chances if one >= costs.threshold]),
        ("accept", [one for one in chances if one < costs.threshold]),
    ):
        low, high = (percent(end(some, default=0.0)) for end in (min, max))
        if some:
            said.append(f"{verb} {len(some)} ({low if low == high else f'{low} to {high}'})")
    return "by what is known " + ", ".join(said)


def _first_together(steps: Sequence[Step]) -> list[Step]:
    return [one for one in steps if one.together == 1]


def _in_words(steps: Sequence[Step], benches: Sequence[LotAtBench]) -> str:
    """Return what tests that were chosen together are and save: 'current on L0001-02 (12 min, saves 3.10)'."""
    tests = " and ".join(dict.fromkeys(one.trial.test for one in steps))
    pieces = list(dict.fromkeys(benches[one.lot].labels[one.piece] for one in steps))
    on = pieces[0] if len(pieces) == 1 else f"{len(pieces)} pieces from {pieces[0]} on"
    minutes, saves = sum(one.minutes for one in steps), sum(one.saves for one in steps)
    return f"{tests} on {on} ({minutes:g} min, saves {saves:.2f})"
