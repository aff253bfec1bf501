"""Claims and recalls on paper: facts and nothing else, and what proves that a piece went back."""

import io
import re
from datetime import date
from pathlib import Path

import pytest
from pypdf import PdfReader
from staged import Stage, chip, picture
from stock import TODAY, a_lot

from tracker.desk import photograph as photographing
from tracker.desk.bench import CurrentRequest, run_current
from tracker.desk.bench_entry import Typed
from tracker.desk.claim import write_statement
from tracker.desk.correct import correct
from tracker.desk.decide import Sent, decide, sent
from tracker.desk.due import due
from tracker.desk.fitting import fit
from tracker.desk.notice import write_notice
from tracker.desk.recall import Wanted, recall
from tracker.desk.showing import show
from tracker.desk.workspace import Workspace
from tracker.errors import BadRequest

HOSTILE = '<b>Quay</b> #eval("1") $x$ \\ `raw` *bold* _it_ @ref'


def pdf_text(data: bytes) -> str:
    """Return the text of a PDF with single blanks."""
    return " ".join(" ".join(page.extract_text() for page in PdfReader(io.BytesIO(data)).pages).split())


@pytest.fixture
def claimable(workspace: Workspace) -> Workspace:
    """Give a lot of three, of which the second was measured to draw too much and rejected."""
    a_lot(workspace, order="QS-7714", price="31.20", currency="EUR", quantity=4, claim_by=date(2031, 4, 20))
    request = CurrentRequest(
        pairs=("1 MHz=96 mA",),
        limit="6 mA",
        limit_source="invented",
        u="0.1 mA",
        typed=Typed(supply="5 V", instrument="bench multimeter"),
    )
    run_current(workspace, "L0001-02", request, operator="mira")
    decide(workspace, ["L0001-02"], "reject", "draws too much", operator="mira")
    return workspace


def test_a_statement_has_the_facts_and_no_opinion(claimable: Workspace, tmp_path: Path) -> None:
    written = write_statement(claimable, "L0001", tmp_path / "claim", today=TODAY)
    assert written.pieces == ("L0001-02",)
    assert written.missing == (
        "no invoice", "no listing", "no photo", "2 pieces undecided",
    )  # fmt: skip
    text = (tmp_path / "claim" / "statement.txt").read_text(encoding="utf-8")
    flat = " ".join(text.split())
    for fact in (
        "To Quayside Surplus, order QS-7714, line 1",
        "4 of CV6522AP",
        "31.20 EUR",
        "3 pieces on 2031-04-02, 1 fewer than ordered",
        "96.00 ± 0.10 mA at 1 MHz",
        "bench multimeter",
        "upper limit 6 mA",
        "Nothing is claimed here about the other 2 of the 3 pieces.",
        "local law",
    ):
        assert fact in flat
    assert not re.search(r"suspic|genuine|fake|fraud|counterfeit|decib| db\b", flat, re.IGNORECASE)
    assert max(map(len, text.splitlines())) <= 78
    printed = pdf_text((tmp_path / "claim" / "statement.pdf").read_bytes())
    for fact in ("Statement of facts", "Quayside Surplus", "96.00 ± 0.10 mA at 1 MHz", "QS-7714"):
        assert fact in printed


