"""What the records teach: which pieces' truth is known, what their photos and bench tests add, what is taken back."""

from collections.abc import Sequence
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from settled_workshop import decided, look, put, ran, settle_all
from sqlalchemy import event, select
from staged import Stage, chip, found, picture
from stock import TODAY, a_lot
from workshop_simulation import World

from tracker.desk import photograph as photographing
from tracker.desk.assess import piece_suspicion, piece_suspicions
from tracker.desk.bench import CurrentRequest, run_current
from tracker.desk.decide import declare_exemplar, settle
from tracker.desk.facts import facts_of
from tracker.desk.learned import Learned, learned
from tracker.desk.pieces import find_piece, resolve_pieces
from tracker.desk.remembered import Remembered
from tracker.desk.truths import SellerRecords, Truth, truths
from tracker.desk.workspace import Workspace
from tracker.judgement.counts import ABSENT, CLEAR, SLIGHT
from tracker.judgement.suspicion import Suspicion
from tracker.judgement.weights import declared, learning_rule
from tracker.records.models import Photo

SANDED, COATED = "surface-sanded", "surface-coated"


@pytest.fixture
def stocked(workspace: Workspace) -> Workspace:
    """Give L0001 and L0002 of three pieces each; of L0001 the first two are sanded, all are photographed."""
    a_lot(workspace)
    a_lot(workspace)
    with workspace.act("mira", "photograph", "") as act:
        for lot in (1, 2):
            kept = act.keep(f"photo {lot}".encode())
            size = {"size_bytes": kept.size_bytes, "width": 40, "height": 30}
            photo = act.add(Photo(lot_id=lot, role="top", name="p.jpg", sha256=kept.sha256, **size))
            for index in range(3):
                piece = find_piece(act.session, f"L000{lot}-0{index + 1}")
                outcome = CLEAR if lot == 1 and index < 2 else ABSENT
                look(act, photo, piece, index, {SANDED: outcome, COATED: SLIGHT if index == 2 else ABSENT})
    return workspace


def now(workspace: Workspace) -> Learned:
    with workspace.read() as session:
        return learned(session)


def suspicion(workspace: Workspace, label: str) -> Suspicion:
    with workspace.read() as session:
        return piece_suspicion(session, find_piece(session, label))


def bench(workspace: Workspace, label: str, verdicts: Sequence[tuple[str, str]], disposition: str | None) -> None:
    with workspace.act("mira", "bench", label) as act:
        piece = find_piece(act.session, label)
        for test, verdict in verdicts:
            ran(act, piece, test, verdict)
        if disposition:
            decided(act, piece, disposition)


def test_without_a_settled_piece_all_is_as_declared(stocked: Workspace) -> None:
    assert now(stocked).experience.weights == declared()
    assert now(stocked).truths == ()


def test_a_settled_piece_teaches_what_was_found_and_what_was_not(stocked: Workspace) -> None:
    settle(stocked, "L0001-01", "not-genuine", "opened by a laboratory", operator="mira")
    taught = now(stocked).experience.weights.taught
    assert (taught[SANDED].not_genuine.present, taught[SANDED].not_genuine.absent) == (1, 0)
    assert (taught[COATED].not_genuine.present, taught[COATED].not_genuine.absent) == (0, 1)
    assert taught[SANDED].genuine.total == 0
    settle(stocked, "L0002-03", "genuine", "opened by a laboratory", operator="mira")
    taught = now(stocked).experience.weights.taught
    assert (taught[COATED].genuine.slight, taught[SANDED].genuine.absent) == (1, 1)
    version = now(stocked).experience.version
    assert version.startswith(declared().version)
    assert version.endswith("2 settled pieces up to entry 5")


def test_settled_and_withdrawn_is_as_if_never_said(stocked: Workspace) -> None:
    before = suspicion(stocked, "L0002-01")
    settle(stocked, "L0001-01", "not-genuine", "a laboratory", operator="mira")
    assert suspicion(stocked, "L0002-01") != before
    settle(stocked, "L0001-01", "not-genuine", "wrong piece opened", withdraw=True, operator="mira")
    assert suspicion(stocked, "L0002-01") == before
    assert now(stocked).experience.weights == declared()


