"""Lots with what can still be tested on their pieces: what the choice of the next test rests on."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from sqlalchemy.orm import Session

from tracker.bench.lot_plan import Suited
from tracker.desk.bench_plan import suited_tests
from tracker.desk.costs import Reckoned
from tracker.desk.lot_outlook import LotKnown
from tracker.desk.on_record import VERDICTS, OnRecord
from tracker.judgement.bench_order import LotAtBench
from tracker.judgement.bundles import Trial
from tracker.judgement.counts import CLEAR
from tracker.judgement.next_test import SILENT, added_db, channel
from tracker.judgement.suspicion import Suspicion, counted
from tracker.judgement.weights import Family, Weights
from tracker.knowledge import families
from tracker.knowledge.families import FamilyData
from tracker.records.models import Lot

WARMS_FROM_W = 0.25
"""Parts that draw less at their limit hardly warm a thermocouple (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class AtBench:
    """A lot at the bench.

    Parameters
    ----------
    known : LotKnown
    bench : LotAtBench
        Its pieces' trials; pieces that are decided on or settled have none.
    notes : tuple of str
        What a person should know of it.
    """

    known: LotKnown
    bench: LotAtBench
    notes: tuple[str, ...]


def at_bench(
    known: LotKnown,
    suited: Sequence[Suited],
    facts: Mapping[int, OnRecord],
    weights: Weights,
    reckon: Reckoned,
    today: date,
) -> AtBench:
    """Return a lot with what can still be tested on its pieces, `suited` being what its part asks for."""
    tests = {one.test.name: _test(one, weights, reckon, known.belief.prior) for one in suited}
    trials: dict[int, tuple[Trial, ...]] = {}
    undecided: dict[str, list[str]] = {}
    disagree = []
    for index in known.still_open:
        piece = known.pieces[index]
        mine = facts[piece.id]
        ran = {run.test: run.verdict for run in mine.runs}
        if set(VERDICTS) <= set(ran.values()):
            disagree.append(piece.label)
        for test, verdict in ran.items():
            if verdict not in VERDICTS:
                undecided.setdefault(test, []).append(piece.label)
        if mine.settlement is None:
            trials[index] = tuple(one.on(known.sums[index]) for name, one in tests.items() if name not in ran)
    notes = [
        f"{test} was undecided on {', '.join(labels)} and is not proposed again; a better set-up may decide it."
        for test, labels in undecided.items()
    ]
    silent = {one.test for some in trials.values() for one in some if one.channel == SILENT}
    notes += [
        f"{test} is not proposed where its verdicts cannot move the sum: the family's cap is reached, or what settled "
        "pieces have taught of pass and fail contradicts itself."
        for test in sorted(silent)
    ]
    if disagree:
        notes.append(f"Bench tests do not agree on {', '.join(disagree)}; all of them count.")
    lot = known.lot
    unseen = sum(1 for index in known.still_open if not facts[known.pieces[index].id].looks)
    if unseen:
        has = "has" if unseen == 1 else "have"
        notes.append(
            f"{counted(unseen, 'open piece')} of {lot.label} {has} no photo; looking first may spare tests: lotproof "
            f"photograph {lot.label} PHOTO"
        )
    bench = LotAtBench(
        lot=lot.label,
        part=lot.claimed_part,
        belief=known.belief,
        labels=tuple(piece.label for piece in known.pieces),
        still_open=known.still_open,
        trials=trials,
        days_left=None if lot.claim_by is None else (lot.claim_by - today).days,
    )
    return AtBench(known, bench, tuple(notes))


def possible_tests(session: Session, lot: Lot, curves: Collection[str] | None = None) -> tuple[Suited, ...]:
    """Return the tests that a lot's part asks for: those of `bench plan`, and a heat soak where the part warms.

    Parameters
    ----------
    curves : collection of str, optional
        As for `suited_tests`.
    """
    suited = suited_tests(session, lot, curves)
    watts = _watts(families.for_part(lot.claimed_part))
    if watts < WARMS_FROM_W:
        return suited
    from tracker.knowledge.bench_tests import bench_tests

    return (*suited, Suited(bench_tests()["soak"], f"at its limit the claimed part takes {watts:.2g} W"))


def _watts(family: FamilyData | None) -> float:
    rows = () if family is None else family.currents
    return max((row.max_a * row.supply_v for row in rows if row.max_a is not None), default=0.0)


@dataclass(frozen=True, slots=True)
class _Test:
    """A test, as far as it is the same for all pieces of a lot: the weights of 'fail' and 'pass', and its minutes."""

    name: str
    family: Family
    fail_db: float
    pass_db: float
    undecided: float
    setup_min: float
    piece_min: float

    def on(self, found: Suspicion) -> Trial:
        """Return the test on a piece of which so much is known."""
        fail, passing = (added_db(found, self.family, weight) for weight in (self.fail_db, self.pass_db))
        return Trial(self.name, channel(fail, passing, self.undecided), self.setup_min, self.piece_min)


def _test(one: Suited, weights: Weights, reckon: Reckoned, prior: float) -> _Test:
    name = one.test.name
    codes = [f"bench-{name}-{verdict}" for verdict in ("fail", "pass")]
    minutes = reckon.tests[name]
    return _Test(
        name=name,
        family=weights.families[weights.indicator(codes[0]).family],
        fail_db=weights.weight_db(codes[0]),
        pass_db=weights.weight_db(codes[1]),
        undecided=_undecided(codes, weights, prior),
        setup_min=minutes.setup_min,
        piece_min=minutes.piece_min,
    )


def _undecided(codes: list[str], weights: Weights, prior: float) -> float:
    """Return how often a test does not decide, on a piece about which nothing is known."""
    found = 0.0
    for share, which in ((prior, 0), (1.0 - prior, 1)):
        counts = [weights.counts(code, CLEAR)[which] for code in codes]
        decided = sum(one.present / one.total for one in counts)
        found += share * max(1.0 - decided, 0.0)
    return found