def test_a_statement_tells_a_corrected_reading_from_the_readers(
    claimable: Workspace, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    stage = Stage({}, [])
    monkeypatch.setattr(photographing, "look", stage.look)
    path = stage.put(picture(tmp_path, "two.png"), chip("CV6522AP", "8914"))
    photographing.photograph(claimable, "L0001", [path], piece=["L0001-02"], today=TODAY)
    correct(claimable, "L0001-02", ("CV6522AP", "9120"), remark="under the lens", operator="mira", today=TODAY)
    write_statement(claimable, "L0001", tmp_path / "claim", today=TODAY)
    flat = " ".join((tmp_path / "claim" / "statement.txt").read_text(encoding="utf-8").split())
    assert "CV6522AP / 9120 (corrected by hand)" in flat
    assert "under the lens. The readers read CV6522AP / 8914." in flat


def test_a_statement_keeps_back_no_later_result_of_the_same_test(claimable: Workspace, tmp_path: Path) -> None:
    request = CurrentRequest(pairs=("1 MHz=4 mA",), limit="6 mA", limit_source="invented", u="0.1 mA")
    run_current(claimable, "L0001-02", request, operator="mira")
    write_statement(claimable, "L0001", tmp_path / "claim", today=TODAY)
    flat = " ".join((tmp_path / "claim" / "statement.txt").read_text(encoding="utf-8").split())
    assert "B0001, supply current: does not meet its limit." in flat
    assert "B0002, supply current: meets its limit." in flat
    assert "4.00 ± 0.10 mA at 1 MHz" in flat
    assert "- B0001: The probability that the current meets the limit is less than 0.1 %." in flat


def test_a_draft_that_was_changed_is_not_written_over(claimable: Workspace, tmp_path: Path) -> None:
    write_statement(claimable, "L0001", tmp_path, today=TODAY)
    (tmp_path / "statement.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(BadRequest, match="there already"):
        write_statement(claimable, "L0001", tmp_path, today=TODAY)
    assert (tmp_path / "statement.txt").read_text(encoding="utf-8") == "mine"


def test_a_statement_needs_a_rejected_piece_and_a_folder(workspace: Workspace, tmp_path: Path) -> None:
    a_lot(workspace)
    with pytest.raises(BadRequest, match="No piece of L0001 is rejected"):
        write_statement(workspace, "L0001", tmp_path / "claim", today=TODAY)
    assert not (tmp_path / "claim").exists()
    (tmp_path / "file").write_text("mine")
    with pytest.raises(BadRequest, match="is a file"):
        write_statement(workspace, "L0001", tmp_path / "file", today=TODAY)
    with pytest.raises(BadRequest, match="no lot L0009"):
        write_statement(workspace, "L0009", tmp_path / "claim", today=TODAY)


def test_hostile_names_come_out_as_they_are(workspace: Workspace, tmp_path: Path) -> None:
    a_lot(workspace, seller=HOSTILE)
    decide(workspace, ["L0001-01"], "reject", "not as described", operator="mira")
    fit(workspace, "L0001-02", HOSTILE, "U12", owner=HOSTILE, operator="mira")
    write_statement(workspace, "L0001", tmp_path / "claim", today=TODAY)
    wanted = Wanted(seller=HOSTILE)
    write_notice(recall(workspace, wanted), wanted, HOSTILE, tmp_path / "notice.pdf", today=TODAY)
    for file in (tmp_path / "claim" / "statement.pdf", tmp_path / "notice.pdf"):
        printed = pdf_text(file.read_bytes()).replace(" ", "")
        assert HOSTILE.replace(" ", "") in printed
    assert HOSTILE in " ".join((tmp_path / "claim" / "statement.txt").read_text(encoding="utf-8").split())


def test_a_return_is_recorded_with_its_carrier(claimable: Workspace) -> None:
    (answer,) = decide(claimable, ["L0001-02"], "return", "not as described", operator="mira")
    assert any("--tracking" in text for text in answer.notes)
    assert due(claimable, today=TODAY)[0].missing[-1] == "no carrier's reference for 1 returned"
    shipped = sent("return", "Harbour Parcels", "HP-20931", "2031-04-03", today=date(2031, 4, 4))
    assert shipped == Sent("Harbour Parcels", "HP-20931", date(2031, 4, 3))
    (answer,) = decide(claimable, ["L0001-02"], "return", "sent", shipped=shipped, operator="mira")
    assert answer.notes == ()
    assert "carrier" not in str(due(claimable, today=TODAY)[0].missing)
    said = [event.what for event in show(claimable, "L0001-02").events]  # type: ignore[union-attr]
    assert "sent back on 2031-04-03 with Harbour Parcels, reference HP-20931" in said


def test_the_statement_says_what_went_back(claimable: Workspace, tmp_path: Path) -> None:
    shipped = Sent("Harbour Parcels", "HP-20931", TODAY)
    decide(claimable, ["L0001-02"], "return", "sent", shipped=shipped, operator="mira")
    write_statement(claimable, "L0001", tmp_path, today=TODAY)
    flat = " ".join((tmp_path / "statement.txt").read_text(encoding="utf-8").split())
    assert "L0001-02 sent back on 2031-04-02 with Harbour Parcels, reference HP-20931" in flat


@pytest.mark.parametrize(
    ("carrier", "reference", "on", "match"),
    [
        ("Harbour Parcels", None, None, "--tracking is missing"),
        (None, "HP-1", None, "--carrier is missing"),
        (None, None, "2031-04-01", "--carrier is missing"),
        ("Harbour Parcels", "HP-1", "2031-04-03", "has not come yet"),
        ("Harbour Parcels", "HP-1", "3 April", "Write it as|is '3 April'"),
        ("  ", "HP-1", None, "carrier is empty"),
    ],
)
def test_half_a_shipment_is_refused(carrier: str | None, reference: str | None, on: str | None, match: str) -> None:
    with pytest.raises(BadRequest, match=match):
        sent("return", carrier, reference, on, today=TODAY)


def test_a_carrier_goes_with_a_return_alone(claimable: Workspace) -> None:
    with pytest.raises(BadRequest, match="goes with a return"):
        sent("accept", "Harbour Parcels", None, None, today=TODAY)
    with pytest.raises(BadRequest, match="goes with a return"):
        decide(claimable, ["L0001-01"], "accept", "fine", shipped=Sent("Harbour Parcels", "HP-1", TODAY))


def test_a_notice_names_every_machine_with_its_owner(workspace: Workspace, tmp_path: Path) -> None:
    a_lot(workspace)
    fit(workspace, "L0001-01", "Orrin 8, serial 0412", "U12", owner="Tidewater job 231", operator="mira")
    fit(workspace, "L0001-02", "Fennel counter 3", "U4", operator="mira")
    wanted = Wanted(lot="L0001")
    fit(workspace, "L0001-02", "Orrin 8, serial 0412", "U13", move=True, operator="mira")
    written = write_notice(recall(workspace, wanted), wanted, "runs hot", tmp_path / "n.txt", today=TODAY)
    assert written.machines == 1
    flat = " ".join((tmp_path / "n.txt").read_text(encoding="utf-8").split())
    for fact in ("Tidewater job 231", "runs hot", "U12: L0001-01", "U13: L0001-02", "off the mains", "of lot L0001"):
        assert fact in flat
    assert re.search(r"No longer there -+ - M0002, Fennel counter 3 .*L0001-02 at U4", flat)


def test_a_notice_for_nobody_is_not_written(workspace: Workspace, tmp_path: Path) -> None:
    a_lot(workspace)
    wanted = Wanted(lot="L0001")
    with pytest.raises(BadRequest, match="nobody to notify"):
        write_notice(recall(workspace, wanted), wanted, None, tmp_path / "n.txt", today=TODAY)
    with pytest.raises(BadRequest, match=r"\.pdf or \.txt"):
        write_notice(recall(workspace, wanted), wanted, None, tmp_path / "n.doc", today=TODAY)
    assert list(tmp_path.glob("n.*")) == []


def test_a_move_is_one_act(workspace: Workspace) -> None:
    a_lot(workspace)
    with pytest.raises(BadRequest, match="cannot be moved"):
        fit(workspace, "L0001-01", "Orrin 8", "U12", move=True, operator="mira")
    fit(workspace, "L0001-01", "Orrin 8", "U12", operator="mira")
    fit(workspace, "L0001-02", "Orrin 8", "U13", operator="mira")
    with pytest.raises(BadRequest, match="holds L0001-02"):
        fit(workspace, "L0001-01", "Orrin 8", "U13", move=True, operator="mira")
    answer = fit(workspace, "L0001-01", "Fennel counter 3", "U1", move=True, operator="mira")
    assert answer.came_from == "M0001 (Orrin 8) at U12"
    stays = recall(workspace, Wanted(lot="L0001")).stays
    assert [(one.machine, one.position, one.out is None) for one in stays if one.piece == "L0001-01"] == [
        ("M0002", "U1", True),
        ("M0001", "U12", False),
    ]