def test_a_later_settlement_takes_the_place_of_an_earlier_one(stocked: Workspace) -> None:
    settle(stocked, "L0001-01", "not-genuine", "a laboratory", operator="mira")
    settle(stocked, "L0001-01", "genuine", "a better laboratory", operator="mira")
    taught = now(stocked).experience.weights.taught[SANDED]
    assert (taught.not_genuine.total, taught.genuine.present, taught.pieces) == (0, 1, 1)


def test_the_order_of_settlements_does_not_matter(workspace: Workspace) -> None:
    lots = World(31).lots(6)
    labels = put(workspace, lots)
    pieces = [piece for lot in lots for piece in lot.pieces]
    settle_all(workspace, pieces[::-1], labels)
    backwards = now(workspace).experience
    for piece in pieces:  # said once more, in order
        settle_all(workspace, [piece], labels)
    assert now(workspace).experience.weights.taught == backwards.weights.taught
    assert now(workspace).experience.weights.together == backwards.weights.together


def test_a_piece_s_own_truth_weighs_in_its_sum_as_a_line_and_nowhere_else(stocked: Workspace) -> None:
    unsettled = suspicion(stocked, "L0001-01")
    settle(stocked, "L0001-01", "not-genuine", "a laboratory", operator="mira")
    sum_ = suspicion(stocked, "L0001-01")
    assert [line for line in sum_.lines if line.family != "settled"] == list(unsettled.lines)
    assert any(line.family == "settled" for line in sum_.lines)
    # Its sibling's sum has learned from it.
    basis = next(line.basis for line in suspicion(stocked, "L0001-02").lines if line.code == SANDED)
    assert basis is not None
    assert (basis.settled, basis.not_genuine_of) == (1, learning_rule().declared_pieces + 1)


def test_today_s_sum_has_today_s_weights_and_the_record_keeps_its_own(stocked: Workspace) -> None:
    for number in (1, 2):
        settle(stocked, f"L0001-0{number}", "genuine", "opened", operator="mira")
    a_lot(stocked)
    with stocked.act("mira", "photograph", "") as act:
        photo = act.session.scalars(select(Photo)).first()
        assert photo is not None
        look(act, photo, find_piece(act.session, "L0003-01"), 9, {SANDED: CLEAR})
    line = next(line for line in suspicion(stocked, "L0003-01").lines if line.code == SANDED)
    assert line.weight_db == now(stocked).experience.weights.weight_db(SANDED) < declared().weight_db(SANDED) - 5
    with stocked.read() as session:
        piece = find_piece(session, "L0003-01")
        ((_, inspection),) = facts_of(session, [piece])[piece.id].inspections
        assert [finding.weight_db for finding in inspection.findings] == [1.0]  # as it was recorded


def test_bench_truths_teach_photos_and_never_the_bench(stocked: Workspace) -> None:
    bench(stocked, "L0001-01", [("current", "fail"), ("clock", "pass")], "rejected")
    found = now(stocked)
    assert [(one.not_genuine, one.by_bench) for one in found.truths] == [(True, True)]
    assert found.experience.weights.taught[SANDED].not_genuine.present == 1
    assert not [code for code in found.experience.weights.taught if code.startswith("bench-")]
    # A laboratory's word tries both tests.
    settle(stocked, "L0001-01", "not-genuine", "a laboratory", operator="mira")
    taught = now(stocked).experience.weights.taught
    assert taught["bench-current-fail"].not_genuine.present == 1
    assert taught["bench-current-pass"].not_genuine.absent == 1
    assert taught["bench-clock-pass"].not_genuine.present == 1


@pytest.mark.parametrize(
    ("verdicts", "disposition", "expected"),
    [
        ([("current", "fail")], "rejected", True),
        ([("current", "fail"), ("clock", "pass")], "returned", True),
        ([("current", "pass")], "accepted", False),
        ([("current", "pass"), ("clock", "undecided")], "accepted", False),
        ([("current", "fail"), ("clock", "pass")], "accepted", None),  # a pass and a fail: known neither way
        ([("current", "fail"), ("current", "pass")], "accepted", False),  # measured again: the later one holds
        ([("current", "fail"), ("current", "undecided")], "rejected", True),
        ([("current", "undecided")], "rejected", None),
        ([("current", "pass")], "rejected", None),
        ([("current", "fail")], None, None),
        ([], "rejected", None),  # a decision from photos alone teaches nothing
        ([("current", "fail")], "quarantined", None),
    ],
)
def test_what_bench_and_decision_make_known(
    stocked: Workspace, verdicts: list[tuple[str, str]], disposition: str | None, expected: bool | None
) -> None:
    bench(stocked, "L0001-01", verdicts, disposition)
    with stocked.read() as session:
        assert [one.not_genuine for one in truths(session)] == ([] if expected is None else [expected])
        seller = find_piece(session, "L0001-01").lot.seller_id
        assert truths(session, seller) == truths(session)
        assert truths(session, seller + 1) == ()


