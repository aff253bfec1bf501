"""A lot's bench plan: sample sizes against published entries, bounds against exact sums and against seeded draws."""

import csv
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from stock import a_lot

from tracker.bench import lot_plan, sampling
from tracker.bench.lot_plan import Done
from tracker.desk import bench
from tracker.desk.bench import ClockRequest, CurrentRequest
from tracker.desk.bench_plan import PlanRequest, ltpd_table, plan_lot
from tracker.desk.workspace import Workspace
from tracker.errors import BadRequest
from tracker.knowledge import families
from tracker.knowledge.bench_tests import bench_tests

LTPD = Path(__file__).parents[1] / "reference" / "ltpd.csv"


def entries(flag: str) -> list[tuple[str, int, int]]:
    """Return (percent, allowed, n) of the reference entries with a flag."""
    with LTPD.open(encoding="utf-8") as file:
        return [(r["percent"], int(r["allowed"]), int(r["n"])) for r in csv.DictReader(file) if r["flag"] == flag]


# --- sample sizes -----------------------------------------------------------------------------------------------------


def test_the_table_is_scipys_binomial_minimum_in_every_cell() -> None:
    table = {row.percent: row.n for row in lot_plan.ltpd_table("0.9")}
    found = entries("COMPUTED")
    assert len(found) > 60
    assert {(percent, allowed): table[percent][allowed] for percent, allowed, _ in found} == {
        (percent, allowed): n for percent, allowed, n in found
    }


def test_published_entries_are_met_to_within_what_printed_tables_round() -> None:
    table = {row.percent: row.n for row in lot_plan.ltpd_table("0.9")}
    # Trindade and Meade print 333, the binomial minimum, and 195, one more than it: a value from Poisson's chart.
    assert [(p, c, n, table[p][c]) for p, c, n in entries("SEEN")] == [("2", 3, 333, 333), ("2", 1, 195, 194)]
    for percent, allowed, n in entries("MEMORY"):  # MIL-PRF-38535 table D-I, from memory
        ours = table[percent][allowed]
        assert ours is not None
        assert 0 <= n - ours <= 2


@settings(max_examples=40)
@given(st.integers(5, 600), st.integers(0, 3), st.sampled_from(["0.8", "0.9", "0.95", "0.99"]))
def test_an_endless_plan_is_the_smallest_by_scipy(per_mille: int, allowed: int, confidence: str) -> None:
    n = sampling.endless_plan(str(per_mille / 1000), confidence, allowed=allowed)
    missed = 1 - float(confidence)
    assert stats.binom.cdf(allowed, n, per_mille / 1000) <= missed + 1e-12
    assert n == allowed + 1 or stats.binom.cdf(allowed, n - 1, per_mille / 1000) > missed - 1e-12


def test_a_lot_needs_fewer_than_a_lot_without_end_and_approaches_it() -> None:
    endless = lot_plan.ltpd_table("0.9")
    small, large = lot_plan.ltpd_table("0.9", 40), lot_plan.ltpd_table("0.9", 5000)
    for one, few, many in zip(endless, small, large, strict=True):
        assert one.n[0] is not None
        assert few.n[0] is not None
        assert many.n[0] is not None
        assert few.n[0] <= many.n[0] <= one.n[0]
    assert [row.n[0] for row in large[:5]] == [row.n[0] for row in endless[:5]]


def test_a_bad_fraction_that_may_pass_has_no_sample() -> None:
    assert lot_plan.ltpd_table("0.9", 10)[4].n == (9, None, None, None)  # 10 % of 10 is one bad piece


# --- what the tested pieces say ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("failed", "tested", "confidence", "upper"),
    [
        (0, 10, 0.975, 0.3084971),  # upper end of the two-sided 95 % interval for 0 of 10: SciPy
        (7, 50, 0.975, 0.26739600249700846),  # scipy.stats docstring of proportion_ci
        (4, 20, 0.95, 0.4010281),  # NIST e-Handbook 7.2.4.1, from memory
        (0, 22, 0.9, 1 - 0.1 ** (1 / 22)),  # 1 - beta^(1/n): algebra
        (3, 3, 0.9, 1.0),
    ],
)
def test_one_sided_clopper_pearson(failed: int, tested: int, confidence: float, upper: float) -> None:
    assert sampling.at_most(failed, tested, confidence) == pytest.approx(upper, abs=1e-7)


