"""What is said of pieces, where they sit, and which machines a recall names."""

from datetime import timedelta

import pytest
from conftest import Lotproof
from sqlalchemy import func, select
from stock import TODAY, a_lot

from tracker.desk.assess import prior_of
from tracker.desk.bench import CurrentRequest, run_current
from tracker.desk.decide import Sent, decide, declare_exemplar, exemplars, settle, settled
from tracker.desk.due import due, nothing_due
from tracker.desk.fitting import fit, unfit
from tracker.desk.listing import Filters, list_rows
from tracker.desk.pieces import dispositions, find_lot, find_machine, find_piece, plain_label, resolve_pieces
from tracker.desk.recall import Wanted, recall
from tracker.desk.rows import MachineRow, PieceRow, SellerRow
from tracker.desk.showing import LotShown, MachineShown, PieceShown, show
from tracker.desk.verify import verify
from tracker.desk.workspace import Workspace
from tracker.errors import BadRequest
from tracker.judgement.suspicion import odds_to_probability, percent
from tracker.records.models import Inspection, JournalEntry, Photo

KEYBOARD = "Sampling keyboard Orrin 8, serial 0412"
COUNTER = "Laboratory counter Tellmark 220"


@pytest.fixture
def stocked(workspace: Workspace) -> Workspace:
    """Give a workspace with L0001 (3 pieces, marketplace) and L0002 (2 pieces, distributor)."""
    a_lot(workspace, claim_by=TODAY.replace(day=12), order="Q-1")
    a_lot(workspace, seller="Fennimore Components", source="authorised", quantity=2, received=2)
    return workspace


def now(workspace: Workspace) -> dict[str, str]:
    with workspace.read() as session:
        found = dispositions(session)
        return {piece.label: found[piece.id] for piece in resolve_pieces(session, ["L0001", "L0002"])}


def entries(workspace: Workspace) -> int:
    with workspace.read() as session:
        return session.scalar(select(func.count()).select_from(JournalEntry)) or 0


def test_pieces_by_what_is_on_the_bag(stocked: Workspace) -> None:
    with stocked.read() as session:
        assert find_lot(session, " l1 ").label == "L0001"
        assert find_piece(session, "l1-2").label == "L0001-02"
        words = ["L0001-02..3", "L0001", "L0002-01..L0002-02"]
        labels = [piece.label for piece in resolve_pieces(session, words)]
        assert labels == ["L0001-02", "L0001-03", "L0001-01", "L0002-01", "L0002-02"]
        for word in ("L0001-04", "L0009", "L0001-00", "L0001-03..02", "L0001-01..L0002-02", "foo", "", "L0001-"):
            with pytest.raises(BadRequest):
                resolve_pieces(session, [word])


def test_plain_labels() -> None:
    given = ("l7-3", "L0007-03", "m2", "b15", " L7 ", "l12345-100", "Orrin")
    assert [plain_label(text) for text in given] == [
        "L0007-03",
        "L0007-03",
        "M0002",
        "B0015",
        "L0007",
        "L12345-100",
        "ORRIN",
    ]


def test_latest_decision_holds_and_both_stay(stocked: Workspace) -> None:
    decide(stocked, ["L0001"], "quarantine", "lettering differs", operator="mira")
    answers = decide(stocked, ["l1-1..2"], "accept", "current agrees", operator="jonas")
    assert [(one.piece, one.before, one.disposition) for one in answers] == [
        ("L0001-01", "quarantined", "accepted"),
        ("L0001-02", "quarantined", "accepted"),
    ]
    assert now(stocked)["L0001-01"] == "accepted"
    assert now(stocked)["L0001-03"] == "quarantined"
    shown = show(stocked, "L0001-01")
    assert isinstance(shown, PieceShown)
    assert [(one.operator, one.what, one.why) for one in shown.events] == [
        ("mira", "quarantined", "lettering differs"),
        ("jonas", "accepted", "current agrees"),
    ]


def test_all_pieces_or_none(stocked: Workspace) -> None:
    before = entries(stocked)
    for words, verb, reason in (
        (["L0001-01", "L0001-09"], "accept", "x"),
        (["L0001-01"], "accept", "  "),
        (["L0001-01"], "keep", "x"),
    ):
        with pytest.raises(BadRequest):
            decide(stocked, words, verb, reason, operator="mira")
    assert entries(stocked) == before
    assert set(now(stocked).values()) == {"open"}