def test_a_settlement_goes_before_the_bench(stocked: Workspace) -> None:
    bench(stocked, "L0001-01", [("current", "fail")], "rejected")
    settle(stocked, "L0001-01", "genuine", "a laboratory", operator="mira")
    assert [(one.not_genuine, one.by_bench) for one in now(stocked).truths] == [(False, False)]
    notes = [line for line in suspicion(stocked, "L0001-01").lines if line.kind == "note"]
    assert [line.weight_db for line in notes] == [0.0]
    assert "Settled as genuine, though B0001, supply current failed. The settlement is its truth" in notes[0].text
    settle(stocked, "L0001-01", "genuine", "mixed up", withdraw=True, operator="mira")
    assert [(one.not_genuine, one.by_bench) for one in now(stocked).truths] == [(True, True)]


def test_what_does_not_agree_is_said_in_the_sum(stocked: Workspace) -> None:
    bench(stocked, "L0001-01", [("current", "fail"), ("clock", "pass")], None)
    (note,) = [line.text for line in suspicion(stocked, "L0001-01").lines if line.kind == "note"]
    assert note == ("Bench tests do not agree: B0001, supply current failed, B0002, clock ceiling passed. Both count.")
    bench(stocked, "L0001-01", [], "accepted")
    note = [line.text for line in suspicion(stocked, "L0001-01").lines if line.kind == "note"][1]
    assert note.startswith("Accepted, though B0001, supply current failed. What it is counts as not known")
    assert now(stocked).truths == ()
    declare_exemplar(stocked, "L0002-01", "bought from the maker", operator="mira")
    settle(stocked, "L0002-01", "not-genuine", "a laboratory", operator="mira")
    (note,) = [line.text for line in suspicion(stocked, "L0002-01").lines if line.kind == "note"]
    assert note.startswith("Declared a known-good piece, and settled as not genuine.")
    assert not [line for line in suspicion(stocked, "L0001-02").lines if line.kind == "note"]


def test_a_verdict_that_a_later_run_took_back_is_named(stocked: Workspace) -> None:
    bench(stocked, "L0001-01", [("current", "fail"), ("current", "undecided"), ("current", "pass")], None)
    lines = suspicion(stocked, "L0001-01").lines
    (note,) = [line.text for line in lines if line.kind == "note"]
    assert note.startswith("B0001, supply current: fail, but B0003, the same test again: pass. The later alone counts")
    assert [line.code for line in lines if line.code and line.code.startswith("bench")] == ["bench-current-pass"]
    bench(stocked, "L0001-01", [("current", "fail")], None)
    (note,) = [line.text for line in suspicion(stocked, "L0001-01").lines if line.kind == "note"]
    assert note.startswith("B0003, supply current: pass, but B0004, the same test again: fail.")


def test_a_lot_without_photos_teaches_no_sign(workspace: Workspace) -> None:
    a_lot(workspace)
    settle(workspace, "L0001-01", "not-genuine", "a laboratory", operator="mira")
    found = now(workspace)
    assert found.experience.weights.taught == {}
    assert found.records.of(found.truths[0].seller) == (1.0, 0.0)


def test_a_seller_s_record_leaves_out_what_it_must() -> None:
    records = SellerRecords(
        (
            Truth(1, 1, 7, True, False),
            Truth(2, 1, 7, False, False),
            Truth(3, 2, 7, True, True),
            Truth(4, 3, 8, True, True),
        )
    )
    assert records.of(7) == (1.5, 0.5)
    assert records.of(7, without_lot=1) == (1.0, 0.0)
    assert records.of(9) == (0.0, 0.0)


