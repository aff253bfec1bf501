"""Next test, costs, siblings, a lot's outlook and sellers' records: from outside, on records."""

from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest
from asked import asked as questions_of
from conftest import Lotproof
from growing import TODAY as GROWN_TODAY
from growing import Growth, grow
from stock import TODAY, a_lot

from tracker.desk import bench
from tracker.desk.assess import piece_suspicions
from tracker.desk.bench import ClockRequest, CurrentRequest
from tracker.desk.costs import CostsRequest, set_costs, show_costs
from tracker.desk.decide import decide, declare_exemplar, settle
from tracker.desk.fitting import fit
from tracker.desk.listing import list_rows
from tracker.desk.log import read_log
from tracker.desk.next_test import NextTests, next_tests
from tracker.desk.pieces import find_lot, find_piece
from tracker.desk.rows import PieceRow, SellerRow
from tracker.desk.sellers import SellerShown
from tracker.desk.showing import LotShown, show
from tracker.desk.verify import verify
from tracker.desk.workspace import Workspace
from tracker.errors import BadRequest
from tracker.judgement.suspicion import SumLine, odds_to_probability

GOOD = CurrentRequest(currents=("2 mA",), clock="2 MHz")
BAD = CurrentRequest(currents=("96 mA",), clock="2 MHz")


def asked(workspace: Workspace, what: str | None = None, minutes: str | None = None) -> NextTests:
    return next_tests(workspace, what, minutes=minutes, today=TODAY)


def lines_of(workspace: Workspace, label: str) -> tuple[float, list[SumLine]]:
    with workspace.read() as session:
        piece = find_piece(session, label)
        found = piece_suspicions(session, [piece])[piece.id]
    return found.total_db, list(found.lines)


def siblings_of(workspace: Workspace, label: str) -> list[SumLine]:
    return [line for line in lines_of(workspace, label)[1] if line.kind == "siblings"]


# --- siblings ---------------------------------------------------------------------------------------------------------


def test_siblings_speak_in_a_line_of_their_own_and_not_through_the_seller_as_well(workspace: Workspace) -> None:
    a_lot(workspace, quantity=5, received=5)
    prior = lines_of(workspace, "L1-1")[0]
    settle(workspace, "L1-2", "not-genuine", "opened", operator="mira")
    (told,) = siblings_of(workspace, "L1-1")
    assert told.text == "Siblings in its lot: 1 known not to be genuine"
    total, lines = lines_of(workspace, "L1-1")
    assert lines[0].weight_db == pytest.approx(prior)  # its own lot is not in the seller's record a second time
    # By hand: Beta-binomial of concentration 0.5 at 15 %: (0.075 + 1) / 1.5 of its siblings are bad as well.
    assert odds_to_probability(total) == pytest.approx(1.075 / 1.5, abs=1e-3)
    settle(workspace, "L1-3", "genuine", "opened", operator="mira")
    assert siblings_of(workspace, "L1-1")[0].weight_db < told.weight_db
    assert siblings_of(workspace, "L1-2")[0].text == "Siblings in its lot: 1 known to be genuine"
    settle(workspace, "L1-2", "not-genuine", "slip", withdraw=True, operator="mira")
    settle(workspace, "L1-3", "genuine", "slip", withdraw=True, operator="mira")
    assert siblings_of(workspace, "L1-1") == []
    assert lines_of(workspace, "L1-1")[0] == pytest.approx(prior)


def test_other_lots_of_the_seller_still_hear_of_it(workspace: Workspace) -> None:
    a_lot(workspace)
    a_lot(workspace)
    before = lines_of(workspace, "L2-1")[0]
    settle(workspace, "L1-2", "not-genuine", "opened", operator="mira")
    assert lines_of(workspace, "L2-1")[0] > before
    assert siblings_of(workspace, "L2-1") == []