def test_fit_and_unfit(stocked: Workspace) -> None:
    decide(stocked, ["L0002-01"], "accept", "looks right", operator="mira")
    fitted = fit(stocked, "L0002-01", KEYBOARD, "U12", owner="job 77", operator="mira")
    assert (fitted.machine, fitted.new_machine, fitted.notes) == ("M0001", True, ())
    assert now(stocked)["L0002-01"] == "fitted"
    again = fit(stocked, "L0002-02", KEYBOARD.upper(), "U13", operator="mira")
    assert (again.machine, again.new_machine) == ("M0001", False)
    assert "No decision on L0002-02" in again.notes[0]
    unfit(stocked, "L0002-01", reason="swapped back", operator="mira")
    assert now(stocked)["L0002-01"] == "accepted"
    unfit(stocked, "L0002-02", operator="mira")
    assert now(stocked)["L0002-02"] == "open"
    assert fit(stocked, "L0002-02", "m1", "u12", operator="mira").position == "u12"
    shown = show(stocked, "M0001")
    assert isinstance(shown, MachineShown)
    assert [(one.position, one.piece, one.here) for one in shown.positions] == [
        ("u12", "L0002-02", True),
        ("U12", "L0002-01", False),
        ("U13", "L0002-02", False),
    ]
    assert verify(stocked).sound


def test_a_move_goes_somewhere_else(stocked: Workspace) -> None:
    fit(stocked, "L0001-01", KEYBOARD, "U12", operator="mira")
    before = entries(stocked)
    with pytest.raises(BadRequest, match="at U12 already"):
        fit(stocked, "L0001-01", "M0001", "u12", move=True, operator="mira")
    assert entries(stocked) == before
    assert fit(stocked, "L0001-01", "M0001", "U13", move=True, operator="mira").position == "U13"


def test_nothing_goes_back_before_it_arrived(stocked: Workspace) -> None:
    before = entries(stocked)
    with stocked.read() as session:
        arrived = find_piece(session, "L0001-01").lot.arrived_on
    too_early = Sent("Harbour Parcels", "HP-1", arrived - timedelta(days=1))
    with pytest.raises(BadRequest, match="so it was not sent back on"):
        decide(stocked, ["L0001-01"], "return", "bad", shipped=too_early, operator="mira")
    assert entries(stocked) == before
    same_day = Sent("Harbour Parcels", "HP-1", arrived)
    (answer,) = decide(stocked, ["L0001-01"], "return", "bad", shipped=same_day, operator="mira")
    assert answer.disposition == "returned"


def test_what_must_not_be_fitted(stocked: Workspace) -> None:
    fit(stocked, "L0001-01", KEYBOARD, "U12", operator="mira")
    decide(stocked, ["L0001-02"], "reject", "re-marked", operator="mira")
    settle(stocked, "L0001-03", "not-genuine", "opened: another die", operator="mira")
    before = entries(stocked)
    refused = (
        ("L0001-01", COUNTER, "U1", {}, "sits in M0001"),
        ("L0002-01", KEYBOARD, " u12 ", {}, "holds L0001-01"),
        ("L0002-01", KEYBOARD, "U12", {"anyway": True, "reason": "x"}, "holds L0001-01"),
        ("L0001-02", COUNTER, "U1", {}, "is rejected"),
        ("L0001-02", COUNTER, "U1", {"anyway": True}, "needs a reason"),
        ("L0001-03", COUNTER, "U1", {}, "settled as not genuine"),
        ("L0002-01", "M0042", "U1", {}, "no machine M0042"),
        ("L0002-01", KEYBOARD, "U1", {"owner": "another"}, "owner reference"),
        ("L0002-01", KEYBOARD, "  ", {}, "position is empty"),
        ("L0002-09", KEYBOARD, "U1", {}, "no piece"),
    )
    for piece, machine, position, options, said in refused:
        with pytest.raises(BadRequest, match=said):
            fit(stocked, piece, machine, position, operator="mira", **options)  # type: ignore[arg-type]
    with pytest.raises(BadRequest, match="sits in no machine"):
        unfit(stocked, "L0002-01", operator="mira")
    assert entries(stocked) == before
    with stocked.read() as session, pytest.raises(BadRequest, match="no machine"):
        find_machine(session, COUNTER)
    anyway = fit(stocked, "L0001-02", COUNTER, "U1", anyway=True, reason="to try the socket", operator="mira")
    assert "fitted all the same" in anyway.notes[0]
    assert now(stocked)["L0001-02"] == "fitted"