@settings(max_examples=60)
@given(st.integers(1, 60), st.data())
def test_the_bound_for_a_lot_is_the_largest_that_scipy_does_not_exclude(lot: int, data: st.DataObject) -> None:
    tested = data.draw(st.integers(0, lot))
    failed = data.draw(st.integers(0, tested))
    bound = sampling.bad_at_most(lot, failed, tested, "0.9")
    # Some sums are exactly a tenth, which SciPy's floating point may put on either side.
    not_excluded = stats.hypergeom.cdf(failed, lot, range(failed, lot - tested + failed + 1), tested) > 0.1 + 1e-9
    assert bound == failed + max(np.flatnonzero(not_excluded))
    assert failed <= bound <= lot - (tested - failed)


@pytest.mark.parametrize("confidence", ["0.9", "0.95"])
def test_the_bound_for_a_lot_covers_exactly_as_often_as_it_says(confidence: str) -> None:
    # Summed over every outcome, for every number of bad pieces: no simulation, whole numbers throughout.
    lot, tested = 30, 12
    bounds = [sampling.bad_at_most(lot, failed, tested, confidence) for failed in range(tested + 1)]
    for bad in range(lot + 1):
        covered = Fraction(0)
        for failed in range(max(0, tested - lot + bad), min(tested, bad) + 1):
            below = sampling.accepted(lot, bad, tested, failed - 1) if failed else Fraction(0)
            if bounds[failed] >= bad:
                covered += sampling.accepted(lot, bad, tested, failed) - below
        assert covered >= Fraction(confidence)


def test_seeded_draws_are_covered_at_least_as_often_as_stated() -> None:
    rng = np.random.default_rng(20310402)
    lot, tested, draws = 40, 15, 4000
    bounds = np.array([sampling.bad_at_most(lot, failed, tested, "0.95") for failed in range(tested + 1)])
    shares = np.array([sampling.at_most(failed, tested, "0.95") for failed in range(tested + 1)])
    ends = [sampling.interval(failed, tested, 0.95) for failed in range(tested + 1)]
    lower, upper = np.array([one.lower for one in ends]), np.array([one.upper for one in ends])
    for bad in (0, 1, 4, 12, 25):
        drawn = rng.hypergeometric(bad, lot - bad, tested, draws)
        assert (bounds[drawn] >= bad).mean() >= 0.95 - 3 * np.sqrt(0.05 * 0.95 / draws)
        endless = rng.binomial(tested, bad / lot, draws)
        assert (shares[endless] >= bad / lot).mean() >= 0.95 - 3 * np.sqrt(0.05 * 0.95 / draws)
        within = (lower[endless] <= bad / lot) & (bad / lot <= upper[endless])
        assert within.mean() >= 0.95 - 3 * np.sqrt(0.05 * 0.95 / draws)


def test_testing_every_piece_leaves_nothing_to_bound() -> None:
    found = lot_plan.said(5, 1, 5, "0.9")
    assert (found.rest, found.rest_bad_at_most) == (0, 0)


# --- the plan ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("part", "signature", "curves", "tests"),
    [
        ("CV6522AP", False, False, ["current", "clock"]),
        ("HDS4051", False, False, ["current"]),
        ("HDS27C256", True, False, ["signature"]),
        ("CV6522AP", False, True, ["current", "clock", "curve"]),
        ("QX9911", False, False, ["in-circuit"]),
    ],
)
def test_the_claimed_part_chooses_the_tests(part: str, signature: bool, curves: bool, tests: list[str]) -> None:
    found = lot_plan.suited(families.for_part(part), signature=signature, curves=curves)
    assert [one.test.name for one in found] == tests
    assert all(one.why and len(one.test.source.split()) > 2 for one in found)


def test_a_grade_that_the_seller_claims_asks_for_the_clock_as_well() -> None:
    found = lot_plan.suited(None, signature=False, curves=False, grade="4 MHz")
    assert [(one.test.name, "4 MHz" in one.why) for one in found] == [("clock", True)]
    assert [one.test.name for one in lot_plan.suited(None, signature=False, curves=False, grade="B")] == ["in-circuit"]