def test_untested_siblings_are_listed_with_what_the_tested_ones_say(workspace: Workspace) -> None:
    a_lot(workspace)
    assert [row.suspicion for row in list_rows(workspace, "pieces").rows if isinstance(row, PieceRow)] == [None] * 3
    bench.run_current(workspace, "L1-1", BAD)
    found = [row.suspicion for row in list_rows(workspace, "pieces").rows if isinstance(row, PieceRow)]
    assert all(one is not None and one > 0.5 for one in found)
    assert siblings_of(workspace, "L1-2")[0].text == "Siblings in its lot: 1 of 1 tested failed at the bench"
    assert siblings_of(workspace, "L1-1") == []


def test_an_exemplar_speaks_for_its_siblings(workspace: Workspace) -> None:
    a_lot(workspace)
    declare_exemplar(workspace, "L1-1", "from the maker", operator="mira")
    (told,) = siblings_of(workspace, "L1-2")
    assert told.weight_db < -2


# --- next test --------------------------------------------------------------------------------------------------------


def test_the_quick_test_on_one_piece_comes_first_and_what_it_would_mean_comes_true(workspace: Workspace) -> None:
    a_lot(workspace, source="broker", quantity=4, received=4)
    found = asked(workspace, "L1")
    assert found.nothing == ""
    first = found.steps[0]
    assert (first.test, first.minutes) == ("current", 12.0)
    bench.run_current(workspace, first.piece, BAD)
    rows = {row.piece: row.suspicion for row in list_rows(workspace, "pieces").rows if isinstance(row, PieceRow)}
    assert rows[first.piece] == pytest.approx(first.meaning.if_fail, abs=1e-6)
    others = [value for piece, value in rows.items() if piece != first.piece]
    assert others == pytest.approx([first.meaning.siblings_if_fail] * 3, abs=1e-6)
    # The same numbers stand in the next answer.
    again = asked(workspace, "L1")
    assert all(step.meaning.now == pytest.approx(rows[step.piece], abs=1e-6) for step in again.steps)


def test_a_piece_a_lot_and_the_whole_bench(workspace: Workspace) -> None:
    a_lot(workspace, source="broker")
    a_lot(workspace, source="broker", claim_by=TODAY + timedelta(days=2))
    one = asked(workspace, "l2-3")
    assert (one.asked, {step.piece for step in one.steps}) == ("L0002-03", {"L0002-03"})
    lot = asked(workspace, "l2")
    assert {step.lot for step in lot.steps} == {"L0002"}
    every = asked(workspace)
    assert (every.asked, {step.lot for step in every.steps}) == ("", {"L0001", "L0002"})
    # Both lots are alike: the one whose claim window closes comes first.
    assert (every.steps[0].lot, every.steps[0].days_left) == ("L0002", 2)
    assert every.loss == pytest.approx(2 * lot.loss)


def test_minutes_are_kept(workspace: Workspace) -> None:
    a_lot(workspace, source="broker", quantity=5, received=5)
    found = asked(workspace, None, "15")
    assert 0 < found.minutes <= 15
    assert asked(workspace, None, "1 h").have_min == 60
    short = asked(workspace, None, "3 min")
    assert short.steps == ()
    assert short.nothing.startswith("Nothing that is worth its time fits into 3 min. First would be current on ")


@pytest.mark.parametrize("minutes", ["0", "-5", "0 min"])
def test_no_time_is_refused(workspace: Workspace, minutes: str) -> None:
    a_lot(workspace)
    with pytest.raises(BadRequest):
        asked(workspace, None, minutes)


@pytest.mark.parametrize("minutes", ["soon", "5 V", "", "nan"])
def test_time_that_is_none_is_refused(workspace: Workspace, minutes: str) -> None:
    with pytest.raises(BadRequest):
        asked(workspace, None, minutes)


@pytest.mark.parametrize("label", ["L9", "L1-99", "poem", "L1-1..3", "M0001", "", "L1\x1b[31m"])
def test_a_label_that_is_none_is_refused(workspace: Workspace, label: str) -> None:
    a_lot(workspace)
    with pytest.raises(BadRequest) as refused:
        asked(workspace, label)
    assert "\x1b" not in str(refused.value)