def test_a_decision_about_a_fitted_piece(stocked: Workspace) -> None:
    fit(stocked, "L0001-01", KEYBOARD, "U12", operator="mira")
    with pytest.raises(BadRequest, match="sits in M0001"):
        decide(stocked, ["L0001-01"], "return", "bad lot", operator="mira")
    answer = decide(stocked, ["L0001-01"], "quarantine", "bad lot", operator="mira")[0]
    assert "still sits in M0001" in answer.notes[0]
    assert now(stocked)["L0001-01"] == "quarantined"
    decide(stocked, ["L0001-01"], "accept", "measured", operator="mira")
    assert now(stocked)["L0001-01"] == "fitted"


def test_settle_and_take_back(stocked: Workspace) -> None:
    settle(stocked, "L0001-01", "not-genuine", "opened", operator="mira")
    again = settle(stocked, "L0001-01", "genuine", "wrong piece opened", operator="jonas")
    assert again.supersedes is not None
    assert again.supersedes.startswith("not genuine (")
    with stocked.read() as session:
        assert list(settled(session).values()) == [True]
    with pytest.raises(BadRequest, match="is not settled as not genuine"):
        settle(stocked, "L0001-01", "not-genuine", "x", withdraw=True, operator="mira")
    settle(stocked, "L0001-01", "genuine", "not sure after all", withdraw=True, operator="mira")
    with stocked.read() as session:
        assert settled(session) == {}


def test_what_moves_the_seller_s_other_pieces_says_so(stocked: Workspace) -> None:
    """A decision that a bench test agrees with counts in the seller's record; one from photos alone does not."""
    (alone,) = decide(stocked, ["L0001-01"], "reject", "looks sanded", operator="mira")
    assert alone.notes == ()
    settled_bad = settle(stocked, "L0001-02", "not-genuine", "opened", operator="mira")
    (note,) = settled_bad.notes
    assert "counts in the record of Quayside Surplus" in note
    with stocked.read() as session:
        after = odds_to_probability(prior_of(session, find_lot(session, "L0001")).db)
    assert f"now {percent(after)}." in note
    reading = CurrentRequest(currents=("900 mA",), limit="10 mA", limit_source="data sheet", u="1 mA")
    assert run_current(stocked, "L0002-01", reading, operator="mira").verdict == "fail"
    first, last = decide(stocked, ["L0002"], "reject", "draws too much", operator="mira")
    assert first.notes == ()
    assert "counts in the record of Fennimore Components" in last.notes[0]
    assert decide(stocked, ["L0002-01"], "reject", "still", operator="mira")[0].notes == ()


def test_exemplar_and_take_back(stocked: Workspace) -> None:
    declare_exemplar(stocked, "L0002-01", "bought from the maker", operator="mira")
    with stocked.read() as session:
        assert exemplars(session) == {find_piece(session, "L0002-01").id}
    declare_exemplar(stocked, "L0002-01", "was mixed up", withdraw=True, operator="mira")
    with stocked.read() as session:
        assert exemplars(session) == set()
    settle(stocked, "L0001-01", "not-genuine", "opened", operator="mira")
    for piece, withdraw in (("L0001-01", False), ("L0002-02", True)):
        with pytest.raises(BadRequest):
            declare_exemplar(stocked, piece, "x", withdraw=withdraw, operator="mira")


def test_a_piece_that_was_turned_away_is_no_silent_exemplar(stocked: Workspace) -> None:
    decide(stocked, ["L0002-01"], "reject", "draws too much", operator="mira")
    declared = declare_exemplar(stocked, "L0002-01", "bought from the maker", operator="mira")
    assert declared.notes[0] == "L0002-01 is rejected."
    assert declare_exemplar(stocked, "L0002-01", "mixed up", withdraw=True, operator="mira").notes == ()
    assert declare_exemplar(stocked, "L0002-02", "bought from the maker", operator="mira").notes == ()