def test_time_is_spent_on_the_quickest_test_first() -> None:
    tests = lot_plan.suited(families.for_part("CV6522AP"), signature=False, curves=False)
    current, clock = bench_tests()["current"], bench_tests()["clock"]
    free = lot_plan.lay_out(tests, 20, {})
    assert [one.now for one in free.tests] == [14, 14]
    short = lot_plan.lay_out(tests, 20, {}, have_min=current.setup_min + 14 * current.piece_min + 30)
    assert [one.now for one in short.tests] == [14, int((30 - clock.setup_min) // clock.piece_min)]
    assert short.minutes <= (short.have_min or 0)
    assert "does not suffice for clock" in short.notes[0]
    assert short.tests[1].reached_confidence < free.tests[1].reached_confidence
    nothing = lot_plan.lay_out(tests, 20, {}, have_min=1)
    assert [(one.now, one.minutes, one.if_none_fails) for one in nothing.tests] == [(0, 0.0, None)] * 2


def test_what_was_tested_is_counted() -> None:
    tests = lot_plan.suited(families.for_part("HDS4051"), signature=False, curves=False)
    (one,) = lot_plan.lay_out(tests, 20, {"current": Done(10, 1)}).tests
    assert (one.wanted, one.now) == (14, 4)
    assert one.if_none_fails is not None
    assert (one.if_none_fails.failed, one.if_none_fails.tested) == (1, 14)


def test_a_draw_is_the_same_again_and_shared_by_tests() -> None:
    labels = [f"L0001-{n:02d}" for n in range(1, 21)]
    first = lot_plan.draw(labels, set(), 8, "L0001")
    assert first == lot_plan.draw(labels, set(), 8, "L0001") == tuple(sorted(first))
    assert first != lot_plan.draw(labels, set(), 8, "L0002")
    assert set(first) <= set(lot_plan.draw(labels, set(), 12, "L0001"))
    assert not set(lot_plan.draw(labels, set(first), 20, "L0001")) & set(first)


def test_every_piece_is_drawn_equally_often() -> None:
    labels = [str(n) for n in range(10)]
    counts = np.zeros(10)
    for seed in range(2000):
        for label in lot_plan.draw(labels, set(), 3, f"L{seed}"):
            counts[int(label)] += 1
    assert stats.chisquare(counts).pvalue > 0.001


# --- as recorded ------------------------------------------------------------------------------------------------------


def test_a_lots_plan_counts_its_runs(workspace: Workspace) -> None:
    a_lot(workspace, quantity=20, received=20)
    for piece in ("L1-1", "L1-2"):
        bench.run_current(workspace, piece, CurrentRequest(currents=("2 mA",), clock="2 MHz"))
    bench.run_current(workspace, "L1-3", CurrentRequest(currents=("96 mA",), clock="2 MHz"))
    bench.run_clock(workspace, "L1-1", ClockRequest(pairs=("1 MHz=pass", "1.2 MHz=fail")))
    found = plan_lot(workspace, "L1", PlanRequest())
    assert [(one.test, one.done.tested, one.done.failed) for one in found.plan.tests] == [
        ("current", 3, 1),
        ("clock", 1, 1),
    ]
    told = {one.test: (one.said.failed, one.said.tested) for one in found.told}
    assert told == {"current": (1, 3), "clock": (1, 1), "any test": (2, 3)}
    taken = dict(found.take)
    assert len(taken["current"]) == 11
    assert not {"L0001-01", "L0001-02", "L0001-03"} & set(taken["current"])
    assert found.defaults
    stated = plan_lot(workspace, "L1", PlanRequest("25 %", "95 %", "1 h"))
    assert (stated.plan.sample.bad_pieces, stated.plan.sample.confidence, stated.plan.have_min) == (5, 0.95, 60.0)
    assert not stated.defaults


def test_a_table_for_a_lot_of_the_workspace(workspace: Workspace) -> None:
    a_lot(workspace)
    assert ltpd_table(workspace, "L1", None)[0].n == lot_plan.ltpd_table("0.9", 3)[0].n
    assert ltpd_table(None, None, "90 %") == lot_plan.ltpd_table("0.9")


@pytest.mark.parametrize(
    ("request_", "match"),
    [
        (PlanRequest(bad_fraction="10"), "the bad fraction"),
        (PlanRequest(confidence="100 %"), "the confidence"),
        (PlanRequest(have="5 V"), "a time is needed"),
        (PlanRequest(have="0"), "nothing can be tested"),
        (PlanRequest(have="-3"), "negative"),
    ],
)
def test_wrong_requests_for_a_plan(workspace: Workspace, request_: PlanRequest, match: str) -> None:
    a_lot(workspace)
    with pytest.raises(BadRequest, match=match):
        plan_lot(workspace, "L1", request_)


@pytest.mark.parametrize(
    ("call", "match"),
    [
        (lambda: sampling.at_most(3, 2, "0.9"), "number failed"),
        (lambda: sampling.at_most(0, 2, "1"), "confidence"),
        (lambda: sampling.bad_at_most(5, 0, 6, "0.9"), "number tested"),
        (lambda: sampling.bad_at_most(0, 0, 0, "0.9"), "lot size"),
        (lambda: sampling.endless_plan("0", "0.9"), "bad fraction"),
        (lambda: sampling.endless_plan("0.00001", "0.9"), "more pieces"),
        (lambda: sampling.endless_plan("0.1", "0.9", allowed=-1), "allowed"),
    ],
)
def test_refusals(call, match: str) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(BadRequest, match=match):
        call()