def test_a_lot_without_pieces_has_nothing_to_test_and_no_outlook(workspace: Workspace) -> None:
    a_lot(workspace, received=0)
    with pytest.raises(BadRequest, match="no pieces"):
        asked(workspace, "L1")
    shown = show(workspace, "L1", today=TODAY)
    assert isinstance(shown, LotShown)
    assert shown.outlook is None
    assert "nothing to test" in asked(workspace).nothing


def test_decided_fitted_returned_and_settled_pieces_are_said_to_be(workspace: Workspace) -> None:
    a_lot(workspace, quantity=5, received=5)
    fit(workspace, "L1-1", "Orrin 8", "U12", operator="mira")
    decide(workspace, ["L1-2"], "return", "late", operator="mira")
    decide(workspace, ["L1-3"], "accept", "fine", operator="mira")
    settle(workspace, "L1-4", "genuine", "opened", operator="mira")
    for piece, word in (("L1-1", "fitted"), ("L1-2", "returned"), ("L1-3", "accepted"), ("L1-4", "settled")):
        found = asked(workspace, piece)
        assert found.steps == ()
        assert word in found.nothing
    assert {step.piece for step in asked(workspace, "L1").steps} <= {"L0001-05"}
    decide(workspace, ["L1-4", "L1-5"], "reject", "late", operator="mira")
    assert "all are decided on" in asked(workspace, "L1").nothing


def test_contradictory_and_undecided_runs_are_told(workspace: Workspace) -> None:
    a_lot(workspace)
    bench.run_current(workspace, "L1-1", GOOD)
    bench.run_clock(workspace, "L1-1", ClockRequest(pairs=("1 MHz=pass", "1.2 MHz=fail")))
    found = asked(workspace, "L1-1")
    assert found.nothing.startswith("Every test")
    assert any("do not agree on L0001-01" in note for note in found.notes)
    # Without a limit nothing is decided; the test is not asked for again.
    a_lot(workspace, part="QX9911")
    bench.run_current(workspace, "L2-1", CurrentRequest(currents=("2 mA",), clock="2 MHz"))
    assert any("current was undecided on L0002-01" in note for note in asked(workspace, "L2").notes)


def test_pieces_without_a_photo_are_named(workspace: Workspace) -> None:
    a_lot(workspace)
    (note,) = asked(workspace, "L1").notes
    assert note.startswith("3 open pieces of L0001 have no photo; looking first may spare tests")
    decide(workspace, ["L1-1", "L1-2"], "accept", "looks right", operator="mira")
    assert asked(workspace, "L1").notes[0].startswith("1 open piece of L0001 has no photo")


def test_where_no_test_would_change_a_decision_it_is_named(workspace: Workspace) -> None:
    a_lot(workspace)
    settle(workspace, "L1-1", "not-genuine", "opened", operator="mira")
    settle(workspace, "L1-2", "not-genuine", "opened", operator="mira")
    found = asked(workspace, "L1-3")
    # By hand, as above: (0.075 + 2) / 2.5.
    no_test = "No test that is left would change a decision, whatever it showed: by what is known "
    assert found.nothing == f"{no_test}reject 1 (83 %)."
    assert asked(workspace, "L1").nothing == f"{no_test}reject 3 (83 % to over 99 %)."


def test_an_empty_bench_and_an_answer_that_names_what_would_be_best(workspace: Workspace) -> None:
    assert "nothing to test" in asked(workspace).nothing
    a_lot(workspace, source="authorised", received=1, quantity=1)
    found = asked(workspace, "L1-1")
    assert found.nothing.startswith("No test is worth its time. The best is current on L0001-01 (12 min, saves ")


# --- costs ------------------------------------------------------------------------------------------------------------