def _read(workspace: Workspace, label: str, marking: str, code: str, year: int, week: int) -> None:
    with workspace.act("mira", "photograph", label) as act:
        piece = find_piece(act.session, label)
        kept = act.keep(f"a picture of {label}".encode())
        photo = act.add(
            Photo(
                lot_id=piece.lot_id,
                role="top",
                name="p.jpg",
                sha256=kept.sha256,
                size_bytes=kept.size_bytes,
                width=9,
                height=9,
            )
        )
        act.add(
            Inspection(
                photo_id=photo.id,
                piece_id=piece.id,
                part_read="CV6522AP",
                marking=marking,
                date_code=code,
                date_year=year,
                date_week=week,
                suspicion=0.5,
                prior_db=0.0,
                document='{"schema":"lotproof.inspection-piece/1","photo":"p.jpg","index":0,"piece":'
                '{"outline":[[0,0],[1,0],[1,1],[0,1]],"package":null,"package_confidence":0,"lines":[],"part":null,'
                '"date_codes":[],"suspicion":0.5,"findings":[]}}',
            )
        )


def test_recall(stocked: Workspace) -> None:
    _read(stocked, "L0001-01", "CORVANE / CV6522AP / 8823", "8823", 1988, 23)
    _read(stocked, "L0001-02", "CORVANE / CV6522AP / 9107", "9107", 1991, 7)
    fit(stocked, "L0001-01", KEYBOARD, "U12", owner="job 77", operator="mira")
    fit(stocked, "L0001-02", COUNTER, "U3", operator="mira")
    unfit(stocked, "L0001-02", operator="mira")

    def pieces(**wanted: object) -> tuple[list[str], list[str], list[str]]:
        found = recall(stocked, Wanted(**wanted))  # type: ignore[arg-type]
        holds = [f"{one.machine} {one.position} {one.piece}" for one in found.stays if one.out is None]
        held = [f"{one.machine} {one.position} {one.piece}" for one in found.stays if one.out is not None]
        return holds, held, [one.piece for one in found.loose]

    keyboard, counter = "M0001 U12 L0001-01", "M0002 U3 L0001-02"
    assert pieces(lot="L1") == ([keyboard], [counter], ["L0001-02", "L0001-03"])
    assert pieces(seller="quayside surplus") == pieces(lot="L0001")
    assert pieces(seller="Fennimore Components") == ([], [], ["L0002-01", "L0002-02"])
    assert pieces(date_code="8823") == ([keyboard], [], [])
    assert pieces(date_code="1991-w07") == ([], [counter], ["L0001-02"])
    assert pieces(date_code="1988") == ([keyboard], [], [])
    assert pieces(marking="corvane / cv6522") == ([keyboard], [counter], ["L0001-02"])
    assert pieces(marking="100%") == ([], [], [])
    assert pieces(marking="8823", lot="L0002") == ([], [], [])
    assert len(pieces(since=TODAY)[2]) == 4
    assert pieces(since=TODAY.replace(day=3)) == ([], [], [])
    for wanted in (Wanted(), Wanted(lot="L0009"), Wanted(seller="Nobody")):
        with pytest.raises(BadRequest):
            recall(stocked, wanted)
    assert verify(stocked).sound