@given(st.lists(st.tuples(st.integers(1, 9), st.booleans()), max_size=60), st.integers(1, 9))
def test_a_lot_is_taken_out_of_its_seller_s_record_as_if_it_had_never_come(
    told: list[tuple[int, bool]], lot: int
) -> None:
    known = tuple(Truth(number, one, one % 2, bad, False) for number, (one, bad) in enumerate(told))
    without = SellerRecords(tuple(one for one in known if one.lot != lot))
    assert SellerRecords(known).of(lot % 2, without_lot=lot) == without.of(lot % 2)
    shares: dict[int, list[bool]] = {}
    for one in known:
        if one.seller == 1:
            shares.setdefault(one.lot, []).append(one.not_genuine)
    bad = sum(sum(some) / len(some) for some in shares.values())
    assert SellerRecords(known).of(1) == pytest.approx((bad, len(shares) - bad), abs=0.000_500_1)


def test_a_photo_is_recorded_with_the_weights_of_its_day(
    stocked: Workspace, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    stage = Stage({}, [])
    monkeypatch.setattr(photographing, "look", stage.look)
    settle(stocked, "L0001-01", "genuine", "opened", operator="mira")
    a_lot(stocked)
    that_day = now(stocked).experience
    path = stage.put(picture(tmp_path, "p.png"), chip("CV6522AP", observations=[found(SANDED, "surface")]))
    document = photographing.photograph(stocked, "L0003", [path], operator="mira", today=TODAY)
    assert document.pieces[0].findings[0].weight_db == round(that_day.weights.weight_db(SANDED), 2)
    settle(stocked, "L0001-02", "genuine", "opened", operator="mira")
    with stocked.read() as session:
        piece = find_piece(session, "L0003-01")
        kept = facts_of(session, [piece])[piece.id].documents[0]
    assert kept.method["weights"] == that_day.weights.version
    assert kept.piece.findings[0].weight_db == round(that_day.weights.weight_db(SANDED), 2)
    line = next(line for line in suspicion(stocked, "L0003-01").lines if line.code == SANDED)
    assert line.weight_db < kept.piece.findings[0].weight_db  # today's


def test_a_run_is_recorded_with_the_weight_of_its_day(stocked: Workspace) -> None:
    bench(stocked, "L0001-01", [("current", "fail")], None)
    settle(stocked, "L0001-01", "genuine", "opened", operator="mira")
    weight = now(stocked).experience.weights.weight_db("bench-current-fail")
    assert weight < declared().weight_db("bench-current-fail")
    recorded = run_current(
        stocked, "L0002-01", CurrentRequest(currents=("96 mA",), clock="2 MHz", u="0.5 mA"), operator="mira"
    )
    assert (recorded.verdict, recorded.weight_db) == ("fail", weight)
    # What a piece's own settlement taught is not in its own run.
    again = run_current(
        stocked, "L0001-01", CurrentRequest(currents=("96 mA",), clock="2 MHz", u="0.5 mA"), operator="mira"
    )
    assert again.weight_db == pytest.approx(declared().weight_db("bench-current-fail"))


def test_questions_to_the_database_do_not_grow_with_pieces_lots_or_sellers(workspace: Workspace) -> None:
    def asked(session_of: Workspace) -> int:
        asked: list[str] = []
        engine = session_of._engine
        session_of._remembered = Remembered()  # as in a new process

        def count(*args: object) -> None:
            asked.append(str(args[2]))

        with session_of.read() as session:
            pieces = resolve_pieces(session, labels)
            _ = [piece.lot.seller for piece in pieces]
            event.listen(engine, "before_cursor_execute", count)
            piece_suspicions(session, pieces)
            event.remove(engine, "before_cursor_execute", count)
        return len(asked)

    world = World(32, sellers=6)
    first = world.lots(3)
    names = put(workspace, first)
    settle_all(workspace, [piece for lot in first for piece in lot.pieces], names)
    labels = sorted({label[:5] for label in names.values()})
    few = asked(workspace)
    more = world.lots(12)
    names = put(workspace, more)
    settle_all(workspace, [piece for lot in more for piece in lot.pieces[:3]], names)
    labels = sorted({*labels, *(label[:5] for label in names.values())})
    assert len(labels) == 15
    assert asked(workspace) == few
    assert few < 40