def test_costs_are_kept_in_the_journal_and_supersede_each_other(workspace: Workspace) -> None:
    a_lot(workspace, source="broker")
    declared = show_costs(workspace)
    assert (declared.said, declared.costs.source) == ("", "common practice, no source")
    before = asked(workspace, "L1").saves
    request = CostsRequest(fit_bad="400", tests=("current=4+1.5",), reason="three returns last year")
    found = set_costs(workspace, request, operator="mira")
    assert (found.costs.fit_bad, found.costs.reject_good, found.costs.minute) == (400.0, 15.0, declared.costs.minute)
    assert (found.tests["current"].setup_min, found.tests["current"].piece_min) == (4.0, 1.5)
    assert "mira" in found.costs.source
    assert "three returns" in found.tests["current"].source
    assert "no source" in found.tests["clock"].source
    assert asked(workspace, "L1").saves != pytest.approx(before)
    later = set_costs(workspace, CostsRequest(minute="0", reason="apprentice's time"), operator="jo")
    assert (later.costs.fit_bad, later.costs.minute, later.tests["current"].setup_min) == (400.0, 0.0, 4.0)
    back = set_costs(workspace, CostsRequest(declared=True, reason="start again"), operator="jo")
    assert (back.costs, back.tests["current"].setup_min) == (declared.costs, 10.0)
    assert [entry.act for entry in read_log(workspace).entries][-3:] == ["costs"] * 3
    assert verify(workspace).sound


@pytest.mark.parametrize(
    "changes",
    [
        {"fit_bad": "-3"},
        {"fit_bad": "0"},
        {"fit_bad": "nan"},
        {"fit_bad": "inf"},
        {"fit_bad": "1e300"},
        {"fit_bad": "12 EUR"},
        {"reject_good": "99999999"},
        {"minute": "-1"},
        {"minute": "a lot"},
        {"tests": ("current",)},
        {"tests": ("current=5",)},
        {"tests": ("current=5+0",)},
        {"tests": ("current=-5+2",)},
        {"tests": ("current=5+99999",)},
        {"tests": ("smell=5+1",)},
        {"fit_bad": "5", "declared": True},
        {"fit_bad": "5", "reason": None},
        {"fit_bad": "5", "reason": "  "},
    ],
)
def test_absurd_costs_change_nothing(workspace: Workspace, changes: dict[str, Any]) -> None:
    with pytest.raises(BadRequest):
        set_costs(workspace, CostsRequest(**{"reason": "why", **changes}))
    assert read_log(workspace).entries == ()


# --- a lot as a whole -------------------------------------------------------------------------------------------------


def test_a_lots_outlook_and_its_plans(workspace: Workspace) -> None:
    a_lot(workspace, source="broker", quantity=6, received=6)
    settle(workspace, "L1-1", "genuine", "opened", operator="mira")
    shown = show(workspace, "L1", today=TODAY)
    assert isinstance(shown, LotShown)
    assert shown.outlook is not None
    seen, plans = shown.outlook.view, shown.outlook.plans
    suspicions = [row.suspicion for row in shown.pieces]
    assert list(seen.each) == pytest.approx(suspicions)
    assert seen.prior == pytest.approx(0.1)
    assert seen.fraction < seen.prior
    assert [(one.test, one.pieces) for one in plans] == [
        ("", 0),
        ("current", 1),
        ("current", 3),
        ("current", 5),
    ]
    losses = [one.loss for one in plans]
    assert losses == sorted(losses, reverse=True)
    assert [one.minutes for one in plans] == [0.0, 12.0, 16.0, 20.0]
    assert 0 < plans[-1].bad_accepted < plans[0].bad_accepted


# --- sellers ----------------------------------------------------------------------------------------------------------


def test_a_sellers_record_counts_lots(workspace: Workspace) -> None:
    for _ in range(3):
        a_lot(workspace)
    settle(workspace, "L1-1", "not-genuine", "opened", operator="mira")
    settle(workspace, "L1-2", "genuine", "opened", operator="mira")
    settle(workspace, "L2-1", "genuine", "opened", operator="mira")
    shown = show(workspace, "quayside  SURPLUS")
    assert isinstance(shown, SellerShown)
    assert shown.said.startswith("1 of 2 known lots had pieces that were not as claimed; 95 % interval")
    assert [(lot.lot, lot.known, lot.not_genuine) for lot in shown.lots] == [
        ("L0001", 2, 1),
        ("L0002", 1, 0),
        ("L0003", 0, 0),
    ]
    assert shown.trend is None
    # By hand: the declared 1.5 and 8.5 of a marketplace, half a bad lot and one and a half good ones.
    assert shown.next_lot[0].not_genuine == pytest.approx(2 / 12)
    (row,) = list_rows(workspace, "sellers").rows
    assert isinstance(row, SellerRow)
    assert (row.known_lots, row.bad_lots) == (2, 1)
    assert (row.share_low, row.share_high) == (shown.record.low, shown.record.high)