def test_lists(stocked: Workspace) -> None:
    fit(stocked, "L0001-02", KEYBOARD, "U12", operator="mira")
    decide(stocked, ["L0001-03"], "reject", "re-marked", operator="mira")
    settle(stocked, "L0001-03", "not-genuine", "opened", operator="mira")
    lots = list_rows(stocked, "lots", sort="arrived", reverse=True)
    assert (lots.found, [row.lot for row in lots.rows]) == (2, ["L0001", "L0002"])  # type: ignore[union-attr]
    counts = lots.rows[0]
    assert (counts.open, counts.fitted, counts.rejected, counts.accepted) == (1, 1, 1, 0)  # type: ignore[union-attr]
    rejected = list_rows(stocked, "pieces", Filters(disposition="Rejected")).rows
    assert [(row.piece, row.settled) for row in rejected if isinstance(row, PieceRow)] == [("L0001-03", "not-genuine")]
    assert rejected[0].suspicion > 0.9  # type: ignore[union-attr,operator]
    limited = list_rows(stocked, "pieces", Filters(lot="L0002"), limit=1)
    assert (limited.found, len(limited.rows)) == (2, 1)
    seller = list_rows(stocked, "sellers", Filters(seller="quayside surplus")).rows[0]
    assert isinstance(seller, SellerRow)
    assert (seller.lots, seller.pieces, seller.not_genuine, seller.rejected, seller.fitted) == (1, 3, 1, 1, 1)
    assert [row.pieces for row in list_rows(stocked, "machines").rows if isinstance(row, MachineRow)] == [1]
    assert list_rows(stocked, "runs").rows == ()
    for what, filters, sort in (("poems", None, None), ("lots", Filters(machine="M0001"), None), ("lots", None, "x")):
        with pytest.raises(BadRequest):
            list_rows(stocked, what, filters, sort=sort)


def test_rows_without_a_value_come_last_either_way(stocked: Workspace) -> None:
    for reverse in (False, True):
        rows = list_rows(stocked, "lots", sort="claim_by", reverse=reverse).rows
        assert [row.lot for row in rows] == ["L0001", "L0002"]  # type: ignore[union-attr]


def test_due(stocked: Workspace) -> None:
    found = due(stocked, today=TODAY)
    assert [(one.lot, one.days_left, one.undecided) for one in found] == [("L0001", 10, 3)]
    assert found[0].missing == ("no invoice", "no listing", "no photo", "3 pieces undecided")
    assert due(stocked, today=TODAY, within=9) == ()
    assert due(stocked, today=TODAY.replace(day=14))[0].days_left == -2
    decide(stocked, ["L0001-01..2"], "accept", "fine", operator="mira")
    decide(stocked, ["L0001-03"], "reject", "re-marked", operator="mira")
    assert due(stocked, today=TODAY)[0].missing[-1] == "1 of 1 rejected without a bench test"
    decide(stocked, ["L0001-03"], "return", "refund agreed", operator="mira")
    assert due(stocked, today=TODAY) == ()


def test_nothing_due_names_lots_without_a_last_day(stocked: Workspace) -> None:
    assert nothing_due(stocked, within=3) == (
        "No claim window needs anything within 3 days. No last day for a claim is on record for L0002."
    )
    assert nothing_due(stocked, "L2").startswith("No last day for a claim is on record for L0002: see what was agreed")
    assert nothing_due(stocked, "L1", within=0) == "L0001 needs nothing for a claim today."
    decide(stocked, ["L0002"], "accept", "looks right", operator="mira")
    assert nothing_due(stocked) == "No claim window needs anything."


def test_show_lot(stocked: Workspace, lotproof: Lotproof) -> None:
    shown = show(stocked, "l2")
    assert isinstance(shown, LotShown)
    assert (shown.summary.lot, shown.summary.seller, len(shown.pieces)) == ("L0002", "Fennimore Components", 2)
    declare_exemplar(stocked, "L0002-02", "from the distributor", operator="mira")
    for words in (("show", "L0002"), ("list", "pieces", "--lot", "L0002")):
        said = lotproof(*words, "--workspace", stocked.folder).out
        marked = [line.split()[0] for line in said.splitlines() if line.startswith("L0002-") and " yes" in line]
        assert marked == ["L0002-02"], said
    for label in ("L0009", "L0001-99", "M0009", "B0001", "nothing", ""):
        with pytest.raises(BadRequest):
            show(stocked, label)


@pytest.mark.parametrize("reverse", [False, True])
@pytest.mark.parametrize("sort", [None, "lot", "seller", "arrived"])
@pytest.mark.parametrize("what", ["lots", "pieces"])
def test_a_page_is_the_head_of_the_whole_list(stocked: Workspace, what: str, sort: str | None, reverse: bool) -> None:
    """The short way to a page works out only its own rows; they are those that the whole list begins with."""
    whole = list_rows(stocked, what, sort=sort, reverse=reverse)
    for limit in (1, 3, whole.found + 5):
        page = list_rows(stocked, what, sort=sort, reverse=reverse, limit=limit)
        assert page.rows == whole.rows[:limit]
        assert page.found == whole.found
