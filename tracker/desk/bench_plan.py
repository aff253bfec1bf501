"""Planning the bench for a lot: which tests, on which pieces, and what those already tested say."""

from collections.abc import Collection
from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracker.bench import lot_plan
from tracker.bench.lot_plan import Done, LotPlan, LtpdRow, Said, Suited
from tracker.bench.units import fraction, written
from tracker.desk.on_record import VERDICTS, bench_and_truth
from tracker.desk.pieces import find_lot
from tracker.desk.workspace import Workspace
from tracker.errors import BadRequest
from tracker.knowledge import families
from tracker.knowledge.parts import compare_part
from tracker.knowledge.signatures import carrier
from tracker.records.models import BenchRun, Exemplar, Lot, Piece

ANY_TEST = "any test"


@dataclass(frozen=True, slots=True)
class PlanRequest:
    """A plan as asked for: shares as '0.1' or '10 %', the time as '90 min' or '2 h' (a bare number is minutes)."""

    bad_fraction: str | None = None
    confidence: str | None = None
    have: str | None = None


@dataclass(frozen=True, slots=True)
class Told:
    """What the pieces already tested with one test (or with any) say of the lot."""

    test: str
    said: Said


@dataclass(frozen=True, slots=True)
class LotBenchPlan:
    """A lot's plan with the pieces to take.

    Parameters
    ----------
    lot, claimed_part : str
    plan : LotPlan
    take : tuple of (str, tuple of str)
        For each test, the pieces to take.
    told : tuple of Told
        One for each test that some pieces went through, and one for all of them.
    defaults : str
        Where fraction and confidence come from when they were not stated; '' when both were.
    """

    lot: str
    claimed_part: str
    plan: LotPlan
    take: tuple[tuple[str, tuple[str, ...]], ...]
    told: tuple[Told, ...]
    defaults: str


def plan_lot(workspace: Workspace, label: str, request: PlanRequest) -> LotBenchPlan:
    """Return the bench plan of a lot.

    Raises
    ------
    BadRequest
        There is no such lot, or something typed cannot be used.
    """
    bad_fraction = _share(request.bad_fraction, "the bad fraction", lot_plan.DEFAULT_BAD_FRACTION)
    confidence = _share(request.confidence, "the confidence", lot_plan.DEFAULT_CONFIDENCE)
    have_min = None if request.have is None else written(request.have, "time", bare_unit="min").value / 60.0
    with workspace.read() as session:
        lot = find_lot(session, label)
        pieces = lot.pieces
        if not pieces:
            raise BadRequest(f"{lot.label} has no pieces, so there is nothing to plan.")
        verdicts = _verdicts(session, lot)
        tests = suited_tests(session, lot)
        done = {test: Done(len(found), sum(found.values())) for test, found in verdicts.items() if test != ANY_TEST}
        plan = lot_plan.lay_out(
            tests, len(pieces), done, bad_fraction=bad_fraction, confidence=confidence, have_min=have_min
        )
        labels = [piece.label for piece in pieces]
        return LotBenchPlan(
            lot=lot.label,
            claimed_part=lot.claimed_part,
            plan=plan,
            take=tuple(
                (one.test, lot_plan.draw(labels, set(verdicts.get(one.test, ())), one.now, lot.label))
                for one in plan.tests
            ),
            told=tuple(
                Told(test, lot_plan.said(len(pieces), sum(found.values()), len(found), confidence))
                for test, found in verdicts.items()
                if found
            ),
            defaults="" if request.bad_fraction and request.confidence else lot_plan.DEFAULT_SOURCE,
        )


def suited_tests(session: Session, lot: Lot, curves: Collection[str] | None = None) -> tuple[Suited, ...]:
    """Return the tests that a lot's claimed part asks for, quickest first.

    Parameters
    ----------
    curves : collection of str, optional
        As `parts_with_curves` gives them; who asks for several lots hands them in.
    """
    there = parts_with_curves(session) if curves is None else curves
    return lot_plan.suited(
        families.for_part(lot.claimed_part),
        signature=carrier(lot.claimed_part) is not None,
        curves=any(compare_part(lot.claimed_part, one).kind in ("same", "other-grade") for one in there),
        grade=lot.claimed_grade,
    )


def parts_with_curves(session: Session) -> frozenset[str]:
    """Return the parts, as claimed, of the exemplars that have curves on record to compare with."""
    # One exemplar after the other: there are few, and very many runs of other pieces.
    curved = select(BenchRun.id).where(BenchRun.piece_id == Exemplar.piece_id, BenchRun.test == "curve").exists()
    rows = session.execute(
        select(Exemplar.piece_id, Exemplar.withdrawn, Lot.claimed_part)
        .join(Piece, Piece.id == Exemplar.piece_id)
        .join(Lot, Lot.id == Piece.lot_id)
        .where(curved)
        .order_by(Exemplar.id)
    )
    latest = {number: (withdrawn, part) for number, withdrawn, part in rows}
    return frozenset(part for withdrawn, part in latest.values() if not withdrawn)


def ltpd_table(workspace: Workspace | None, label: str | None, confidence: str | None) -> tuple[LtpdRow, ...]:
    """Return the table of sample sizes, for a lot of the workspace or without a lot for one without end.

    Raises
    ------
    BadRequest
        There is no such lot, or the confidence cannot be used.
    """
    wanted = _share(confidence, "the confidence", lot_plan.DEFAULT_CONFIDENCE)
    if workspace is None or label is None:
        return lot_plan.ltpd_table(wanted)
    with workspace.read() as session:
        return lot_plan.ltpd_table(wanted, len(find_lot(session, label).pieces))


def _share(text: str | None, name: str, default: str) -> str:
    """Return a share as decimal text: as a float '7 %' would be 0.07 and something."""
    return default if text is None else repr(round(fraction(text, name), 12))


def _verdicts(session: Session, lot: Lot) -> dict[str, dict[str, bool]]:
    """Return, by test, whether each tested piece failed it (its latest run with a verdict counts), and for any test."""
    facts, found = bench_and_truth(session, [piece.id for piece in lot.pieces]), dict[str, dict[str, bool]]()
    for piece in lot.pieces:
        for run in facts[piece.id].runs:
            if run.verdict in VERDICTS:
                found.setdefault(run.test, {})[piece.label] = run.verdict == "fail"
    together: dict[str, bool] = {}
    for by_piece in found.values():
        for piece_label, failed in by_piece.items():
            together[piece_label] = together.get(piece_label, False) or failed
    return found | ({ANY_TEST: together} if len(found) > 1 else {})