def test_a_machine_of_the_same_name_comes_first_and_an_unknown_name_is_refused(workspace: Workspace) -> None:
    a_lot(workspace)
    fit(workspace, "L1-1", "Quayside Surplus", "U1", operator="mira")
    assert not isinstance(show(workspace, "Quayside Surplus"), SellerShown)
    with pytest.raises(BadRequest):
        show(workspace, "Nobody & Sons")


# --- the command line -------------------------------------------------------------------------------------------------


def test_the_verbs(lotproof: Lotproof, tmp_path: Path) -> None:
    place = ("--workspace", tmp_path / "ws")
    lotproof(
        "receive", "--seller", "[bold]Q<script>", "--source", "broker", "--part", "CV6522AP", "--quantity", "3", *place
    )
    said = lotproof("next", *place)
    assert said.code == 0
    assert "current  L0001-01" in said.out
    assert "saves" in said.out
    document = lotproof("next", "L1-2", "--minutes", "35", "--json", *place).json
    assert document["schema"] == "lotproof.next/1"
    assert document["have_min"] == 35
    assert document["steps"][0]["piece"] == "L0001-02"
    assert lotproof("next", "--minutes", "0", *place).code == 2
    assert lotproof("next", "L7", *place).code == 2
    assert lotproof("next", "L1", *place).out.count("L0001-") >= 1
    costs = lotproof("costs", "--json", *place).json
    assert costs["schema"] == "lotproof.costs/1"
    assert costs["costs"]["threshold"] == pytest.approx(15 / 135)
    assert lotproof("costs", "--fit-bad", "ten", "--reason", "x", *place).code == 2
    assert lotproof("costs", "--fit-bad", "200", *place).code == 2
    assert lotproof("costs", "--reason", "x", *place).code == 2
    told = lotproof("costs", "--fit-bad", "200", "--test", "clock=20+5", "--reason", "[red]why", *place)
    assert told.code == 0
    assert "[red]why" in told.out
    lot = lotproof("show", "L1", *place)
    assert "The lot as a whole" in lot.out
    assert lotproof("show", "L1", "--json", *place).json["outlook"]["view"]["open"] == 3
    seller = lotproof("show", "[bold]Q<script>", *place)
    assert seller.out.startswith("[bold]Q<script>")
    assert lotproof("show", "[bold]Q<script>", "--json", *place).json["schema"] == "lotproof.seller/1"
    assert "record" not in lotproof("list", "sellers", *place).out  # nothing is known yet
    lotproof("settle", "L1-1", "not-genuine", "--grounds", "opened", *place)
    assert "1 of 1 known lot not as claimed (15 to 100 %)" in lotproof("list", "sellers", *place).out


def test_dates_of_the_claim_window(workspace: Workspace) -> None:
    a_lot(workspace, source="broker", claim_by=TODAY)
    found = next_tests(workspace, "L1", minutes=None, today=TODAY)
    assert found.steps[0].days_left == 0
    late = next_tests(workspace, "L1", minutes=None, today=date(2031, 5, 1))
    assert late.steps[0].days_left is not None
    assert late.steps[0].days_left < 0
    with workspace.read() as session:
        assert find_lot(session, "L1").claim_by == TODAY


@pytest.mark.parametrize("pieces", [20, 120])
def test_it_takes_no_more_questions_for_more_pieces(tmp_path: Path, pieces: int) -> None:
    with Workspace.open(tmp_path / "w", create=True) as grown:
        grow(grown, Growth(lots=2, pieces=pieces, runs=0.4, decided=0.2, settled=0.2, seed=5))
        for what, most in ((None, 42), ("L0001", 22)):
            with questions_of(grown) as questions:
                found = next_tests(grown, what, minutes=None, today=GROWN_TODAY)
            assert found.loss > 0
            assert questions.number <= most
